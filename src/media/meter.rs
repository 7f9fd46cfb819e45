//! Level, clipping, DC offset and noise floor of a recording, measured while its blocks pass by.

/// Samples in a row at full scale that count as clipping: single ones happen without it (common practice, no source).
const CLIP_RUN: u64 = 3;
/// Peak (linear) below which a recording counts as silent: -80 dBFS, above the dither of 16 bits, below any
/// microphone (our choice).
const SILENT_BELOW: f32 = 1e-4;
/// Short frames per second for the noise floor: 20 ms each, one period of 50 Hz hum.
const FRAMES_PER_SECOND: u32 = 50;
/// Share of the short frames that lie below the noise floor: breaths and pauses fill more than a tenth of any sung take
/// (our choice).
const FLOOR_SHARE: f64 = 0.1;
/// Levels of short frames are counted in steps of 0.1 dB from -200 dBFS on.
const LOWEST_DB: f64 = -200.0;
const STEPS_PER_DB: f64 = 10.0;
const STEPS: usize = 2_400;

/// What the meter found.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Measured {
    pub peak: f64,
    pub clipped_runs: u64,
    pub longest_clip: u64,
    pub first_clip: Option<u64>,
    pub dc_offset: f64,
    pub noise_floor_db: Option<f64>,
    pub black_share: f64,
    pub silent: bool,
}

/// Measures planar blocks; its memory does not depend on their number.
#[derive(Debug)]
pub(crate) struct Meter {
    full_scale: f32,
    channels: Vec<Channel>,
    /// Frames seen.
    frames: u64,
    clipped_runs: u64,
    longest_clip: u64,
    first_clip: Option<u64>,
    floor: Floor,
}

#[derive(Debug, Clone, Default)]
struct Channel {
    peak: f32,
    sum: f64,
    run: u64,
    frame_sum: f64,
    frame_squares: f64,
    frame_peak: f32,
}

/// A histogram of short-frame levels.
#[derive(Debug)]
struct Floor {
    length: u64,
    filled: u64,
    steps: Vec<u64>,
    black: u64,
    counted: u64,
}

impl Meter {
    /// `full_scale`: the magnitude (linear) from which a sample is clipped.
    pub(crate) fn new(channels: u16, rate: u32, full_scale: f32) -> Meter {
        Meter {
            full_scale,
            channels: vec![Channel::default(); usize::from(channels)],
            frames: 0,
            clipped_runs: 0,
            longest_clip: 0,
            first_clip: None,
            floor: Floor {
                length: u64::from((rate / FRAMES_PER_SECOND).max(1)),
                filled: 0,
                steps: vec![0; STEPS],
                black: 0,
                counted: 0,
            },
        }
    }

    /// Takes in the next frames: one slice per channel, all of one length, all finite.
    pub(crate) fn take(&mut self, planes: &[&[f32]]) {
        let frames = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < frames {
            let now = (frames - done).min((self.floor.length - self.floor.filled) as usize);
            for (index, plane) in planes.iter().enumerate().take(self.channels.len()) {
                self.take_channel(index, &plane[done..done + now]);
            }
            done += now;
            self.frames += now as u64;
            self.floor.filled += now as u64;
            if self.floor.filled == self.floor.length {
                self.end_short_frame();
            }
        }
    }

    fn take_channel(&mut self, index: usize, samples: &[f32]) {
        let channel = &mut self.channels[index];
        let (mut peak, mut sum, mut squares) = (0f32, 0f64, 0f64);
        for &x in samples {
            peak = peak.max(x.abs());
            sum += f64::from(x);
            squares += f64::from(x) * f64::from(x);
        }
        channel.sum += sum;
        channel.frame_sum += sum;
        channel.frame_squares += squares;
        channel.frame_peak = channel.frame_peak.max(peak);
        channel.peak = channel.peak.max(peak);
        // Few stretches touch full scale, so the run counter only visits those.
        if peak < self.full_scale {
            self.end_run(index, 0);
            return;
        }
        for (offset, &x) in samples.iter().enumerate() {
            if x.abs() >= self.full_scale {
                self.channels[index].run += 1;
            } else {
                self.end_run(index, offset as u64);
            }
        }
    }

    /// Ends the run of full-scale samples in channel `index` before frame `offset` of the present stretch.
    fn end_run(&mut self, index: usize, offset: u64) {
        let run = std::mem::take(&mut self.channels[index].run);
        if run >= CLIP_RUN {
            let start = self.frames + offset - run;
            self.clipped_runs += 1;
            self.longest_clip = self.longest_clip.max(run);
            self.first_clip = Some(self.first_clip.map_or(start, |first| first.min(start)));
        }
    }

    fn end_short_frame(&mut self) {
        let length = std::mem::take(&mut self.floor.filled) as f64;
        let mut power = 0.0;
        let mut peak = 0f32;
        for channel in &mut self.channels {
            // Around the frame's own mean, so that a DC offset does not pass for noise.
            let mean = channel.frame_sum / length;
            power += (channel.frame_squares / length - mean * mean).max(0.0);
            peak = peak.max(channel.frame_peak);
            (channel.frame_sum, channel.frame_squares, channel.frame_peak) = (0.0, 0.0, 0.0);
        }
        power /= self.channels.len().max(1) as f64;
        if peak == 0.0 {
            self.floor.black += 1;
            return;
        }
        let db = 10.0 * power.log10();
        let step = ((db - LOWEST_DB) * STEPS_PER_DB).clamp(0.0, (STEPS - 1) as f64) as usize;
        self.floor.steps[step] += 1;
        self.floor.counted += 1;
    }

