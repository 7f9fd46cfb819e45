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
use crate::sound::wide::{Narrow, Wide, exp2, log2, several};

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
    let knee = p[KNEE].narrow();
    let wish = Wish {
        p,
        link,
        threshold: p[THRESHOLD].narrow(),
        slope: p[SLOPE].narrow(),
        knee,
        half_knee: knee * Narrow::all(0.5),
        knee_curve: p[KNEE_CURVE].narrow(),
        release_new: Wide::all(1.0) - p[RELEASE],
    };
    let whole = buffer.len() / 2 * 2;
    let (pairs, rest) = buffer.as_chunks::<2>();
    let (outs, _) = out.as_chunks_mut::<2>();
    // Told by number: the compiler brings such a loop in whole, chains of iterators it does not.
    for k in 0..pairs.len().min(outs.len()) {
        wish.take::<ALL, 2>(state, &pairs[k], &mut outs[k]);
    }
    if let [sample] = rest {
        wish.take::<ALL, 1>(state, &[*sample], std::array::from_mut(&mut out[whole]));
    }
}

/// What [`want`] needs to know, in the forms that it needs it in.
struct Wish<'a> {
    p: &'a [Wide; PARAMS],
    link: Wide,
    threshold: Narrow,
    slope: Narrow,
    knee: Narrow,
    half_knee: Narrow,
    knee_curve: Narrow,
    release_new: Wide,
}

impl Wish<'_> {
    /// Several samples in a row.
    #[inline(always)]
    fn take<const ALL: bool, const N: usize>(
        &self,
        state: &mut [Wide; STATE],
        samples: &[Wide; N],
        out: &mut [Wide; N],
    ) {
        let (p, nothing) = (self.p, Narrow::all(0.0));
        let [s1, s2, power, held, _] = state;
        let mut powers = [nothing; N];
        for k in 0..N {
            let mut heard = samples[k];
            if ALL {
                heard = p[0] * samples[k] + *s1;
                *s1 = (p[1] * samples[k] + *s2) - p[3] * heard;
                *s2 = p[2] * samples[k] - p[4] * heard;
            }
            let now = heard * heard;
            *power = if ALL {
                let now = now.max(self.link * now.neighbours());
                (p[PEAK] * now).max(p[POWER_OLD] * *power + p[POWER_NEW] * now)
            } else {
                now
            };
            powers[k] = power.narrow().max(Narrow::all(SILENCE));
        }
        let level = log2(powers);
        let over: [Narrow; N] = several(|k| level[k] - self.threshold);
        let bend: [Narrow; N] = several(|k| (over[k] + self.half_knee).max(nothing).min(self.knee));
        let wanted: [Narrow; N] = several(|k| {
            self.slope * (bend[k] * bend[k] * self.knee_curve + (over[k] - self.half_knee).max(nothing))
        });
        for k in 0..N {
            let wanted = wanted[k].wide();
            *held = wanted.max(p[RELEASE] * *held + self.release_new * wanted);
            out[k] = *held;
        }
    }
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
    let (fours, rest) = buffer.as_chunks_mut::<4>();
    let (held_fours, _) = held.as_chunks::<4>();
    let count = fours.len().min(held_fours.len());
    for k in 0..count {
        squeeze::<ALL, 4>(p, state, &mut fours[k], &held_fours[k], k * 4, ramps);
    }
    #[expect(clippy::needless_range_loop, reason = "loops told by number are brought in whole")]
    for k in 0..rest.len() {
        let at = count * 4 + k;
        squeeze::<ALL, 1>(p, state, std::array::from_mut(&mut rest[k]), &[held[at]], at, ramps);
    }
}

/// [`apply`] for several samples in a row, the first of which has a number in its piece.
#[inline(always)]
fn squeeze<const ALL: bool, const N: usize>(
    p: &[Wide; PARAMS],
    reduction: &mut Wide,
    samples: &mut [Wide; N],
    held: &[Wide; N],
    number: usize,
    ramps: [Ramp; 2],
) {
    let one = Wide::all(1.0);
    let attack_new = one - p[ATTACK];
    let mut octaves = [Narrow::all(0.0); N];
    for k in 0..N {
        *reduction = p[ATTACK] * *reduction + attack_new * held[k];
        let makeup = if ALL { p[MAKEUP] + ramps[0].at(number + k) } else { p[MAKEUP] };
        octaves[k] = (makeup - *reduction * Wide::all(0.5)).narrow();
    }
    let gains = exp2(octaves);
    for k in 0..N {
        let mix = if ALL { p[MIX] + ramps[1].at(number + k) } else { p[MIX] };
        samples[k] = samples[k] + samples[k] * (mix * (gains[k].wide() - one));
    }
}
