//! Drive: gentle harmonic warmth by a soft bend of the wave, y = tanh(g·x/2)·2/g.
//!
//! Soft sounds pass at their level; loud ones gain odd harmonics. Only what the bend *adds* is made, at four times the
//! rate through half-band filters, and added to the sound as it came. So the sound itself has no latency and no
//! filter in it, and aliases below 0.48 of the rate stay 80 dB down. Latency 0 (what is added comes a few samples later). Tail: the ringing
//! of the half-band filters.

use super::{Ramp, pairs};
use crate::song::Tone;
use crate::song::tone::Stage;
use crate::sound::halfband;
use crate::sound::wide::Wide;

/// Sections of the half-band filter between the rate and twice the rate, and of that above it.
const FIRST: usize = 12;
const SECOND: usize = 4;
/// Memories of a half-band filter: each branch has one more than sections.
const FIRST_STATE: usize = FIRST + 2;
const SECOND_STATE: usize = SECOND + 2;

/// Gain into the bend, its inverse, and how much of the change is added.
pub(super) const PARAMS: usize = 3;
/// Memories of both filters, upwards and downwards.
pub(super) const STATE: usize = 2 * (FIRST_STATE + SECOND_STATE);

/// Factors of the two half-band filters.
#[derive(Debug, Clone, Copy)]
pub(super) struct Filters {
    first: [f64; FIRST],
    second: [f64; SECOND],
}

impl Filters {
    pub(super) fn new() -> Filters {
        // The pass band ends at 0.48 of the rate: 21 kHz at 44.1 kHz.
        Filters { first: halfband::design(0.02), second: halfband::design(0.25) }
    }
}

/// One slot's parameters.
pub(super) fn column(tone: &Tone) -> [f64; PARAMS] {
    if !tone.acts(Stage::Drive) {
        return [0.5, 2.0, 0.0];
    }
    let half = 10f64.powf(tone.drive_db.0 / 20.0) / 2.0;
    [half, 1.0 / half, 1.0]
}

/// Runs one branch of all-pass sections.
#[inline(always)]
fn branch<const N: usize>(factors: &[f64; N], first: usize, memory: &mut [Wide], x: Wide) -> Wide {
    let mut x = x;
    let mut section = first;
    let mut place = 0;
    while section < N {
        // y = a·(x − y₁) + x₁; the y₁ of a section is the x₁ of the next.
        let y = Wide::all(factors[section]) * (x - memory[place + 1]) + memory[place];
        memory[place] = x;
        x = y;
        section += 2;
        place += 1;
    }
    memory[place] = x;
    x
}

#[inline(always)]
fn up<const N: usize>(factors: &[f64; N], memory: &mut [Wide], x: Wide) -> [Wide; 2] {
    let (even, odd) = memory.split_at_mut(pairs(N));
    [branch(factors, 0, even, x), branch(factors, 1, odd, x)]
}

#[inline(always)]
fn down<const N: usize>(factors: &[f64; N], memory: &mut [Wide], x: [Wide; 2]) -> Wide {
    let (even, odd) = memory.split_at_mut(pairs(N));
    (branch(factors, 0, even, x[1]) + branch(factors, 1, odd, x[0])) * Wide::all(0.5)
}

/// What the bend adds to a sample, with the gain into it and its inverse.
#[inline(always)]
fn bend(p: [Wide; 2], x: Wide) -> Wide {
    // tanh u = 1 − 2/(1 + e^2u); held where it is 1 to the last bit anyway.
    const TO_BASE_2: f64 = 2.0 * std::f64::consts::LOG2_E;
    let u = p[0] * x;
    let bounded = u.max(Wide::all(-20.0)).min(Wide::all(20.0));
    let power = (bounded * Wide::all(TO_BASE_2)).narrow().exp2().wide();
    let mut tanh = power;
    for slot in &mut tanh.0 {
        *slot = 1.0 - 2.0 / (1.0 + *slot);
    }
    tanh * p[1] - x
}

/// Processes `buffer` in place. While it glides, the gain into the bend and how much of the change is added move with every
/// sample: there is no filter behind them that would soften a step.
#[inline(always)]
pub(super) fn process(
    filters: &Filters,
    params: &[Wide],
    glide: Option<[Ramp; 2]>,
    state: &mut [Wide],
    buffer: &mut [Wide],
) {
    match glide {
        None => run::<false>(filters, params, [Ramp::STILL; 2], state, buffer),
        Some(ramps) => run::<true>(filters, params, ramps, state, buffer),
    }
}

#[inline(always)]
fn run<const GLIDES: bool>(
    filters: &Filters,
    params: &[Wide],
    ramps: [Ramp; 2],
    state: &mut [Wide],
    buffer: &mut [Wide],
) {
    let (up_first, rest) = state.split_at_mut(FIRST_STATE);
    let (up_second, rest) = rest.split_at_mut(SECOND_STATE);
    let (down_second, down_first) = rest.split_at_mut(SECOND_STATE);
    let (mut into, mut part) = ([params[0], params[1]], params[2]);
    for (index, sample) in buffer.iter_mut().enumerate() {
        if GLIDES {
            let gain = params[0] + ramps[0].at(index);
            into = [gain, gain.inverse()];
            part = params[2] + ramps[1].at(index);
        }
        let x = *sample;
        let twice = up(&filters.first, up_first, x);
        let mut halves = [Wide::ZERO; 2];
        for (half, x) in halves.iter_mut().zip(twice) {
            let four = up(&filters.second, up_second, x);
            *half = down(&filters.second, down_second, [bend(into, four[0]), bend(into, four[1])]);
        }
        *sample = x + part * down(&filters.first, down_first, halves);
    }
}
