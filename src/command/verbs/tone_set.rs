//! The forms of `tone` that set something.

use super::{number, out_of_range};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::Args;
use crate::command::outcome::Action;
use crate::command::table::Call;
use crate::command::value::Value;
use crate::song::tone::{
    BANDS, Band, BandShape, Compress, Deess, DeessShape, Detector, HighPass, Limit, Slope, Stage, limits,
    q_of_octaves,
};
use crate::song::{Db, Tone};
use crate::sound::biquad::HIGHEST;

pub(super) fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let rows = call.scope.lanes(context, call.verb.every)?;
    let default = context.presets.tones.get("default").map(|preset| preset.set.clone()).unwrap_or_default();
    let mut draft = Draft::new(context);
    for row in &rows {
        let mut tone = draft.lane(*row).tone.as_deref().cloned().unwrap_or_default();
        change(&mut tone, &default, call, context)?;
        draft.set_tone(*row, tone)?;
    }
    draft.finish(format!("set the tone of {}", super::count(rows.len(), "lane")))
}

fn change(tone: &mut Tone, default: &Tone, call: &Call, context: &Context) -> Result<(), Diagnostic> {
    let (args, rate) = (&call.args, context.session.rate);
    // The detector's high-pass can be off by itself.
    let off = args.has("off") && !args.has("detector");
    if args.has("bypass") {
        return bypass(tone, args);
    }
    if args.has("clear") {
        *tone = Tone::default();
    } else if args.has("eq") {
        let (index, band) = band(tone, default, args, rate)?;
        tone.bands[index] = band.filter(|_| !off);
    } else if args.has("deess") {
        tone.deess = if off { None } else { Some(deess(tone.deess.or(default.deess), args, rate)?) };
    } else if args.has("compress") {
        let old = tone.compress.or(default.compress);
        tone.compress = if off { None } else { Some(compress(old, args, rate)?) };
    } else if args.has("highpass") {
        tone.highpass = if off { None } else { Some(high_pass(args, rate)?) };
    } else if let Some(drive) = number(args, "drive-is") {
        tone.drive_db = Db(within(&limits::DRIVE, drive)?);
    } else if let Some(gain) = number(args, "gain-is") {
        tone.gain_db = Db(within(&limits::GAIN, gain)?);
    } else if let Some(Value::Stages(stages)) = args.get("stages") {
        tone.order = order(stages)?;
    }
    Ok(())
}

fn within(limit: &Limit, value: f64) -> Result<f64, Diagnostic> {
    if limit.holds(value) { Ok(value) } else { Err(out_of_range(limit, value)) }
}

/// A frequency within its range and the session's rate.
fn frequency(limit: &Limit, hz: f64, rate: u32) -> Result<f64, Diagnostic> {
    let highest = limit.high.min(HIGHEST * f64::from(rate));
    within(&Limit { high: highest, ..*limit }, hz).map_err(|refusal| {
        match hz > highest && highest < limit.high {
            true => refusal.help(format!("from {}Hz to {highest}Hz at the session's {rate} Hz", limit.low)),
            false => refusal,
        }
    })
}

fn milliseconds(args: &Args, key: &str, limit: &Limit, rate: u32) -> Result<Option<f64>, Diagnostic> {
    match args.get(key) {
        Some(Value::Distance(quantity)) => within(limit, quantity.milliseconds(rate)).map(Some),
        _ => Ok(None),
    }
}

/// A number within its range, or what was there before.
fn or(args: &Args, key: &str, limit: &Limit, before: f64) -> Result<f64, Diagnostic> {
    number(args, key).map_or(Ok(before), |value| within(limit, value))
}

fn high_pass(args: &Args, rate: u32) -> Result<HighPass, Diagnostic> {
    let frequency_hz = frequency(&limits::HIGH_PASS, number(args, "frequency").unwrap_or(0.0), rate)?;
    let slope = match args.get("slope-is") {
        None | Some(Value::Count(12)) => Slope::Twelve,
        Some(Value::Count(24)) => Slope::TwentyFour,
        _ => {
            return Err(Diagnostic::refusal("a high-pass falls by 12 or 24 dB per octave")
                .help("slope 12 or slope 24"));
        }
    };
    Ok(HighPass { frequency_hz, slope })
}

