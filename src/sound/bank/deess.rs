//! De-esser: a bell or shelf that moves down while the band that it moves is loud.
//!
//! The band is taken out by a filter whose poles stand still, and added back turned down: the gain at a bell's centre,
//! or far above a shelf's frequency, is exactly the reduction, and nowhere is it more. A shelf takes the square root
//! of the gain where its two parts meet, so that it never rises.
//!
//! The band's power is averaged over 2 ms. Above the threshold the reduction grows dB for dB, up to the cap, and is then
//! smoothed by attack and release in the decoupled form of Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor
//! Design", J. Audio Eng. Soc. 60(6), 2012: smoothing never passes the largest of what goes in, so the cap holds.
//!
//! Latency 0. Tail: release and the filter's ringing.

use super::{DB_PER_OCTAVE, Hear, Lines, Room, decay, smooth_power};
use crate::song::Tone;
use crate::song::tone::{Deess, DeessShape, Stage, q_of_octaves};
use crate::sound::biquad::Biquad;
use crate::sound::wide::{Narrow, Wide, exp2, log2, several};

/// Seconds over which the band's power is averaged.
const WINDOW_S: f64 = 0.002;
/// Seconds over which the voice's power is averaged ...
const VOICE_S: f64 = 0.05;
/// ... and in which its held level decays, so that an ess in a gap meets the level of the word before it ...
pub(super) const HOLD_S: f64 = 0.4;
/// ... though never less than this power (−50 dBFS): room noise is no voice.
const VOICE_FLOOR: f32 = 1e-5;
/// Below this power (−120 dBFS) nothing is told apart.
const SILENCE: f32 = 1e-12;

const A1: usize = 0;
const A2: usize = 1;
/// Factor of the band-pass part.
const BAND: usize = 2;
/// Factor of the high-pass part; 0 for a bell.
pub(super) const HIGH: usize = 3;
/// 1 for a bell, 0 for a shelf.
pub(super) const BELL: usize = 4;
const POWER_OLD: usize = 5;
const POWER_NEW: usize = 6;
const THRESHOLD: usize = 7;
pub(super) const SLOPE: usize = 8;
const CAP: usize = 9;
const ATTACK: usize = 10;
const RELEASE: usize = 11;
/// 1 if the threshold follows the voice.
pub(super) const RELATIVE: usize = 12;
const VOICE_OLD: usize = 13;
const VOICE_NEW: usize = 14;
const HOLD: usize = 15;
/// What is heard: parts of the input, of the change, of the detector's signal.
pub(super) const HEAR_INPUT: usize = 16;
pub(super) const HEAR_CHANGE: usize = 17;
pub(super) const HEAR_BAND: usize = 18;
/// Parameters.
pub(super) const PARAMS: usize = 19;
/// State: two of the filter, the power, two of the smoothing, two of the voice's level.
pub(super) const STATE: usize = 7;
/// Where in the state the reduction stands, in octaves of power.
pub(super) const REDUCTION: usize = 4;

/// The band that a de-esser hears and moves: a band-pass of 0 dB at its frequency, and the factor of the
/// high-pass part, 0 for a bell.
fn band(deess: &Deess, rate: f64) -> (Biquad, f64) {
    match deess.shape {
        DeessShape::Bell => {
            (Biquad::band_pass(deess.frequency_hz, q_of_octaves(deess.width_octaves), rate), 0.0)
        }
        DeessShape::Shelf => {
            let q = std::f64::consts::FRAC_1_SQRT_2;
            let high = Biquad::high_pass(deess.frequency_hz, q, rate);
            (Biquad::band_pass(deess.frequency_hz, q, rate), high.b0)
        }
    }
}

/// The complex response of a de-esser at `hz` while it takes `reduction_db` away, as real and imaginary part.
pub(super) fn response(deess: &Deess, reduction_db: f64, hz: f64, rate: f64) -> (f64, f64) {
    let gain = 10f64.powf(-reduction_db.abs() / 20.0);
    let (filter, high) = band(deess, rate);
    let part = filter.response(hz, rate);
    let top = Biquad { b0: high, b1: -2.0 * high, b2: high, ..filter }.response(hz, rate);
    let of_band = if high == 0.0 { gain - 1.0 } else { gain.sqrt() - 1.0 };
    (1.0 + of_band * part.0 + (gain - 1.0) * top.0, of_band * part.1 + (gain - 1.0) * top.1)
}

/// The reduction in dB of a settled de-esser for a level of its band, both in dBFS; `threshold_db` is the one in force.
pub(super) fn static_reduction_db(deess: &Deess, level_db: f64, threshold_db: f64) -> f64 {
    (level_db - threshold_db).clamp(0.0, deess.most_db.0)
}

