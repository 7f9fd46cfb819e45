//! Compressor: feed-forward, in the log domain, after D. Giannoulis, M. Massberg, J. Reiss, "Digital Dynamic Range
//! Compressor Design — A Tutorial and Analysis", J. Audio Eng. Soc. 60(6), 2012: gain computer with a quadratic knee,
//! then the decoupled smooth peak detector on the reduction. Attack and release are times to 1 − 1/e of a step.
//!
//! There is no automatic make-up and no automatic release. Latency 0. Tail: attack and release.

use std::f64::consts::FRAC_1_SQRT_2;

use super::{DB_PER_OCTAVE, Lines, Ramp, Room, decay, smooth_power};
use crate::song::Tone;
use crate::song::tone::{Compress, Detector, Stage};
use crate::sound::biquad::Biquad;
use crate::sound::wide::{Narrow, Wide};

/// Seconds over which an rms detector averages.
const WINDOW_S: f64 = 0.01;
/// Below this power (−120 dBFS) nothing is told apart.
const SILENCE: f32 = 1e-12;

/// Five factors of the detector's high-pass come first.
const PEAK: usize = 5;
const POWER_OLD: usize = 6;
pub(super) const POWER_NEW: usize = 7;
const THRESHOLD: usize = 8;
const KNEE: usize = 9;
/// One over twice the knee; 0 without a knee.
const KNEE_CURVE: usize = 10;
pub(super) const SLOPE: usize = 11;
const ATTACK: usize = 12;
const RELEASE: usize = 13;
pub(super) const MAKEUP: usize = 14;
pub(super) const MIX: usize = 15;
/// Parameters.
pub(super) const PARAMS: usize = 16;
/// State: two of the detector's high-pass, its power, two of the smoothing.
pub(super) const STATE: usize = 5;
/// Where in the state the reduction stands, in octaves of power.
pub(super) const REDUCTION: usize = 4;

/// The reduction in dB of a settled compressor for a level in dBFS, without make-up.
pub(super) fn static_reduction_db(compress: &Compress, level_db: f64) -> f64 {
    let (over, knee) = (level_db - compress.threshold_db.0, compress.knee_db.0);
    let slope = 1.0 - 1.0 / compress.ratio;
    let bend = (over + knee / 2.0).clamp(0.0, knee);
    let curve = if knee > 0.0 { bend * bend / (2.0 * knee) } else { 0.0 };
    slope * (curve + (over - knee / 2.0).max(0.0))
}

/// One slot's parameters.
pub(super) fn column(tone: &Tone, rate: f64) -> [f64; PARAMS] {
    let mut column = [0.0; PARAMS];
    let acts = tone.acts(Stage::Compress);
    let Some(compress) = tone.compress.filter(|_| acts) else { return column };
    let filter = compress
        .detector_highpass_hz
        .map_or(Biquad::IDENTITY, |hz| Biquad::high_pass(hz, FRAC_1_SQRT_2, rate));
    column[..5].copy_from_slice(&filter.factors());
    match compress.detector {
        Detector::Peak => column[PEAK] = 1.0,
        Detector::Rms => (column[POWER_OLD], column[POWER_NEW]) = smooth_power(WINDOW_S, rate),
    }
    column[THRESHOLD] = compress.threshold_db.0 / DB_PER_OCTAVE;
    column[KNEE] = compress.knee_db.0 / DB_PER_OCTAVE;
    column[KNEE_CURVE] = if compress.knee_db.0 > 0.0 { 0.5 / column[KNEE] } else { 0.0 };
    column[SLOPE] = 1.0 - 1.0 / compress.ratio.max(1.0);
    column[ATTACK] = decay(compress.attack_ms / 1000.0, rate);
    column[RELEASE] = decay(compress.release_ms / 1000.0, rate);
    column[MAKEUP] = compress.makeup_db.0 / DB_PER_OCTAVE / 2.0;
    column[MIX] = compress.mix;
    column
}