fn band(tone: &Tone, default: &Tone, args: &Args, rate: u32) -> Result<(usize, Option<Band>), Diagnostic> {
    let index = match args.get("band") {
        Some(Value::Count(number)) => usize::try_from(number - 1).unwrap_or(BANDS),
        _ => BANDS,
    };
    if index >= BANDS {
        return Err(Diagnostic::refusal(format!("the equaliser has bands 1 to {BANDS}")));
    }
    let Some(shape) = BandShape::ALL.iter().find(|(_, word)| args.has(word)).map(|(shape, _)| *shape) else {
        return Ok((index, None));
    };
    let before = tone.bands[index].or(default.bands[index]).filter(|band| band.shape == shape);
    let frequency_hz = frequency(&limits::BAND_FREQUENCY, number(args, "frequency").unwrap_or(0.0), rate)?;
    let usual = if matches!(shape, BandShape::LowShelf | BandShape::HighShelf) { 0.7 } else { 1.0 };
    let width = number(args, "width-is").map(|width| within(&limits::DEESS_WIDTH, width)).transpose()?;
    let q = match width {
        Some(octaves) => q_of_octaves(octaves),
        None => or(args, "q-is", &limits::Q, before.map_or(usual, |band| band.q))?,
    };
    let gain = match (shape, number(args, "gain"), before) {
        (BandShape::BandPass, ..) => 0.0,
        (_, Some(gain), _) => within(&limits::BAND_GAIN, gain)?,
        (_, None, Some(band)) => band.gain_db.0,
        (_, None, None) => {
            return Err(
                Diagnostic::refusal("a band needs a gain").help("as in: tone eq 2 bell 300Hz -4dB q 1.4")
            );
        }
    };
    Ok((index, Some(Band { shape, frequency_hz, gain_db: Db(gain), q })))
}

fn deess(before: Option<Deess>, args: &Args, rate: u32) -> Result<Deess, Diagnostic> {
    let mut deess = before.unwrap_or_default();
    if let Some(hz) = number(args, "frequency") {
        deess.frequency_hz = frequency(&limits::DEESS_FREQUENCY, hz, rate)?;
    }
    if args.has("threshold") {
        deess.relative = args.has("relative");
    }
    if args.has("bell") {
        deess.shape = DeessShape::Bell;
    } else if args.has("shelf") {
        deess.shape = DeessShape::Shelf;
    }
    deess.threshold_db.0 = or(args, "threshold-is", &limits::DEESS_THRESHOLD, deess.threshold_db.0)?;
    deess.most_db.0 = or(args, "most-is", &limits::DEESS_MOST, deess.most_db.0)?;
    deess.width_octaves = or(args, "width-is", &limits::DEESS_WIDTH, deess.width_octaves)?;
    deess.attack_ms = milliseconds(args, "attack-is", &limits::ATTACK, rate)?.unwrap_or(deess.attack_ms);
    deess.release_ms = milliseconds(args, "release-is", &limits::RELEASE, rate)?.unwrap_or(deess.release_ms);
    Ok(deess)
}

fn compress(before: Option<Compress>, args: &Args, rate: u32) -> Result<Compress, Diagnostic> {
    let mut compress = before.unwrap_or_default();
    compress.threshold_db.0 = or(args, "threshold-is", &limits::COMPRESS_THRESHOLD, compress.threshold_db.0)?;
    compress.ratio = or(args, "ratio-is", &limits::RATIO, compress.ratio)?;
    compress.knee_db.0 = or(args, "knee-is", &limits::KNEE, compress.knee_db.0)?;
    compress.makeup_db.0 = or(args, "makeup-is", &limits::MAKEUP, compress.makeup_db.0)?;
    compress.mix = or(args, "mix-is", &limits::MIX, compress.mix)?;
    compress.attack_ms =
        milliseconds(args, "attack-is", &limits::ATTACK, rate)?.unwrap_or(compress.attack_ms);
    compress.release_ms =
        milliseconds(args, "release-is", &limits::RELEASE, rate)?.unwrap_or(compress.release_ms);
    if args.has("peak") {
        compress.detector = Detector::Peak;
    } else if args.has("rms") {
        compress.detector = Detector::Rms;
    }
    if args.has("detector") {
        let hz = number(args, "detector-highpass");
        compress.detector_highpass_hz =
            hz.map(|hz| frequency(&limits::DETECTOR_HIGH_PASS, hz, rate)).transpose()?;
    }
    Ok(compress)
}

fn order(stages: &[Stage]) -> Result<[Stage; 4], Diagnostic> {
    let each_once = Stage::ORDER.iter().all(|stage| stages.contains(stage));
    let order = <[Stage; 4]>::try_from(stages).ok().filter(|_| each_once);
    order.ok_or_else(|| {
        Diagnostic::refusal("an order names each stage once")
            .help("as in: tone order deess,eq,compress,drive")
    })
}

fn bypass(tone: &mut Tone, args: &Args) -> Result<(), Diagnostic> {
    let on = args.has("on");
    let Some(Value::Stages(stages)) = args.get("stage") else {
        tone.bypass = on;
        return Ok(());
    };
    tone.skip.retain(|stage| !stages.contains(stage));
    if on {
        tone.skip.extend(stages);
        tone.skip.sort_unstable();
    }
    Ok(())
}