/// One slot's parameters.
pub(super) fn column(tone: &Tone, hear: Hear, rate: f64) -> [f64; PARAMS] {
    let mut column = [0.0; PARAMS];
    (column[HEAR_INPUT], column[HEAR_CHANGE]) = (1.0, 1.0);
    let acts = tone.acts(Stage::Deess);
    let Some(deess) = tone.deess.filter(|_| acts) else { return column };
    let (filter, high) = band(&deess, rate);
    let (power_old, power_new) = smooth_power(WINDOW_S, rate);
    let (voice_old, voice_new) = smooth_power(VOICE_S, rate);
    column[A1] = filter.a1;
    column[A2] = filter.a2;
    column[BAND] = filter.b0;
    column[HIGH] = high;
    column[BELL] = if deess.shape == DeessShape::Bell { 1.0 } else { 0.0 };
    column[POWER_OLD] = power_old;
    column[POWER_NEW] = power_new;
    column[THRESHOLD] = deess.threshold_db.0 / DB_PER_OCTAVE;
    column[SLOPE] = 1.0;
    column[CAP] = deess.most_db.0 / DB_PER_OCTAVE;
    column[ATTACK] = decay(deess.attack_ms / 1000.0, rate);
    column[RELEASE] = decay(deess.release_ms / 1000.0, rate);
    column[RELATIVE] = if deess.relative { 1.0 } else { 0.0 };
    column[VOICE_OLD] = voice_old;
    column[VOICE_NEW] = voice_new;
    column[HOLD] = decay(HOLD_S, rate);
    let (input, change, band) = match hear {
        Hear::Tone => (1.0, 1.0, 0.0),
        Hear::DeessTakes => (0.0, -1.0, 0.0),
        Hear::DeessDetector => (0.0, 0.0, 1.0),
    };
    column[HEAR_INPUT] = input;
    column[HEAR_CHANGE] = change;
    column[HEAR_BAND] = band;
    column
}

/// What some slot needs; what none needs is not computed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Needs {
    /// A shelf.
    pub(super) shelf: bool,
    /// A threshold that follows the voice.
    pub(super) follows: bool,
    /// Something else than the tone is heard.
    pub(super) ear: bool,
    /// A stereo lane.
    pub(super) link: bool,
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
) {
    // The usual case has its own code; all others share one.
    if needs == Needs::default() {
        run::<false>(link, params, state, room, buffer);
    } else {
        run::<true>(link, params, state, room, buffer);
    }
}

/// Three loops, each with few enough instructions that the processor works on several samples at a time: the band
/// and its power, the reduction that is wanted, the reduction smoothed and applied.
#[inline(always)]
fn run<const ALL: bool>(
    link: Wide,
    params: &[Wide],
    state: &mut [Wide],
    room: &mut Room,
    buffer: &mut [Wide],
) {
    let (Ok(p), Ok(state)) = (<&[Wide; PARAMS]>::try_from(params), <&mut [Wide; STATE]>::try_from(state))
    else {
        return;
    };
    let Room { first: parts, second: tops, third: levels, fourth: voices } = room;
    listen::<ALL>(link, p, state, buffer, parts, tops, levels, voices);
    want::<ALL>(p, &mut state[3], &mut levels[..buffer.len()], voices);
    apply::<ALL>(p, &mut state[REDUCTION], buffer, parts, tops, levels);
}

/// Takes the band out and averages its power, and that of the voice below it.
#[inline(always)]
#[expect(clippy::too_many_arguments, reason = "the parts of one loop")]
fn listen<const ALL: bool>(
    link: Wide,
    p: &[Wide; PARAMS],
    state: &mut [Wide; STATE],
    buffer: &[Wide],
    parts: &mut Lines,
    tops: &mut Lines,
    powers: &mut Lines,
    voices: &mut Lines,
) {
    let [mut w1, mut w2, mut power, held, reduction, mut voice, mut voice_held] = *state;
    let high_middle = p[HIGH] + p[HIGH];
    let out = parts.iter_mut().zip(tops.iter_mut()).zip(powers.iter_mut().zip(voices.iter_mut()));
    for (x, ((part_out, top_out), (power_out, voice_out))) in buffer.iter().zip(out) {
        let w = (*x - p[A2] * w2) - p[A1] * w1;
        let part = p[BAND] * (w - w2);
        let top = if ALL { p[HIGH] * (w + w2) - high_middle * w1 } else { Wide::ZERO };
        (w2, w1) = (w1, w);
        let band = if ALL { part + top } else { part };
        let now = band * band;
        let now = if ALL { now.max(link * now.neighbours()) } else { now };
        power = p[POWER_OLD] * power + p[POWER_NEW] * now;
        if ALL {
            let rest = *x - band;
            let rest = rest * rest;
            let rest = rest.max(link * rest.neighbours());
            voice = p[VOICE_OLD] * voice + p[VOICE_NEW] * rest;
            voice_held = voice.max(p[HOLD] * voice_held);
            (*top_out, *voice_out) = (top, voice_held);
        }
        (*part_out, *power_out) = (part, power);
    }
    *state = [w1, w2, power, held, reduction, voice, voice_held];
}