/// What some slot needs; what none needs is not computed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Needs {
    /// A high-pass in the detector.
    pub(super) filter: bool,
    /// An rms detector.
    pub(super) rms: bool,
    /// A stereo lane.
    pub(super) link: bool,
    /// Make-up gain and mix are on their way to others.
    pub(super) glides: bool,
}

/// Processes `buffer` in place.
#[inline(always)]
pub(super) fn process(
    needs: Needs,
    link: Wide,
    params: &[Wide],
    state: &mut [Wide],
    room: &mut Room,
    buffer: &mut [Wide],
    ramps: [Ramp; 2],
) {
    let (Ok(p), Ok(state)) = (<&[Wide; PARAMS]>::try_from(params), <&mut [Wide; STATE]>::try_from(state))
    else {
        return;
    };
    // The usual case has its own code; all others share one.
    if needs == Needs::default() {
        want::<false>(link, p, state, buffer, &mut room.first);
        apply::<false>(p, &mut state[REDUCTION], buffer, &room.first, ramps);
    } else {
        want::<true>(link, p, state, buffer, &mut room.first);
        apply::<true>(p, &mut state[REDUCTION], buffer, &room.first, ramps);
    }
}

/// From the level to the reduction that is wanted, held at its release. Apart from [`apply`], so that each loop has
/// few enough instructions for the processor to work on several samples at a time.
#[inline(always)]
fn want<const ALL: bool>(
    link: Wide,
    p: &[Wide; PARAMS],
    state: &mut [Wide; STATE],
    buffer: &[Wide],
    out: &mut Lines,
) {
    let [mut s1, mut s2, mut power, mut held, reduction] = *state;
    let release_new = Wide::all(1.0) - p[RELEASE];
    let (threshold, slope) = (p[THRESHOLD].narrow(), p[SLOPE].narrow());
    let (knee, knee_curve) = (p[KNEE].narrow(), p[KNEE_CURVE].narrow());
    let half_knee = knee * Narrow::all(0.5);
    for (x, out) in buffer.iter().zip(out) {
        let mut heard = *x;
        if ALL {
            heard = p[0] * *x + s1;
            s1 = (p[1] * *x + s2) - p[3] * heard;
            s2 = p[2] * *x - p[4] * heard;
        }
        let now = heard * heard;
        power = if ALL {
            let now = now.max(link * now.neighbours());
            (p[PEAK] * now).max(p[POWER_OLD] * power + p[POWER_NEW] * now)
        } else {
            now
        };
        let over = power.narrow().max(Narrow::all(SILENCE)).log2() - threshold;
        let bend = (over + half_knee).max(Narrow::all(0.0)).min(knee);
        let wanted = slope * (bend * bend * knee_curve + (over - half_knee).max(Narrow::all(0.0)));
        let wanted = wanted.wide();
        held = wanted.max(p[RELEASE] * held + release_new * wanted);
        *out = held;
    }
    *state = [s1, s2, power, held, reduction];
}

/// Smooths the reduction by the attack and applies it.
#[inline(always)]
fn apply<const ALL: bool>(
    p: &[Wide; PARAMS],
    state: &mut Wide,
    buffer: &mut [Wide],
    held: &Lines,
    ramps: [Ramp; 2],
) {
    let one = Wide::all(1.0);
    let attack_new = one - p[ATTACK];
    let mut reduction = *state;
    for (index, (sample, held)) in buffer.iter_mut().zip(held).enumerate() {
        reduction = p[ATTACK] * reduction + attack_new * *held;
        let makeup = if ALL { p[MAKEUP] + ramps[0].at(index) } else { p[MAKEUP] };
        let mix = if ALL { p[MIX] + ramps[1].at(index) } else { p[MIX] };
        let gain = (makeup - reduction * Wide::all(0.5)).narrow().exp2().wide();
        *sample = *sample + *sample * (mix * (gain - one));
    }
    *state = reduction;
}
