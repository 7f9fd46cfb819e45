//! `match level`: brings lanes to the guide's loudness, whole or phrase by phrase.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::dip::Dip;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::hearing::assets_of;
use crate::command::outcome::{Action, Remark};
use crate::command::proposal::of_ms;
use crate::command::rendered;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::edit::LaneValue;
use crate::listen::SoundKind;
use crate::listen::loudness::PowerTrack;
use crate::song::rules::GAIN_RANGE;
use crate::song::tone::Stage;
use crate::song::{Db, Lane, Length, Position, Role, Span};

/// Differences up to this stay unless told, in dB.
const WITHIN_DB: f64 = 1.0;
/// Larger steps are not made unless told, in dB (common practice, no source).
const MOST_DB: f64 = 6.0;
/// Ramp between two phrases, in ms (common practice, no source).
const RAMP_MS: u64 = 30;
/// How often a step is corrected by what comes out behind a compressor, which answers a step with a smaller one.
const CORRECTIONS: usize = 3;

/// The verb.
pub static VERB: Verb = Verb {
    name: "match",
    form: &[
        Part::Word("level"),
        Part::Word("to"),
        Part::Word("guide"),
        Part::Maybe(&[Part::Word("per"), Part::One(&[&[Part::Word("phrase")], &[Part::Word("lane")]])]),
        Part::Any(
            0,
            &[
                &[Part::Word("within"), Part::Value("within-is", Kind::Gain)],
                &[Part::Word("at"), Part::Word("most"), Part::Value("most-is", Kind::Gain)],
            ],
        ),
    ],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Brings lanes to the guide's loudness, measured behind their tone over the voiced parts with the weighting of \
            ITU-R BS.1770: `per lane` (unless told) by the gain of the lane, `per phrase` by the gain of its regions, which \
            are cut and crossed between the phrases. Differences up to `within` stay, no step is larger than `at most`.",
    examples: &[
        "match level to guide on all",
        "match level to guide per phrase on role double",
        "match level to guide per phrase within 0.5dB at most 4dB on lane 2",
    ],
    also: &["level", "balance", "loudness"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let song = context.session.song();
    let guide = song.guide().ok_or_else(|| {
        Diagnostic::refusal("no lane is the guide").help("say which one is: role guide on lane 1")
    })?;
    let mut rows = call.scope.lanes(context, call.verb.every)?;
    rows.retain(|row| song.lanes[*row].id != guide.id && song.lanes[*row].role != Role::Backing);
    let involved = rows.iter().map(|row| song.lanes[*row].as_ref()).chain([guide.as_ref()]);
    context.hearing.prepare(&assets_of(involved))?;
    let limits = Limits {
        within: super::number(&call.args, "within-is").unwrap_or(WITHIN_DB).abs(),
        most: super::number(&call.args, "most-is").unwrap_or(MOST_DB).abs(),
    };
    let reference = Measured::new(guide, context, &[])?;
    let mut draft = Draft::new(context);
    let mut remarks = Vec::new();
    for row in &rows {
        if call.args.has("phrase") {
            per_phrase(&mut draft, *row, &reference, limits, context, &mut remarks)?;
        } else {
            whole(&mut draft, *row, &reference, limits, context, &mut remarks)?;
        }
    }
    let steps = remarks.iter().filter(|remark| remark.step.is_some()).count();
    let what = if call.args.has("phrase") { "phrase" } else { "lane" };
    let remarks: Vec<Remark> = remarks.into_iter().map(|said| said.remark).collect();
    if steps == 0 {
        let summary =
            format!("nothing to do: all is within {} dB of the guide, or cannot be measured", limits.within);
        return Ok(Action::Tell { summary, remarks });
    }
    match draft.finish(format!("matched {} to the guide", super::count(steps, what)))? {
        Action::Edit { ops, brought_from, summary, .. } => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        other => Ok(other),
    }
}

#[derive(Debug, Clone, Copy)]
struct Limits {
    within: f64,
    most: f64,
}

impl Limits {
    /// The step for a difference, 0 if it may stay.
    fn step(self, difference: f64) -> f64 {
        if difference.abs() <= self.within { 0.0 } else { difference.clamp(-self.most, self.most) }
    }
}

struct Said {
    step: Option<f64>,
    remark: Remark,
}

fn said(row: usize, span: Span, difference: Option<f64>, step: f64, limits: Limits) -> Said {
    let text = match difference {
        None => "the guide or the lane has no voice here: left alone".to_owned(),
        Some(difference) if step == 0.0 => format!("{:+.1} LU against the guide: left alone", -difference),
        Some(difference) if step.abs() < difference.abs() && step.abs() >= limits.most => {
            format!("{:+.1} LU against the guide: {step:+.1} dB, the most allowed", -difference)
        }
        Some(difference) => format!("{:+.1} LU against the guide: {step:+.1} dB", -difference),
    };
    let step = (step != 0.0).then_some(step);
    Said { step, remark: Remark { lane: row + 1, from: span.start, to: span.end, text } }
}

/// A lane's loudness behind its tone and level.
struct Measured {
    track: PowerTrack,
    start: Position,
    level_db: f64,
    voiced: Vec<Span>,
    phrases: Vec<Span>,
}

impl Measured {
    fn new(lane: &Lane, context: &Context, gains: &[(Span, Db)]) -> Result<Measured, Diagnostic> {
        let mut track = PowerTrack::new(context.session.rate);
        let mut start = None;
        rendered::lane(lane, context, gains, &mut |at, block| {
            start.get_or_insert(at);
            track.add(block);
        })?;
        let (mut voiced, mut phrases) = (Vec::new(), Vec::new());
        for region in &lane.regions {
            let heard = context.hearing.heard(region.asset)?;
            let place = |from, to| super::super::proposal::on_timeline(region, from, to);
            voiced.extend(heard.of(SoundKind::Voiced).filter_map(|sound| place(sound.start, sound.end)));
            phrases.extend(heard.phrases.iter().filter_map(|phrase| place(phrase.start, phrase.end)));
        }
        Ok(Measured {
            track,
            start: start.unwrap_or(Position(0)),
            level_db: lane.gain_db.0,
            voiced,
            phrases: joined(phrases, of_ms(RAMP_MS, context.session.rate)),
        })
    }

    /// Loudness in LUFS of the voiced parts within a span.
    fn loudness(&self, span: Span) -> Option<f64> {
        let frames = |spans: &[Span]| -> Vec<(u64, u64)> {
            spans
                .iter()
                .map(|voiced| (voiced.start.max(span.start), voiced.end.min(span.end)))
                .filter(|(start, end)| start < end)
                .map(|(start, end)| (start.since(self.start).0, end.since(self.start).0))
                .collect()
        };
        self.track.loudness(&frames(&self.voiced)).map(|lufs| lufs + self.level_db)
    }

    fn extent(&self) -> Option<Span> {
        Some(Span { start: self.voiced.first()?.start, end: self.voiced.last()?.end })
    }
}

/// Phrases in order; those that touch, as where a region was cut within one, are one.
fn joined(mut phrases: Vec<Span>, gap: Length) -> Vec<Span> {
    phrases.sort_by_key(|phrase| phrase.start);
    let mut joined: Vec<Span> = Vec::new();
    for phrase in phrases {
        match joined.last_mut() {
            Some(last) if phrase.start <= last.end + gap => last.end = last.end.max(phrase.end),
            _ => joined.push(phrase),
        }
    }
    joined
}

fn whole(
    draft: &mut Draft,
    row: usize,
    guide: &Measured,
    limits: Limits,
    context: &Context,
    remarks: &mut Vec<Said>,
) -> Result<(), Diagnostic> {
    let lane = context.session.song().lanes[row].clone();
    let measured = Measured::new(&lane, context, &[])?;
    let everywhere = Span { start: Position(i64::MIN / 2), end: Position(i64::MAX / 2) };
    let difference =
        guide.loudness(everywhere).zip(measured.loudness(everywhere)).map(|(guide, own)| guide - own);
    let step = difference.map_or(0.0, |difference| limits.step(difference));
    let span = measured.extent().unwrap_or(Span { start: measured.start, end: measured.start });
    remarks.push(said(row, span, difference, step, limits));
    let to = Db((lane.gain_db.0 + step).clamp(*GAIN_RANGE.start(), *GAIN_RANGE.end()));
    draft.set_lane(row, LaneValue::GainDb(lane.gain_db), LaneValue::GainDb(rounded(to)))
}

/// Gains to the hundredth: what is written down should read well.
fn rounded(gain: Db) -> Db {
    Db((gain.0 * 100.0).round() / 100.0)
}

fn per_phrase(
    draft: &mut Draft,
    row: usize,
    guide: &Measured,
    limits: Limits,
    context: &Context,
    remarks: &mut Vec<Said>,
) -> Result<(), Diagnostic> {
    let lane = context.session.song().lanes[row].clone();
    let mut measured = Measured::new(&lane, context, &[])?;
    let phrases = measured.phrases.clone();
    let pieces = pieces(&phrases, &lane);
    let differences: Vec<Option<f64>> = pieces
        .iter()
        .map(|piece| guide.loudness(*piece).zip(measured.loudness(*piece)).map(|(guide, own)| guide - own))
        .collect();
    let wanted: Vec<f64> =
        differences.iter().map(|difference| difference.map_or(0.0, |d| limits.step(d))).collect();
    let mut steps = wanted.clone();
    let compresses = lane.tone.as_ref().is_some_and(|tone| tone.acts(Stage::Compress));
    for _ in 0..if compresses { CORRECTIONS } else { 0 } {
        let gains: Vec<(Span, Db)> = pieces.iter().copied().zip(steps.iter().map(|step| Db(*step))).collect();
        let before: Vec<Option<f64>> = differences.clone();
        measured = Measured::new(&lane, context, &gains)?;
        for (index, piece) in pieces.iter().enumerate() {
            let Some((first, (guide, own))) =
                before[index].zip(guide.loudness(*piece).zip(measured.loudness(*piece)))
            else {
                continue;
            };
            // What the step has brought so far, against what it should bring.
            let brought = first - (guide - own);
            steps[index] = (steps[index] + wanted[index] - brought).clamp(-limits.most, limits.most);
            if wanted[index] == 0.0 {
                steps[index] = 0.0;
            }
        }
    }
    let ramp = of_ms(RAMP_MS, context.session.rate);
    for (index, piece) in pieces.iter().enumerate().rev() {
        if steps[index] != 0.0 {
            draft.dip(row, *piece, Dip::By(rounded(Db(steps[index]))), ramp)?;
        }
    }
    let all = phrases.iter().zip(&differences).zip(&steps);
    remarks.extend(all.map(|((phrase, difference), step)| said(row, *phrase, *difference, *step, limits)));
    Ok(())
}

/// Where one phrase's piece ends and the next one's begins, for a border at `at`: beside fades and crossfades that are
/// there, since nothing can be cut in them.
fn border(lane: &Lane, at: Position) -> (Position, Position) {
    for pair in lane.regions.windows(2) {
        let (crossing, over) = (pair[1].at, pair[0].end());
        if crossing <= at && at < over {
            return (crossing, over);
        }
    }
    match lane.regions.iter().find(|region| region.contains(at)) {
        Some(region) if at < region.at + region.fade_in.length => (region.at, region.at),
        Some(region) if at >= region.end() - region.fade_out.length => (region.end(), region.end()),
        _ => (at, at),
    }
}

/// The stretches that phrases have to themselves: each reaches half way to its neighbours.
fn pieces(phrases: &[Span], lane: &Lane) -> Vec<Span> {
    let middle = |left: Span, right: Span| border(lane, Position(i64::midpoint(left.end.0, right.start.0)));
    (0..phrases.len())
        .map(|index| {
            let phrase = phrases[index];
            let before = index.checked_sub(1).map(|left| middle(phrases[left], phrase));
            let after = phrases.get(index + 1).map(|right| middle(phrase, *right));
            Span {
                start: before.map_or(Position(phrase.start.0.saturating_sub(1 << 40)), |border| border.1),
                end: after.map_or(Position(phrase.end.0.saturating_add(1 << 40)), |border| border.0),
            }
        })
        .collect()
}