/// From the band's power to the reduction that is wanted, held at its release.
#[inline(always)]
fn want<const ALL: bool>(p: &[Wide; PARAMS], state: &mut Wide, levels: &mut [Wide], voices: &Lines) {
    let wish = Wish {
        threshold: p[THRESHOLD].narrow(),
        slope: p[SLOPE].narrow(),
        cap: p[CAP].narrow(),
        relative: p[RELATIVE].narrow(),
        release: p[RELEASE],
        release_new: Wide::all(1.0) - p[RELEASE],
    };
    let whole = levels.len() / 2 * 2;
    let (pairs, rest) = levels.as_chunks_mut::<2>();
    let (voice_pairs, _) = voices.as_chunks::<2>();
    // Told by number: the compiler brings such a loop in whole, chains of iterators it does not.
    for k in 0..pairs.len().min(voice_pairs.len()) {
        wish.take::<ALL, 2>(state, &mut pairs[k], &voice_pairs[k]);
    }
    if let [level] = rest {
        wish.take::<ALL, 1>(state, std::array::from_mut(level), &[voices[whole]]);
    }
}

/// What [`want`] needs to know, in the forms that it needs it in.
struct Wish {
    threshold: Narrow,
    slope: Narrow,
    cap: Narrow,
    relative: Narrow,
    release: Wide,
    release_new: Wide,
}

impl Wish {
    /// Several samples in a row.
    #[inline(always)]
    fn take<const ALL: bool, const N: usize>(
        &self,
        held: &mut Wide,
        levels: &mut [Wide; N],
        voices: &[Wide; N],
    ) {
        let level = log2::<N>(several(|k| levels[k].narrow().max(Narrow::all(SILENCE))));
        let mut over: [Narrow; N] = several(|k| level[k] - self.threshold);
        if ALL {
            let voice = log2::<N>(several(|k| voices[k].narrow().max(Narrow::all(VOICE_FLOOR))));
            over = several(|k| over[k] - self.relative * voice[k]);
        }
        let wanted: [Narrow; N] = several(|k| (self.slope * over[k]).max(Narrow::all(0.0)).min(self.cap));
        for k in 0..N {
            let wanted = wanted[k].wide();
            *held = wanted.max(self.release * *held + self.release_new * wanted);
            levels[k] = *held;
        }
    }
}

/// Smooths the reduction by the attack and takes it off the band.
#[inline(always)]
fn apply<const ALL: bool>(
    p: &[Wide; PARAMS],
    state: &mut Wide,
    buffer: &mut [Wide],
    parts: &Lines,
    tops: &Lines,
    levels: &Lines,
) {
    let take = Take { p, bell: p[BELL].narrow(), attack_new: Wide::all(1.0) - p[ATTACK] };
    let (fours, rest) = buffer.as_chunks_mut::<4>();
    let (four_parts, four_tops, four_levels) =
        (parts.as_chunks::<4>().0, tops.as_chunks::<4>().0, levels.as_chunks::<4>().0);
    let count = fours.len().min(four_parts.len());
    for k in 0..count {
        take.off::<ALL, 4>(state, &mut fours[k], &four_parts[k], &four_tops[k], &four_levels[k]);
    }
    #[expect(clippy::needless_range_loop, reason = "loops told by number are brought in whole")]
    for k in 0..rest.len() {
        let (sample, at) = (std::array::from_mut(&mut rest[k]), count * 4 + k);
        take.off::<ALL, 1>(state, sample, &[parts[at]], &[tops[at]], &[levels[at]]);
    }
}

/// What [`apply`] needs to know, in the forms that it needs it in.
struct Take<'a> {
    p: &'a [Wide; PARAMS],
    bell: Narrow,
    attack_new: Wide,
}

impl Take<'_> {
    /// Several samples in a row.
    #[inline(always)]
    fn off<const ALL: bool, const N: usize>(
        &self,
        reduction: &mut Wide,
        samples: &mut [Wide; N],
        parts: &[Wide; N],
        tops: &[Wide; N],
        held: &[Wide; N],
    ) {
        let (p, one) = (self.p, Narrow::all(1.0));
        let mut quarters = [Narrow::all(0.0); N];
        for k in 0..N {
            *reduction = p[ATTACK] * *reduction + self.attack_new * held[k];
            // An octave of power is half a one of amplitude: the root of the gain is a quarter of it.
            quarters[k] = reduction.narrow() * Narrow::all(-0.25);
        }
        let root = exp2(quarters);
        for k in 0..N {
            let less = root[k] - one;
            if ALL {
                let of_part = (less * (one + self.bell * root[k])).wide();
                let of_top = (less * (one + root[k])).wide();
                let change = of_part * parts[k] + of_top * tops[k];
                let band = parts[k] + tops[k];
                samples[k] = p[HEAR_INPUT] * samples[k] + p[HEAR_CHANGE] * change + p[HEAR_BAND] * band;
            } else {
                samples[k] = samples[k] + (less * (one + root[k])).wide() * parts[k];
            }
        }
    }
}
