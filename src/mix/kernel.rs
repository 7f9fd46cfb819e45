//! The kernel: renders any block of a plan, for the loudspeaker and for the bounce alike.
//!
//! - **Realtime-safe.** Nothing here allocates, locks, waits or fails. A [`Samples`] used in the callback
//!   must keep to the same.
//! - **Independent of the block.** A sample depends on its position alone: positions are 64-bit, the gain
//!   of a sample in a fade is computed from its number in the fade, and sums have a fixed order. Any split
//!   of a stretch into blocks gives the same bits.
//! - **Precision.** Audio is f32. Inside fades each sample is multiplied in f64 and rounded once; outside it
//!   is multiplied by one f32 factor, or left alone where the factor is 1. The bus is f64: the product
//!   of an f32 sample and a pan gain fits, so that a stack of a hundred lanes carries one rounding to f32 in
//!   the end instead of a hundred, and stems add up to their stack far below −120 dB.

use std::ops::Range;

use crate::song::{AssetId, Position};
use crate::sound::pan::PanGains;

use super::plan::{PlanLane, Segment};

/// Where the kernel gets samples from.
pub trait Samples {
    /// Fills `out` with the frames `from..from + out.len()` of one channel (0 or 1) of `asset`, conformed to
    /// the plan's rate. Frames that do not exist or are not at hand become 0; an implementation
    /// remembers why, since the kernel cannot stop for it.
    fn fill(&mut self, asset: AssetId, channel: u16, from: u64, out: &mut [f32]);
}

/// Room for one side of a crossfade while the other is in the lane's block. Made outside the callback.
#[derive(Debug)]
pub struct Scratch {
    channels: [Vec<f32>; 2],
}

impl Scratch {
    /// Room for `frames` frames, at least one. Any size gives the same samples; one as long as the
    /// blocks asks [`Samples`] least often. Allocates.
    #[must_use]
    pub fn new(frames: usize) -> Scratch {
        let frames = frames.max(1);
        Scratch { channels: [vec![0.0; frames], vec![0.0; frames]] }
    }

    fn frames(&self) -> usize {
        self.channels[0].len()
    }
}

/// Renders the lane from `start` on: edits, region gain, fades, lane gain and polarity, before its pan.
///
/// `out` holds [`PlanLane::channels`] slices of one length and is overwritten whole; further slices become
/// silence, missing ones are not rendered. Blocks of any length, 0 too. Realtime-safe.
pub fn render_lane<S: Samples + ?Sized>(
    lane: &PlanLane,
    start: Position,
    out: &mut [&mut [f32]],
    samples: &mut S,
    scratch: &mut Scratch,
) {
    render_edits(lane, start, out, samples, scratch);
    set_level(lane.level, out);
}

/// The first half of [`render_lane`]: edits, region gain and fades. What shapes a lane's tone goes between
/// this and [`set_level`]. Realtime-safe.
pub fn render_edits<S: Samples + ?Sized>(
    lane: &PlanLane,
    start: Position,
    out: &mut [&mut [f32]],
    samples: &mut S,
    scratch: &mut Scratch,
) {
    let frames = out.iter().map(|channel| channel.len()).min().unwrap_or(0);
    let (out, rest) = out.split_at_mut(out.len().min(usize::from(lane.channels)));
    rest.iter_mut().for_each(|channel| channel.fill(0.0));
    let end = start.0.saturating_add_unsigned(frames as u64);
    // Offset in the block up to which it holds samples.
    let mut done = 0;
    let first = lane.segments.partition_point(|segment| segment.end <= start);
    for segment in lane.segments.get(first..).unwrap_or_default() {
        if segment.at.0 >= end {
            break;
        }
        let from = offset(segment.at, start, frames);
        let to = offset(segment.end, start, frames);
        if from > done {
            out.iter_mut().for_each(|channel| channel[done..from].fill(0.0));
            done = from;
        }
        // Where the segment before still sounds this one is added to it ...
        let mut place = from;
        while place < done.min(to) {
            let next = done.min(to).min(place + scratch.frames());
            add_part(lane, segment, start, place..next, out, samples, scratch);
            place = next;
        }
        // ... and from there on it stands alone.
        if place < to {
            write_part(lane, segment, start, place..to, out, samples);
        }
        done = done.max(to);
    }
    out.iter_mut().for_each(|channel| channel[done..].fill(0.0));
}

