//! Seams: where two stretches of sound join best, by how much one is nudged for it, and by which law they cross.
//!
//! Where both are quiet within the window, the joint goes there. Where they are not, they cross where their waveforms
//! agree: the normalised cross-correlation over the length of the crossfade is looked for over all places of the window and
//! over nudges of up to one pitch period, so that a held vowel goes on without a step in its phase.

use crate::song::{Bend, Curve};

/// Two stretches to be joined: `before` and `after` are what either recording has at the same places of the timeline.
#[derive(Debug, Clone, Copy)]
pub struct Pair<'a> {
    /// What goes on from the left. As long as the window.
    pub before: &'a [f32],
    /// What comes from the right, with `reach` more samples on either side: `after[reach + n]` lies where `before[n]` does.
    pub after: &'a [f32],
    /// By how many samples the right side may be nudged at most, either way.
    pub reach: usize,
    /// Samples per second.
    pub rate: u32,
    /// Length of a crossfade in sounding material, in samples.
    pub length: usize,
}

/// A joint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Joint {
    /// First sample of the crossfade, counted from the start of the window.
    pub start: usize,
    /// Length of the crossfade in samples.
    pub length: usize,
    /// By how many samples the right side goes later; negative is earlier.
    pub nudge: i64,
    /// Correlation of the two over the crossfade: -1 to 1; 0 where one is silent.
    pub correlation: f64,
    /// Level of the louder side over the crossfade, in dBFS rms.
    pub level_db: f64,
}

/// A place counts as quiet if both sides lie so far under the loudest of the window ...
const QUIET_DB: f64 = 30.0;
/// ... or under this level.
const SILENT_DBFS: f64 = -70.0;
/// Distance between the places that are tried, in ms.
const STEP_MS: f64 = 2.0;
/// A nudge by all of the reach must gain this much correlation to be worth it.
const NUDGE_COSTS: f64 = 0.02;

/// Finds the best joint; `None` if the window has no room for a crossfade.
#[must_use]
pub fn find(pair: &Pair) -> Option<Joint> {
    let room = pair.before.len().min(pair.after.len().checked_sub(2 * pair.reach)?);
    let length = pair.length.min(room).max(1);
    if pair.before.is_empty() || room < length {
        return None;
    }
    let step = ((STEP_MS / 1000.0 * f64::from(pair.rate)) as usize).max(1);
    let starts = (0..=room - length).step_by(step);
    let level = |start: usize| {
        let after = part(pair.after, start + pair.reach, length);
        db(power(part(pair.before, start, length)).max(power(after)))
    };
    let levels: Vec<(usize, f64)> = starts.map(|start| (start, level(start))).collect();
    let loudest = levels.iter().map(|(_, level)| *level).fold(f64::MIN, f64::max);
    let quietest = levels.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
    if quietest.1 < loudest - QUIET_DB || quietest.1 < SILENT_DBFS {
        return Some(joint(pair, quietest.0, length, 0));
    }
    let mut best: Option<(f64, Joint)> = None;
    for (start, _) in levels {
        let found = nudged(pair, start, length);
        let value = found.correlation - cost(pair, found.nudge);
        if best.is_none_or(|(most, _)| value > most) {
            best = Some((value, found));
        }
    }
    best.map(|(_, joint)| joint)
}

/// The best nudge at one place: coarse first, over every fourth nudge and sample, then exact around the best.
fn nudged(pair: &Pair, start: usize, length: usize) -> Joint {
    let reach = i64::try_from(pair.reach).unwrap_or(0);
    let value = |nudge: i64, stride: usize| {
        correlation(
            part(pair.before, start, length),
            part(pair.after, place(pair, start, nudge), length),
            stride,
        ) - cost(pair, nudge)
    };
    let best_of = |nudges: &mut dyn Iterator<Item = i64>, stride: usize| {
        nudges.map(|nudge| (nudge, value(nudge, stride))).max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |best| best.0)
    };
    let coarse = best_of(&mut (-reach..=reach).step_by(4), 4);
    let exact = best_of(&mut ((coarse - 4).max(-reach)..=(coarse + 4).min(reach)), 1);
    joint(pair, start, length, exact)
}

fn cost(pair: &Pair, nudge: i64) -> f64 {
    NUDGE_COSTS * nudge.unsigned_abs() as f64 / pair.reach.max(1) as f64
}

/// Where in `after` the sample lies that a nudge brings to `start`.
fn place(pair: &Pair, start: usize, nudge: i64) -> usize {
    (start + pair.reach).saturating_add_signed(-nudge as isize)
}

fn joint(pair: &Pair, start: usize, length: usize, nudge: i64) -> Joint {
    let (before, after) = (part(pair.before, start, length), part(pair.after, place(pair, start, nudge), length));
    Joint {
        start,
        length,
        nudge,
        correlation: correlation(before, after, 1),
        level_db: db(power(before).max(power(after))),
    }
}

fn part(samples: &[f32], start: usize, length: usize) -> &[f32] {
    samples.get(start..start + length).unwrap_or_default()
}

