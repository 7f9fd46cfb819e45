//! `tone find`: proposes a de-esser, a bell against mud or a high-pass from the lane's own sound, and says what it measured.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::hearing::assets_of;
use crate::command::outcome::{Action, Remark};
use crate::command::rendered;
use crate::command::table::Call;
use crate::listen::tone_find::{find_esses, find_mud, find_rumble};
use crate::song::tone::{Band, BandShape, Deess, HighPass, Slope, Stage};
use crate::song::{Db, Lane, Tone};

/// The band that a proposal against mud takes if it is free.
const MUD_BAND: usize = 1;
/// A bell against mud takes away at most this much (common practice, no source).
const MOST_MUD_DB: f64 = 6.0;

/// What to set, and what was measured.
struct Proposal {
    tone: Tone,
    command: String,
    measured: String,
}

pub(super) fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let rows = call.scope.lanes(context, call.verb.every)?;
    let lanes = &context.session.song().lanes;
    context.hearing.prepare(&assets_of(rows.iter().map(|row| lanes[*row].as_ref())))?;
    let set = call.args.has("set");
    let mut draft = Draft::new(context);
    let mut remarks = Vec::new();
    let mut found = 0;
    for row in rows {
        let lane = &lanes[row];
        let text = match propose(lane, call, context)? {
            Ok(Proposal { tone, command, measured }) => {
                found += 1;
                if set {
                    draft.set_tone(row, tone)?;
                }
                format!("{measured}: {command} on lane {}", row + 1)
            }
            Err(why) => why,
        };
        let (Some(first), Some(last)) = (lane.regions.first(), lane.regions.last()) else { continue };
        remarks.push(Remark { lane: row + 1, from: first.at, to: last.end(), text });
    }
    let gist = remarks.iter().map(|remark| format!("lane {}: {}", remark.lane, remark.text));
    let summary = gist.collect::<Vec<_>>().join("; ");
    if !set || found == 0 {
        return Ok(Action::Tell { summary, remarks });
    }
    match draft.finish(summary)? {
        Action::Edit { ops, brought_from, summary, .. } => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        other => Ok(other),
    }
}

/// The inner error is why there is nothing to propose.
fn propose(lane: &Lane, call: &Call, context: &Context) -> Result<Result<Proposal, String>, Diagnostic> {
    let rate = context.session.rate;
    // Heard as the stage in question hears it: the equaliser on, dynamics off, and for mud and rumble all off.
    let mut heard = lane.tone.as_deref().cloned().unwrap_or_default();
    let for_esses = call.args.has("s");
    heard.skip =
        if for_esses { vec![Stage::Deess, Stage::Compress, Stage::Drive] } else { Stage::ORDER.to_vec() };
    let heard = Lane { tone: Some(std::sync::Arc::new(heard)), ..lane.clone() };
    let mut samples = Vec::new();
    rendered::lane(&heard, context, &[], &mut |_, block| samples.extend_from_slice(block))?;
    let mut tone = lane.tone.as_deref().cloned().unwrap_or_default();
    Ok(if for_esses {
        esses(&mut tone, &samples, rate)
    } else if call.args.has("mud") {
        mud(&mut tone, &samples, rate)
    } else {
        rumble(&mut tone, &samples, rate)
    }
    .map(|(command, measured)| Proposal { tone, command, measured }))
}

fn round_to(value: f64, step: f64) -> f64 {
    (value / step).round() * step
}

fn esses(tone: &mut Tone, samples: &[f32], rate: u32) -> Result<(String, String), String> {
    let found = find_esses(samples, rate).ok_or("too few esses to measure")?;
    let (hz, width) = (round_to(found.frequency_hz, 50.0), round_to(found.width_octaves, 0.1));
    let threshold = round_to(found.threshold_db, 0.5);
    tone.deess = Some(Deess {
        frequency_hz: hz,
        width_octaves: width,
        threshold_db: Db(threshold),
        relative: false,
        ..tone.deess.unwrap_or_default()
    });
    let measured = format!(
        "{:.1} s of esses around {hz:.0} Hz, {width:.1} octaves wide, {:.1} dBFS in the band (vowels {:.1})",
        found.seconds, found.ess_db, found.vowel_db
    );
    Ok((format!("tone deess {hz:.0}Hz width {width:.1}oct threshold {threshold:.1}dB"), measured))
}

fn mud(tone: &mut Tone, samples: &[f32], rate: u32) -> Result<(String, String), String> {
    let found = find_mud(samples, rate).ok_or("nothing between 160 and 500 Hz stands out")?;
    let hz = round_to(found.frequency_hz, 5.0);
    let cut = round_to(found.excess_db.min(MOST_MUD_DB), 0.5);
    let free = (0..tone.bands.len()).find(|band| tone.bands[*band].is_none()).unwrap_or(MUD_BAND);
    let band = if tone.bands[MUD_BAND].is_none() { MUD_BAND } else { free };
    tone.bands[band] = Some(Band { shape: BandShape::Bell, frequency_hz: hz, gain_db: Db(-cut), q: found.q });
    let command = format!("tone eq {} bell {hz:.0}Hz -{cut:.1}dB q {}", band + 1, found.q);
    Ok((command, format!("{hz:.0} Hz stands {:.1} dB above its surroundings", found.excess_db)))
}

fn rumble(tone: &mut Tone, samples: &[f32], rate: u32) -> Result<(String, String), String> {
    let found = find_rumble(samples, rate).ok_or("no voice to measure")?;
    let hz = found.frequency_hz;
    let slope = if found.steep { Slope::TwentyFour } else { Slope::Twelve };
    tone.highpass = Some(HighPass { frequency_hz: hz, slope });
    let steep = if found.steep { " slope 24" } else { "" };
    let measured = format!(
        "the voice begins at {:.0} Hz; what lies below {hz:.0} Hz is {:.1} dB against all of it",
        found.voice_from_hz, found.rumble_db
    );
    Ok((format!("tone highpass {hz:.0}Hz{steep}"), measured))
}