/// Offset of `at` in a block of `frames` frames from `start` on, held inside the block.
fn offset(at: Position, start: Position, frames: usize) -> usize {
    usize::try_from(at.since(start).0).map_or(frames, |offset| offset.min(frames))
}

fn write_part<S: Samples + ?Sized>(
    lane: &PlanLane,
    segment: &Segment,
    start: Position,
    range: Range<usize>,
    out: &mut [&mut [f32]],
    samples: &mut S,
) {
    let first = number_in(segment, start, range.start);
    match out {
        [mono] => render_part(lane, segment, first, &mut [&mut mono[range]], samples),
        [left, right] => {
            render_part(lane, segment, first, &mut [&mut left[range.clone()], &mut right[range]], samples)
        }
        _ => {}
    }
}

fn add_part<S: Samples + ?Sized>(
    lane: &PlanLane,
    segment: &Segment,
    start: Position,
    range: Range<usize>,
    out: &mut [&mut [f32]],
    samples: &mut S,
    scratch: &mut Scratch,
) {
    let first = number_in(segment, start, range.start);
    let [left, right] = &mut scratch.channels;
    let (left, right) = (&mut left[..range.len()], &mut right[..range.len()]);
    match out {
        [_] => render_part(lane, segment, first, &mut [&mut *left], samples),
        [_, _] => render_part(lane, segment, first, &mut [&mut *left, &mut *right], samples),
        _ => {}
    }
    for (channel, other) in out.iter_mut().zip([left, right]) {
        channel[range.clone()].iter_mut().zip(other).for_each(|(sum, sample)| *sum += *sample);
    }
}

/// Number within the segment of the sample at `offset` of a block that begins at `start`.
fn number_in(segment: &Segment, start: Position, offset: usize) -> u64 {
    Position(start.0.saturating_add_unsigned(offset as u64)).since(segment.at).0
}

/// Renders the segment's samples from number `first` on into `out`, one slice for each channel of the lane.
fn render_part<S: Samples + ?Sized>(
    lane: &PlanLane,
    segment: &Segment,
    first: u64,
    out: &mut [&mut [f32]],
    samples: &mut S,
) {
    let from = segment.source_in.saturating_add(first);
    let highpass = segment.highpass.and_then(|index| lane.highpasses.get(index));
    for (number, channel) in (0..segment.channels).zip(out.iter_mut()) {
        samples.fill(segment.asset, number, from, channel);
        if let Some(low) = highpass {
            low.take_from(samples, segment.asset, number, from, channel);
        }
    }
    if let [left, right] = out
        && segment.channels == 1
    {
        right.copy_from_slice(left);
    }
    apply_gain(segment, first, out);
}

/// Multiplies samples from number `first` on by the segment's gain and fades. Three stretches, each with
/// its own loop, so that no sample asks which one it is in.
fn apply_gain(segment: &Segment, first: u64, out: &mut [&mut [f32]]) {
    let frames = out.first().map_or(0, |channel| channel.len());
    let within =
        |number: u64| usize::try_from(number.saturating_sub(first)).map_or(frames, |n| n.min(frames));
    let fade_out_at = segment.length() - segment.fade_out.length();
    let (rise, fall) = (within(segment.fade_in.length()), within(fade_out_at));
    apply_ramp(segment.gain, out, 0..rise, |at, gains| segment.fade_in.fill_rising(first + at, gains));
    for channel in out.iter_mut() {
        scale(&mut channel[rise..fall], segment.gain);
    }
    // Number within the fade-out of the sample at `fall`.
    let into = first.saturating_sub(fade_out_at);
    apply_ramp(segment.gain, out, fall..frames, |at, gains| segment.fade_out.fill_falling(into + at, gains));
}

