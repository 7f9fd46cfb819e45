//! Where a sound turns into another one.

use super::features::{Analyser, BANDS, Frame};

/// Distance of two values, in ms.
pub const HOP_MS: f64 = 5.0;
/// Window of one look, in seconds.
const WINDOW_S: f64 = 0.016;
/// How far to either side of a moment the sound is compared, in looks.
const SIDE: usize = 5;

/// How unlike the sound before and after a moment is, in dB: root mean square over bands of the difference between the
/// mean levels of 25 ms before and behind it. One value every [`HOP_MS`], the first for the first sample. What is softer than
/// `floor_db` (dBFS in a band) counts as that soft. Not realtime-safe.
#[must_use]
pub fn turns(samples: &[f32], rate: u32, floor_db: f32) -> Vec<f32> {
    let hop = ((f64::from(rate) * HOP_MS / 1000.0).round() as usize).max(1);
    let levels = Analyser::new(rate, WINDOW_S).levels(samples, 0, hop, samples.len().div_ceil(hop));
    let frames: Vec<Frame> =
        levels.frames.iter().map(|frame| frame.map(|level| level.max(floor_db))).collect();
    changes(&frames, &[1.0 / BANDS as f32; BANDS], SIDE)
}

/// How unlike the sound before and after each frame is, looking `side` frames to either side: root of the mean
/// square over bands, by `weights`, of the difference between the mean levels before and behind it.
pub(super) fn changes(frames: &[Frame], weights: &Frame, side: usize) -> Vec<f32> {
    let side = side.max(1);
    let mut sums = vec![[0.0f64; BANDS]];
    let mut sum = [0.0f64; BANDS];
    for frame in frames {
        sum.iter_mut().zip(frame).for_each(|(sum, value)| *sum += f64::from(*value));
        sums.push(sum);
    }
    let change = |index: usize| -> f32 {
        let (from, to) = (index.saturating_sub(side), (index + side).min(frames.len()));
        if index == from || index == to {
            return 0.0;
        }
        let difference = |band: usize| {
            let before = (sums[index][band] - sums[from][band]) / (index - from) as f64;
            let after = (sums[to][band] - sums[index][band]) / (to - index) as f64;
            (after - before) as f32
        };
        (0..BANDS).map(|band| weights[band] * difference(band).powi(2)).sum::<f32>().sqrt()
    };
    (0..frames.len()).map(change).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 16_000;

    fn tone(seconds: f64, hz: f64) -> Vec<f32> {
        let sample =
            |n: usize| (0.2 * (std::f64::consts::TAU * hz * n as f64 / f64::from(RATE)).sin()) as f32;
        (0..(seconds * f64::from(RATE)) as usize).map(sample).collect()
    }

    #[test]
    fn a_sound_turns_where_it_goes_over_into_another_and_nowhere_else() {
        // A steady tone that swells by 6 dB, then another one as loud.
        let mut samples = tone(0.3, 200.0);
        let length = samples.len() as f32;
        samples.iter_mut().enumerate().for_each(|(n, sample)| *sample *= 0.5 + 0.5 * n as f32 / length);
        samples.extend(tone(0.3, 3400.0));
        let turns = turns(&samples, RATE, -90.0);
        assert_eq!(turns.len(), 120);
        let most = (0..turns.len()).max_by(|a, b| turns[*a].total_cmp(&turns[*b])).unwrap();
        // To the window of one look.
        assert!(most.abs_diff(60) <= 3, "{most}");
        assert!(turns[most] > 15.0, "{}", turns[most]);
        assert!(turns[8..50].iter().chain(&turns[70..112]).all(|turn| *turn < 2.0), "{turns:?}");
        // What is softer than the floor does not turn.
        let soft: Vec<f32> = samples.iter().map(|sample| sample * 1e-4).collect();
        assert!(super::turns(&soft, RATE, -90.0).iter().all(|turn| *turn < 1e-3));
        assert!(super::turns(&[], RATE, -90.0).is_empty());
    }
}
