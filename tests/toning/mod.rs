//! What several tests of the tone share: running processors over samples in memory, signals, measuring.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::f64::consts::PI;

use tautline::song::tone::{Band, BandShape, Compress, Deess, HighPass, Slope};
use tautline::song::{Db, Tone};
use tautline::sound::bank::{Bank, Blocks, Hear, Voice};

/// Channels of one voice in memory; blocks are taken from `from` on.
pub struct Memory {
    pub channels: Vec<Vec<f32>>,
    pub from: usize,
    pub frames: usize,
}

impl Blocks for Memory {
    fn block(&mut self, _voice: usize, channel: usize) -> &mut [f32] {
        &mut self.channels[channel][self.from..self.from + self.frames]
    }
}

/// Runs a bank with one voice over channels, in blocks of the given lengths, over and over.
pub fn run(bank: &mut Bank, start: i64, channels: &[&[f32]], blocks: &[usize]) -> Vec<Vec<f32>> {
    let total = channels[0].len();
    let mut memory = Memory { channels: channels.iter().map(|c| c.to_vec()).collect(), from: 0, frames: 0 };
    let mut lengths = blocks.iter().copied().cycle();
    while memory.from < total {
        memory.frames = lengths.next().unwrap().min(total - memory.from);
        let at = start + i64::try_from(memory.from).unwrap();
        for group in bank.groups_mut() {
            group.process(at, memory.frames, &mut memory);
        }
        memory.from += memory.frames;
    }
    memory.channels
}

pub fn bank(tone: &Tone, rate: u32, channels: usize) -> Bank {
    Bank::new(&[Voice { key: 1, tone, channels, hear: Hear::Tone, search: None }], rate)
}

/// Runs a tone over the channels of one voice.
pub fn process(tone: &Tone, rate: u32, channels: &[&[f32]], blocks: &[usize]) -> Vec<Vec<f32>> {
    run(&mut bank(tone, rate, channels.len()), 0, channels, blocks)
}

pub fn bell(frequency_hz: f64, gain: f64, q: f64) -> Option<Band> {
    Some(Band { shape: BandShape::Bell, frequency_hz, gain_db: Db(gain), q })
}

pub fn whole_equaliser() -> Tone {
    let shelf = |shape, frequency_hz, gain| Some(Band { shape, frequency_hz, gain_db: Db(gain), q: 0.7 });
    Tone {
        highpass: Some(HighPass { frequency_hz: 90.0, slope: Slope::TwentyFour }),
        bands: [
            shelf(BandShape::LowShelf, 200.0, -2.0),
            bell(300.0, -4.0, 1.4),
            bell(3000.0, 2.0, 1.0),
            shelf(BandShape::HighShelf, 10_000.0, 3.0),
        ],
        ..Tone::default()
    }
}

pub fn whole_chain() -> Tone {
    Tone {
        deess: Some(Deess { threshold_db: Db(-40.0), ..Deess::default() }),
        compress: Some(Compress { threshold_db: Db(-24.0), makeup_db: Db(2.0), ..Compress::default() }),
        drive_db: Db(4.0),
        gain_db: Db(-1.0),
        ..whole_equaliser()
    }
}

/// White noise between -1 and 1.
pub fn noise(frames: usize, seed: u32) -> Vec<f32> {
    let mut x = seed;
    (0..frames)
        .map(|_| {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (x >> 8) as f32 / 8_388_608.0 - 1.0
        })
        .collect()
}

#[expect(clippy::cast_possible_truncation)]
pub fn sine(hz: f64, level_db: f64, frames: usize, rate: u32) -> Vec<f32> {
    let amplitude = 10f64.powf(level_db / 20.0);
    (0..frames).map(|n| (amplitude * (2.0 * PI * hz * n as f64 / f64::from(rate)).sin()) as f32).collect()
}

/// Magnitude in dB of the spectrum of `samples` at one frequency.
pub fn spectrum_db(samples: &[f32], hz: f64, rate: u32) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, sample) in samples.iter().enumerate().filter(|(_, sample)| **sample != 0.0) {
        let (sin, cos) = (2.0 * PI * hz * n as f64 / f64::from(rate)).sin_cos();
        re += f64::from(*sample) * cos;
        im += f64::from(*sample) * sin;
    }
    10.0 * (re * re + im * im).log10()
}

/// Level in dB rms.
pub fn rms_db(samples: &[f32]) -> f64 {
    let power = samples.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / samples.len() as f64;
    10.0 * power.max(1e-20).log10()
}

pub fn bits(channels: &[Vec<f32>]) -> Vec<Vec<u32>> {
    channels.iter().map(|channel| channel.iter().map(|sample| sample.to_bits()).collect()).collect()
}

/// Noise in a band: sums of sines with random phases at every Hz of the band would do as well; this is noise through
/// two band-passes. `q` tells the width.
#[expect(clippy::cast_possible_truncation)]
pub fn band_noise(low_hz: f64, high_hz: f64, level_db: f64, frames: usize, rate: u32, seed: u32) -> Vec<f32> {
    use tautline::sound::biquad::{Biquad, Runner};
    let rate_hz = f64::from(rate);
    let cut = |hz: f64, high: bool| {
        [0.541_196_100_146_197, 1.306_562_964_876_376_5].map(|q| {
            Runner::new(if high {
                Biquad::high_pass(hz, q, rate_hz)
            } else {
                Biquad::low_pass(hz, q, rate_hz)
            })
        })
    };
    let mut filters: Vec<Runner> =
        [cut(low_hz, true), cut(low_hz, true), cut(high_hz, false), cut(high_hz, false)].concat();
    let raw: Vec<f64> = noise(frames, seed)
        .iter()
        .map(|sample| filters.iter_mut().fold(f64::from(*sample), |x, filter| filter.next(x)))
        .collect();
    let power = raw.iter().map(|s| s * s).sum::<f64>() / frames as f64;
    let gain = 10f64.powf(level_db / 20.0) / power.sqrt();
    raw.iter().map(|sample| (sample * gain) as f32).collect()
}

/// Something like a sung vowel: harmonics of `hz` that fall by 9 dB per octave, none above 3.5 kHz.
#[expect(clippy::cast_possible_truncation)]
pub fn vowel(hz: f64, level_db: f64, frames: usize, rate: u32) -> Vec<f32> {
    let mut out = vec![0.0f64; frames];
    for harmonic in (1..).take_while(|k| f64::from(*k) * hz < 3500.0) {
        let k = f64::from(harmonic);
        let amplitude = k.powf(-1.5);
        for (n, sample) in out.iter_mut().enumerate() {
            *sample += amplitude * (2.0 * PI * hz * k * n as f64 / f64::from(rate) + k).sin();
        }
    }
    let power = out.iter().map(|s| s * s).sum::<f64>() / frames as f64;
    let gain = 10f64.powf(level_db / 20.0) / power.sqrt();
    let fade = frames.min(480) as f64;
    out.iter()
        .enumerate()
        .map(|(n, sample)| {
            let edge = (n.min(frames - 1 - n) as f64 / fade).min(1.0);
            (sample * gain * edge) as f32
        })
        .collect()
}