/// Multiplies the samples in `range` by `gain` and by what `fill` gives for them: it is told how far
/// into the range it is.
fn apply_ramp(gain: f64, out: &mut [&mut [f32]], range: Range<usize>, fill: impl Fn(u64, &mut [f64])) {
    // Gains are made once for both channels, in a piece of stack that stays in the fastest cache.
    let mut gains = [0.0; 128];
    let mut place = range.start;
    while place < range.end {
        let count = gains.len().min(range.end - place);
        let gains = &mut gains[..count];
        fill((place - range.start) as u64, gains);
        for channel in out.iter_mut() {
            for (sample, ramp) in channel[place..place + count].iter_mut().zip(&*gains) {
                *sample = round(f64::from(*sample) * (gain * ramp));
            }
        }
        place += count;
    }
}

/// The second half of [`render_lane`]: multiplies by a lane's level. Realtime-safe.
pub fn set_level(level: f64, out: &mut [&mut [f32]]) {
    out.iter_mut().for_each(|channel| scale(channel, level));
}

fn scale(samples: &mut [f32], factor: f64) {
    let factor = round(factor);
    if factor != 1.0 {
        samples.iter_mut().for_each(|sample| *sample *= factor);
    }
}

/// Two sides of sums in f64, of one length.
#[derive(Debug)]
pub struct Bus<'a> {
    /// The left side.
    pub left: &'a mut [f64],
    /// The right side.
    pub right: &'a mut [f64],
}

impl Bus<'_> {
    /// Makes it silent, before the first lane is added. Realtime-safe.
    pub fn clear(&mut self) {
        self.left.fill(0.0);
        self.right.fill(0.0);
    }

    /// Rounds the sums to f32. Realtime-safe.
    pub fn take(&self, left: &mut [f32], right: &mut [f32]) {
        for (sums, out) in [(&*self.left, left), (&*self.right, right)] {
            out.iter_mut().zip(sums).for_each(|(sample, sum)| *sample = round(*sum));
        }
    }
}

/// Pans a lane's block (one slice: mono; two: left and right) with `gains` and adds it to the bus.
/// Lanes added in the same order give the same bits. Realtime-safe.
pub fn mix_into(gains: PanGains, block: &[&[f32]], bus: &mut Bus<'_>) {
    let arch = pulp::Arch::new();
    match block {
        [] => {}
        [mono] => arch.dispatch(AddMono { mono, gains, left: bus.left, right: bus.right }),
        [left, right, ..] => {
            arch.dispatch(Add { samples: left, gain: gains.left, sums: bus.left });
            arch.dispatch(Add { samples: right, gain: gains.right, sums: bus.right });
        }
    }
}

/// One loop for both sides: each sample is fetched and widened once. Compiled for what the processor has.
struct AddMono<'a> {
    mono: &'a [f32],
    gains: PanGains,
    left: &'a mut [f64],
    right: &'a mut [f64],
}

impl pulp::WithSimd for AddMono<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let AddMono { mono, gains, left, right } = self;
        let frames = mono.len().min(left.len()).min(right.len());
        let (mono, left, right) = (&mono[..frames], &mut left[..frames], &mut right[..frames]);
        for index in 0..frames {
            let sample = f64::from(mono[index]);
            left[index] += sample * gains.left;
            right[index] += sample * gains.right;
        }
    }
}

/// One side.
struct Add<'a> {
    samples: &'a [f32],
    gain: f64,
    sums: &'a mut [f64],
}

impl pulp::WithSimd for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let frames = self.samples.len().min(self.sums.len());
        let (samples, sums) = (&self.samples[..frames], &mut self.sums[..frames]);
        for index in 0..frames {
            sums[index] += f64::from(samples[index]) * self.gain;
        }
    }
}

/// Pans a lane's block (one slice: mono; two: left and right) with `gains` into `left` and `right`: what
/// [`mix_into`] adds, rounded to f32. Realtime-safe.
pub fn pan_into(gains: PanGains, block: &[&[f32]], left: &mut [f32], right: &mut [f32]) {
    let (from_left, from_right) = match block {
        [mono] => (*mono, *mono),
        [left, right, ..] => (*left, *right),
        [] => return,
    };
    for (from, gain, to) in [(from_left, gains.left, left), (from_right, gains.right, right)] {
        to.iter_mut().zip(from).for_each(|(out, sample)| *out = round(f64::from(*sample) * gain));
    }
}

#[expect(clippy::cast_possible_truncation, reason = "this is where audio becomes f32 again")]
fn round(value: f64) -> f32 {
    value as f32
}
