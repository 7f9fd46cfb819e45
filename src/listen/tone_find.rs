//! What a lane's own sound suggests for its tone: where its esses lie, where it is muddy, where it rumbles.
//!
//! The lane is looked at in frames of some 20 ms. A frame counts as an ess where most of its power lies high, as a vowel where
//! most lies low (the split of fricatives and vowels after Jongman, Wayland, Wong, JASA 108, 2000). Their mean spectra
//! tell the rest.

use realfft::RealFftPlanner;

use crate::song::tone::q_of_octaves;
use crate::sound::biquad::{Biquad, Runner};

/// Frames are as long as this and overlap by half: short, as esses are ...
const FRAME_S: f64 = 0.0213;
/// ... or long, to tell low notes apart.
const LONG_FRAME_S: f64 = 0.0853;
/// Frames further below the loudest than this say nothing.
const RANGE_DB: f64 = 50.0;
/// Where high begins and low ends, in Hz.
const HIGH_HZ: f64 = 2_800.0;
const LOW_HZ: f64 = 2_500.0;
/// Where esses may lie.
const ESS_HZ: (f64, f64) = (2_800.0, 12_000.0);
/// An ess has this much more power high than low; a vowel the other way round.
const ESS_DB: f64 = 6.0;
const VOWEL_DB: f64 = 10.0;
/// Fewer frames than these are no ground for a proposal.
const LEAST_FRAMES: usize = 6;
/// How far above the threshold the loud esses stand (common practice, no source).
const INTO_DB: f64 = 6.0;
/// How far above the band's level in vowels the threshold stays, so that vowels pass untouched.
const CLEAR_DB: f64 = 4.0;

/// A power spectrum with linear bins.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// Distance of the bins in Hz.
    pub bin_hz: f64,
    /// Mean power of each bin.
    pub power: Vec<f64>,
}

impl Spectrum {
    /// Power between two frequencies.
    #[must_use]
    pub fn between(&self, low_hz: f64, high_hz: f64) -> f64 {
        self.power[self.bin(low_hz)..self.bin(high_hz)].iter().sum()
    }

    fn bin(&self, hz: f64) -> usize {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to the bins")]
        let bin = (hz / self.bin_hz).round().max(0.0) as usize;
        bin.min(self.power.len())
    }

    /// Mean power per bin around `hz`, `octaves` wide.
    #[must_use]
    pub fn around(&self, hz: f64, octaves: f64) -> f64 {
        let half = 2f64.powf(octaves / 2.0);
        let (from, to) = (self.bin(hz / half), self.bin(hz * half));
        let to = to.max(from + 1).min(self.power.len());
        let from = from.min(to.saturating_sub(1));
        self.power[from..to].iter().sum::<f64>() / (to - from).max(1) as f64
    }
}

/// The mean spectra of a lane.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectra {
    /// Of the frames that count as esses.
    pub esses: Spectrum,
    /// Of the frames that count as vowels.
    pub vowels: Spectrum,
    /// Of all frames that are not silent.
    pub all: Spectrum,
    /// Frames of each kind: esses, vowels, all.
    pub counts: [usize; 3],
    /// Which frames are esses; the hop is [`Spectra::hop`] samples.
    pub ess_frames: Vec<bool>,
    vowel_frames: Vec<bool>,
    /// Samples from one frame to the next.
    pub hop: usize,
}

/// Looks at a lane's samples in short frames.
#[must_use]
pub fn spectra(samples: &[f32], rate: u32) -> Spectra {
    in_frames(samples, rate, FRAME_S)
}