/// Mean square of samples.
#[must_use]
pub fn power(samples: &[f32]) -> f64 {
    samples.iter().map(|sample| f64::from(*sample).powi(2)).sum::<f64>() / samples.len().max(1) as f64
}

/// A power in dB, at least -200.
#[must_use]
pub fn db(power: f64) -> f64 {
    10.0 * power.max(1e-20).log10()
}

/// Normalised correlation of two stretches, -1 to 1, over every `stride`th sample; 0 where one is silent.
#[must_use]
pub fn correlation(a: &[f32], b: &[f32], stride: usize) -> f64 {
    let (mut ab, mut aa, mut bb) = (0.0f64, 0.0f64, 0.0f64);
    for (x, y) in a.iter().zip(b).step_by(stride.max(1)) {
        let (x, y) = (f64::from(*x), f64::from(*y));
        ab += x * y;
        aa += x * x;
        bb += y * y;
    }
    let norm = (aa * bb).sqrt();
    if norm > 1e-18 { (ab / norm).clamp(-1.0, 1.0) } else { 0.0 }
}

/// The law that keeps the level of two sounds of one power and a correlation through their crossfade.
///
/// The sum of two such sounds has the power g1² + g2² + 2r·g1·g2 (the constraint of Fink, Holters and Zölzer, DAFx-16).
/// A linear law that is bent so that both gains are 1/√(2 + 2r) in the middle holds it within 0.1 dB for r from 0 to 1: a
/// straight line for r = 1, a root for r = 0. Below 0 the law of 0 is taken, since the gain needed grows without bound.
#[must_use]
pub fn law(correlation: f64) -> (Curve, Bend) {
    let r = correlation.clamp(0.0, 1.0);
    // (1/2)^p = 1/√(2 + 2r), and a bend b raises to the power p = 2^(-2b).
    let p = 0.5 * (2.0 + 2.0 * r).log2();
    (Curve::Linear, Bend(-0.5 * p.log2()))
}

/// Largest bend of a waveform, |x(n) - 2x(n-1) + x(n-2)|: what a click stands out by.
#[must_use]
pub fn sharpest(samples: &[f32]) -> f64 {
    let bend = |w: &[f32]| f64::from((w[2] - 2.0 * w[1] + w[0]).abs());
    samples.windows(3).map(bend).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sound::fade_law::gain;

    #[test]
    fn the_law_holds_the_level_within_a_third_of_a_db_for_every_correlation() {
        for r in [0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0] {
            let (curve, bend) = law(r);
            for n in 0..=1000 {
                let u = f64::from(n) / 1000.0;
                let (g1, g2) = (gain(curve, bend, u), gain(curve, bend, 1.0 - u));
                let level = db(g1 * g1 + g2 * g2 + 2.0 * r * g1 * g2);
                assert!(level.abs() < 0.15, "r {r}, u {u}: {level} dB");
            }
        }
    }

    #[test]
    fn the_middle_gains_are_the_published_ones() {
        // 1/√(2 + 2r): r = 0, 0.5, 1 give 0.707106781, 0.577350269, 0.5.
        for (r, expected) in [(0.0, 0.707_106_781), (0.5, 0.577_350_269), (1.0, 0.5)] {
            let (curve, bend) = law(r);
            assert!((gain(curve, bend, 0.5) - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn a_held_tone_is_joined_in_phase() {
        let tone = |n: usize, late: f64| {
            let phase = (n as f64 - late) / 48_000.0 * 220.0 * 2.0 * std::f64::consts::PI;
            (phase.sin() + 0.5 * (2.0 * phase).sin()) as f32 * 0.3
        };
        for late in [37.0, 109.0, 180.0] {
            let before: Vec<f32> = (0..2880).map(|n| tone(n, 0.0)).collect();
            let after: Vec<f32> = (0..2880 + 480).map(|n| tone(n, late + 240.0)).collect();
            let found =
                find(&Pair { before: &before, after: &after, reach: 240, rate: 48_000, length: 720 }).unwrap();
            assert!(found.correlation > 0.999, "{late}: {found:?}");
            assert!(found.nudge.unsigned_abs() <= 110, "half a period of 218 samples: {found:?}");
        }
    }

    #[test]
    fn a_quiet_place_is_taken_where_there_is_one() {
        let sound = |n: usize| if (1400..2000).contains(&n) { 0.0001 } else { 0.2 } * (n as f32 * 0.03).sin();
        let before: Vec<f32> = (0..2880).map(sound).collect();
        let after: Vec<f32> = (0..2880 + 200).map(|n| sound(n.saturating_sub(100))).collect();
        let found =
            find(&Pair { before: &before, after: &after, reach: 100, rate: 48_000, length: 480 }).unwrap();
        assert!((1400..=1520).contains(&found.start) && found.nudge == 0, "{found:?}");
    }

    #[test]
    fn no_room_gives_no_joint_and_silence_no_correlation() {
        assert_eq!(find(&Pair { before: &[], after: &[], reach: 0, rate: 48_000, length: 480 }), None);
        assert_eq!(correlation(&[0.0; 8], &[1.0; 8], 1), 0.0);
    }
}