    /// The results for everything taken in.
    pub(crate) fn measured(mut self) -> Measured {
        for index in 0..self.channels.len() {
            self.end_run(index, 0);
        }
        // A rest shorter than a frame counts only where there is nothing else.
        if self.floor.counted + self.floor.black == 0 && self.floor.filled > 0 {
            self.end_short_frame();
        }
        let peak = self.channels.iter().map(|channel| channel.peak).fold(0.0, f32::max);
        let frames = self.frames.max(1) as f64;
        let offsets = self.channels.iter().map(|channel| channel.sum / frames);
        let dc_offset = offsets.fold(0.0, |most: f64, dc| if dc.abs() > most.abs() { dc } else { most });
        let shorts = (self.floor.counted + self.floor.black).max(1) as f64;
        Measured {
            peak: f64::from(peak),
            clipped_runs: self.clipped_runs,
            longest_clip: self.longest_clip,
            first_clip: self.first_clip,
            dc_offset,
            noise_floor_db: self.floor.level(),
            black_share: self.floor.black as f64 / shorts,
            silent: peak < SILENT_BELOW,
        }
    }
}

impl Floor {
    /// The level below which [`FLOOR_SHARE`] of the frames that are not black lie, in the middle of its step.
    fn level(&self) -> Option<f64> {
        let below = (self.counted as f64 * FLOOR_SHARE).floor() as u64;
        let mut seen = 0;
        let step = self.steps.iter().position(|&count| {
            seen += count;
            seen > below
        })?;
        Some(LOWEST_DB + (step as f64 + 0.5) / STEPS_PER_DB)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: f32 = 32_767.0 / 32_768.0;

    fn measure(planes: &[&[f32]], block: usize) -> Measured {
        let mut meter = Meter::new(planes.len() as u16, 48_000, FULL);
        let frames = planes[0].len();
        for start in (0..frames).step_by(block) {
            let end = (start + block).min(frames);
            let slices: Vec<&[f32]> = planes.iter().map(|plane| &plane[start..end]).collect();
            meter.take(&slices);
        }
        meter.measured()
    }

    /// Noise with a flat spectrum and rms `level`: uniform noise of half-width a has rms a/sqrt(3).
    fn noise(frames: usize, level: f32, seed: u32) -> Vec<f32> {
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1u32 << 23) as f32 - 1.0
        };
        (0..frames).map(|_| next() * level * 3f32.sqrt()).collect()
    }

    #[test]
    fn a_run_of_three_is_clipping_and_a_run_of_two_is_not() {
        let mut samples = vec![0.1; 10_000];
        samples[100..102].fill(1.0);
        samples[5_000..5_003].fill(-1.0);
        samples[7_000..7_007].fill(FULL);
        for block in [1, 7, 960, 961, 10_000] {
            let found = measure(&[&samples], block);
            assert_eq!(
                (found.clipped_runs, found.longest_clip, found.first_clip),
                (2, 7, Some(5_000)),
                "{block}"
            );
        }
    }

    #[test]
    fn a_run_at_the_very_end_and_in_the_second_channel_counts() {
        let quiet = vec![0.0; 2_000];
        let mut loud = quiet.clone();
        loud[1_990..].fill(1.0);
        let found = measure(&[&quiet, &loud], 500);
        assert_eq!((found.clipped_runs, found.longest_clip, found.first_clip), (1, 10, Some(1_990)));
        assert_eq!(found.peak, 1.0);
    }

    #[test]
    fn the_noise_floor_is_that_of_the_pauses_without_the_black() {
        // 70 % singing at -20 dB, 20 % room at -62 dB, 10 % digital black, on a DC offset of 0.01.
        let mut samples: Vec<f32> = noise(7 * 48_000, 0.1, 1);
        samples.extend(noise(2 * 48_000, 10f32.powf(-62.0 / 20.0), 2));
        samples.iter_mut().for_each(|x| *x += 0.01);
        samples.extend(vec![0.0; 48_000]);
        let found = measure(&[&samples], 4_096);
        let floor = found.noise_floor_db.unwrap();
        assert!((floor + 62.0).abs() < 0.3, "{floor}");
        assert!((found.black_share - 0.1).abs() < 1e-9);
        assert!((found.dc_offset - 0.009).abs() < 2e-4, "{}", found.dc_offset);
        assert!(!found.silent);
    }

    #[test]
    fn black_and_dither_are_silent() {
        let black = measure(&[&[0.0; 5_000]], 512);
        assert_eq!(
            (black.silent, black.peak, black.noise_floor_db, black.black_share),
            (true, 0.0, None, 1.0)
        );
        let dither: Vec<f32> = (0..5_000).map(|n| [0.0, 1.0, -1.0][n % 3] / 32_768.0).collect();
        assert!(measure(&[&dither], 512).silent);
    }

    #[test]
    fn a_recording_shorter_than_one_short_frame_still_has_a_floor() {
        let found = measure(&[&noise(100, 0.01, 3)], 100);
        assert!((found.noise_floor_db.unwrap() + 40.0).abs() < 1.5);
    }
}