fn in_frames(samples: &[f32], rate: u32, frame_s: f64) -> Spectra {
    let rate = f64::from(rate);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few thousand")]
    let size = ((frame_s * rate) as usize).next_power_of_two().max(64);
    let hop = size / 2;
    let bins = size / 2 + 1;
    let bin_hz = rate / size as f64;
    let mut planner = RealFftPlanner::<f64>::new();
    let fft = planner.plan_fft_forward(size);
    let window: Vec<f64> =
        (0..size).map(|n| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * n as f64 / size as f64).cos()).collect();
    // A full-scale sine comes to 1/2 in all over its bins.
    let scale = 2.0 / (size as f64 * window.iter().map(|w| w * w).sum::<f64>());
    let empty = || Spectrum { bin_hz, power: vec![0.0; bins] };
    let mut found = Spectra {
        esses: empty(),
        vowels: empty(),
        all: empty(),
        counts: [0; 3],
        ess_frames: Vec::new(),
        vowel_frames: Vec::new(),
        hop,
    };
    let (mut input, mut output) = (fft.make_input_vec(), fft.make_output_vec());
    let starts = || (0..samples.len().saturating_sub(size - 1)).step_by(hop);
    let level = |start: usize| {
        samples[start..start + size].iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / size as f64
    };
    let loudest = starts().map(level).fold(0.0, f64::max);
    let least = (loudest * 10f64.powf(-RANGE_DB / 10.0)).max(1e-12);
    for start in starts() {
        found.ess_frames.push(false);
        found.vowel_frames.push(false);
        if level(start) < least {
            continue;
        }
        let block = &samples[start..start + size];
        input.iter_mut().zip(block.iter().zip(&window)).for_each(|(i, (s, w))| *i = f64::from(*s) * w);
        if fft.process(&mut input, &mut output).is_ok() {
            let power = output.iter().map(|bin| bin.norm_sqr() * scale).collect();
            sort(&mut found, &Spectrum { bin_hz, power });
        }
    }
    for (spectrum, count) in
        [&mut found.esses, &mut found.vowels, &mut found.all].into_iter().zip(found.counts)
    {
        spectrum.power.iter_mut().for_each(|power| *power /= count.max(1) as f64);
    }
    found
}

fn sort(found: &mut Spectra, frame: &Spectrum) {
    let (high, low) = (frame.between(HIGH_HZ, 12_000.0), frame.between(150.0, LOW_HZ));
    let balance = 10.0 * ((high + 1e-20) / (low + 1e-20)).log10();
    let mut add = |kind: usize, spectrum: fn(&mut Spectra) -> &mut Spectrum| {
        found.counts[kind] += 1;
        spectrum(found).power.iter_mut().zip(&frame.power).for_each(|(sum, power)| *sum += power);
    };
    add(2, |found| &mut found.all);
    if balance > ESS_DB {
        add(0, |found| &mut found.esses);
        found.ess_frames.iter_mut().last().into_iter().for_each(|last| *last = true);
    } else if balance < -VOWEL_DB {
        add(1, |found| &mut found.vowels);
        found.vowel_frames.iter_mut().last().into_iter().for_each(|last| *last = true);
    }
}

/// What the esses of a lane suggest for the de-esser.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct EssFinding {
    /// Middle of the esses' band in Hz.
    pub frequency_hz: f64,
    /// Width of the band in octaves.
    pub width_octaves: f64,
    /// Proposed threshold in dBFS.
    pub threshold_db: f64,
    /// Level of the band in loud esses, in dBFS.
    pub ess_db: f64,
    /// Level of the band in vowels, in dBFS.
    pub vowel_db: f64,
    /// Seconds of esses that were measured.
    pub seconds: f64,
}

/// Proposes a de-esser from the lane's own esses; `None` if there are too few.
#[must_use]
pub fn find_esses(samples: &[f32], rate: u32) -> Option<EssFinding> {
    let found = spectra(samples, rate);
    if found.counts[0] < LEAST_FRAMES {
        return None;
    }
    let top = ESS_HZ.1.min(0.45 * f64::from(rate));
    let (frequency_hz, width) = ess_band(&found.esses, top)?;
    let width_octaves = width.clamp(0.5, 2.0);
    let [mut esses, mut vowels] = band_levels(samples, rate, frequency_hz, width_octaves, &found);
    let ess_db = percentile(&mut esses, 0.9)?;
    let vowel_db = percentile(&mut vowels, 0.95).unwrap_or(-80.0);
    let threshold_db = (ess_db - INTO_DB).max(vowel_db + CLEAR_DB).clamp(-80.0, 0.0);
    let seconds = found.counts[0] as f64 * found.hop as f64 / f64::from(rate);
    Some(EssFinding { frequency_hz, width_octaves, threshold_db, ess_db, vowel_db, seconds })
}

/// Middle and width of the band in which the esses' power lies: what is within 6 dB of the highest third of an octave.
fn ess_band(esses: &Spectrum, top_hz: f64) -> Option<(f64, f64)> {
    let steps: Vec<f64> = (0..)
        .map(|step| ESS_HZ.0 * 2f64.powf(f64::from(step) / 24.0))
        .take_while(|hz| *hz <= top_hz)
        .collect();
    // Power per octave would favour high bands; power per Hz is what a narrow filter hears.
    let smooth: Vec<f64> = steps.iter().map(|hz| esses.around(*hz, 1.0 / 6.0)).collect();
    let (peak, highest) =
        smooth.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map(|(index, power)| (index, *power))?;
    let within = |index: &usize| smooth[*index] > highest / 4.0;
    let first = (0..=peak).rev().take_while(within).last()?;
    let last = (peak..smooth.len()).take_while(within).last()?;
    let (mut sum, mut weighted) = (0.0, 0.0);
    for index in first..=last {
        sum += smooth[index] * steps[index];
        weighted += smooth[index] * steps[index] * steps[index].ln();
    }
    let width = (last - first + 1) as f64 / 24.0;
    (sum > 0.0).then(|| ((weighted / sum).exp(), width))
}

/// Levels in dBFS of a band, averaged over 2 ms as the de-esser does, in the frames that are esses and in those that are vowels.
fn band_levels(samples: &[f32], rate: u32, hz: f64, octaves: f64, found: &Spectra) -> [Vec<f64>; 2] {
    let rate = f64::from(rate);
    let mut filter = Runner::new(Biquad::band_pass(hz, q_of_octaves(octaves), rate));
    let old = (-1.0 / (0.002 * rate)).exp();
    let mut power = 0.0;
    let mut levels = [Vec::new(), Vec::new()];
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hundred samples")]
    let every = ((0.002 * rate) as usize).max(1);
    for (index, sample) in samples.iter().enumerate() {
        let band = filter.next(f64::from(*sample));
        power = old * power + (1.0 - old) * 2.0 * band * band;
        if index % every == 0 {
            let frame = index / found.hop;
            // A sample lies in two frames: both must be of the kind, so that no edge is measured.
            let both = |kind: &[bool]| {
                kind.get(frame) == Some(&true)
                    && frame.checked_sub(1).is_none_or(|f| kind.get(f) == Some(&true))
            };
            let level = 10.0 * power.max(1e-12).log10();
            if both(&found.ess_frames) {
                levels[0].push(level);
            } else if both(&found.vowel_frames) {
                levels[1].push(level);
            }
        }
    }
    levels
}

fn percentile(values: &mut [f64], part: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
    let index = ((values.len().checked_sub(1)?) as f64 * part).round() as usize;
    values.get(index).copied()
}

/// A band that stands out of the voice's spectrum.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MudFinding {
    /// Its middle in Hz.
    pub frequency_hz: f64,
    /// How far it stands above the line between its surroundings, in dB.
    pub excess_db: f64,
    /// Q of a bell that fits it.
    pub q: f64,
}

/// Where peaks of the spectrum are looked for when mud is.
const PEAKS_HZ: (f64, f64) = (60.0, 1500.0);
/// A peak is no harmonic of the voice if it lies further below the highest one near it, in dB.
const PEAK_DB: f64 = 25.0;
/// Peaks nearer than the first, in octaves, belong to the band that is judged; those up to the second are its surroundings.
const AROUND: (f64, f64) = (0.45, 1.7);

/// Looks for what makes a lane muddy: the third of an octave between 160 and 500 Hz whose harmonics stand furthest above the
/// line through the harmonics around it. Harmonics, not bands, are compared: low bands hold one, two or none of them. `None`
/// if none stands out by 2 dB, or if the voice does not reach to either side.
#[must_use]
pub fn find_mud(samples: &[f32], rate: u32) -> Option<MudFinding> {
    let found = in_frames(samples, rate, LONG_FRAME_S);
    if found.counts[1] < LEAST_FRAMES {
        return None;
    }
    let peaks = harmonics(&found.vowels);
    let candidates = (0..=20).map(|step| 160.0 * 2f64.powf(f64::from(step) / 12.0));
    let judged = candidates.filter_map(|hz| Some((hz, excess(&peaks, hz)?)));
    let (frequency_hz, excess_db) = judged.max_by(|a, b| a.1.total_cmp(&b.1))?;
    (excess_db >= 2.0).then_some(MudFinding { frequency_hz, excess_db, q: 1.4 })
}

/// Peaks of a spectrum as octaves over 1 Hz and dB.
fn harmonics(spectrum: &Spectrum) -> Vec<(f64, f64)> {
    let (first, last) = (spectrum.bin(PEAKS_HZ.0).max(1), spectrum.bin(PEAKS_HZ.1));
    let db = |power: f64| 10.0 * power.max(1e-20).log10();
    let peaks: Vec<(f64, f64)> = (first..last)
        .filter_map(|bin| match spectrum.power.get(bin - 1..bin + 2)? {
            [a, b, c] if b > a && b >= c => Some(((bin as f64 * spectrum.bin_hz).log2(), db(*b))),
            _ => None,
        })
        .collect();
    let near = |at: f64| peaks.iter().filter(move |(other, _)| (other - at).abs() < 0.5);
    let stands = |(at, level): &&(f64, f64)| near(*at).all(|(_, other)| *level > other - PEAK_DB);
    peaks.iter().filter(stands).copied().collect()
}

/// How far the harmonics around `hz` stand above the line through their surroundings, in dB.
fn excess(peaks: &[(f64, f64)], hz: f64) -> Option<f64> {
    let distance = |at: f64| at - hz.log2();
    let around = |(at, _): &&(f64, f64)| (AROUND.0..AROUND.1).contains(&distance(*at).abs());
    let others: Vec<(f64, f64)> = peaks.iter().filter(around).map(|(at, db)| (distance(*at), *db)).collect();
    let (below, above) = (others.iter().any(|peak| peak.0 < 0.0), others.iter().any(|peak| peak.0 > 0.0));
    if others.len() < 3 || !below || !above {
        return None;
    }
    let count = others.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| others.iter().map(of).sum::<f64>() / count;
    let (x, y) = (mean(|peak| peak.0), mean(|peak| peak.1));
    let spread = others.iter().map(|peak| (peak.0 - x).powi(2)).sum::<f64>();
    let slope = others.iter().map(|peak| (peak.0 - x) * (peak.1 - y)).sum::<f64>() / spread.max(1e-9);
    let own = peaks.iter().filter(|(at, _)| distance(*at).abs() <= 1.0 / 6.0);
    let (sum, own) = own.fold((0.0, 0usize), |(sum, count), (at, db)| {
        (sum + db - (y + slope * (distance(*at) - x)), count + 1)
    });
    (own > 0).then(|| sum / own as f64)
}

/// What lies below the voice.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RumbleFinding {
    /// The voice reaches down to here, in Hz.
    pub voice_from_hz: f64,
    /// Proposed frequency of a high-pass in Hz.
    pub frequency_hz: f64,
    /// Power below the proposed frequency against all of the lane's, in dB.
    pub rumble_db: f64,
    /// True if 24 dB per octave are called for.
    pub steep: bool,
}

/// Looks for where the voice begins and how much lies below it. `None` without vowels.
#[must_use]
pub fn find_rumble(samples: &[f32], rate: u32) -> Option<RumbleFinding> {
    let found = in_frames(samples, rate, LONG_FRAME_S);
    if found.counts[1] < LEAST_FRAMES {
        return None;
    }
    let steps: Vec<f64> = (0..=40).map(|step| 60.0 * 2f64.powf(f64::from(step) / 12.0)).collect();
    let power = |hz: f64| found.vowels.around(hz, 0.25);
    let highest = steps.iter().map(|hz| power(*hz)).fold(0.0, f64::max);
    // From the voice's strongest low band downwards until it has fallen by 15 dB.
    let strongest = steps.iter().position(|hz| power(*hz) >= highest / 4.0)?;
    let foot = (0..=strongest).rev().find(|index| power(steps[*index]) < highest / 30.0);
    let voice_from_hz = steps[foot.map_or(0, |index| index + 1)];
    let frequency_hz = (voice_from_hz * 0.75 / 5.0).round() * 5.0;
    let frequency_hz = frequency_hz.clamp(30.0, 200.0);
    let below = found.all.between(5.0, frequency_hz);
    let whole = found.all.between(5.0, 20_000.0);
    let rumble_db = 10.0 * ((below + 1e-20) / (whole + 1e-20)).log10();
    Some(RumbleFinding { voice_from_hz, frequency_hz, rumble_db, steep: rumble_db > -25.0 })
}
