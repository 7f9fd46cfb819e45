//! A group at work: from its channels' blocks into the slots, through the stages, and back.

use super::glide::Ramp;
use super::{
    BLOCK, Blocks, COMPRESS, COMPRESS_STATE, DEESS, DEESS_STATE, DRIVE, DRIVE_STATE, EQ, EQ_STATE, FLUSH,
    GAIN, GLIDE, GRID, Group, PARAMS, Place, compress, deess, drive, eq,
};
use crate::song::tone::Stage;
use crate::sound::SILENT;
use crate::sound::wide::{SLOTS, Wide};

impl Group {
    /// Processes `frames` frames from position `at` on, in place. `channel` is asked for the block of each channel, once
    /// to read and once to write for every [`BLOCK`] frames or less; blocks that are too short are left alone from their
    /// end on. Realtime-safe.
    pub fn process(&mut self, at: i64, frames: usize, blocks: &mut impl Blocks) {
        if self.next != Some(at) && self.next.is_some() {
            self.reset();
        }
        self.next = Some(at.saturating_add_unsigned(frames as u64));
        let mut done = 0;
        while done < frames {
            let count = (frames - done).min(BLOCK);
            // Told before: a glide that ends within the block has still changed what lies before its end.
            let gliding = self.gliding > 0;
            self.load(blocks, done, count);
            let at = at.saturating_add_unsigned(done as u64);
            self.arch.dispatch(Run { group: self, at, count });
            self.store(blocks, done, count, gliding);
            done += count;
        }
    }

    /// The slots whose channels are changed.
    fn touched(&self, gliding: bool) -> impl Iterator<Item = (usize, Place)> {
        let places = self.places.into_iter().enumerate();
        places.filter_map(move |(slot, place)| place.filter(|p| gliding || !p.idle).map(|p| (slot, p)))
    }

    fn load(&mut self, blocks: &mut impl Blocks, from: usize, count: usize) {
        for slot in 0..SLOTS {
            let Some(place) = self.places[slot] else { continue };
            let block = blocks.block(place.voice, place.channel);
            let samples = block.get(from..).unwrap_or_default();
            for (wide, sample) in self.buffer[..count].iter_mut().zip(samples) {
                wide.0[slot] = clean(*sample);
            }
        }
    }

    fn store(&self, blocks: &mut impl Blocks, from: usize, count: usize, gliding: bool) {
        for (slot, place) in self.touched(gliding) {
            let block = blocks.block(place.voice, place.channel);
            let samples = block.get_mut(from..).unwrap_or_default();
            for (wide, sample) in self.buffer[..count].iter().zip(samples) {
                *sample = rounded(wide.0[slot]);
            }
        }
    }

    /// Runs the stages over the buffer, cut at the multiples of [`GRID`].
    #[inline(always)]
    fn run(&mut self, at: i64, count: usize) {
        let mut done = 0;
        while done < count {
            let place = at.saturating_add_unsigned(done as u64);
            let phase = place.rem_euclid(GRID.cast_signed());
            if phase == 0 {
                self.glide();
                if place.rem_euclid(FLUSH.cast_signed()) == 0 {
                    self.flush();
                }
            }
            let left = usize::try_from(GRID.cast_signed() - phase).unwrap_or(1);
            let end = (done + left).min(count);
            self.stages(done, end, usize::try_from(phase).unwrap_or(0));
            done = end;
        }
    }

    /// Makes tiny numbers 0, before they become denormal.
    #[inline(always)]
    fn flush(&mut self) {
        for wide in self.state.iter_mut() {
            *wide = wide.flushed();
        }
    }

    #[inline(always)]
    fn stages(&mut self, from: usize, to: usize, phase: usize) {
        let moves = (1..=GLIDE).contains(&self.gliding);
        let ramp = |place: usize, step: &[Wide; PARAMS]| Ramp {
            step: if moves { step[place] } else { Wide::ZERO },
            phase,
        };
        let squeezes =
            [ramp(COMPRESS + compress::MAKEUP, &self.step), ramp(COMPRESS + compress::MIX, &self.step)];
        let gain = ramp(GAIN, &self.step);
        let drives = moves.then(|| [ramp(DRIVE, &self.step), ramp(DRIVE + 2, &self.step)]);
        let Group { params, state, buffer, room, has, link, .. } = self;
        let buffer = &mut buffer[from..to];
        for stage in self.order {
            match stage {
                Stage::Eq => eq::process(
                    &self.sections[..self.section_count],
                    &params[EQ..EQ + eq::PARAMS],
                    &mut state[EQ_STATE..EQ_STATE + eq::STATE],
                    buffer,
                ),
                Stage::Deess => {
                    let Some(needs) = has.deess else { continue };
                    deess::process(
                        needs,
                        *link,
                        &params[DEESS..DEESS + deess::PARAMS],
                        &mut state[DEESS_STATE..DEESS_STATE + deess::STATE],
                        room,
                        buffer,
                    );
                }
                Stage::Compress => {
                    let Some(needs) = has.compress else { continue };
                    let needs = compress::Needs { glides: moves, ..needs };
                    compress::process(
                        needs,
                        *link,
                        &params[COMPRESS..COMPRESS + compress::PARAMS],
                        &mut state[COMPRESS_STATE..COMPRESS_STATE + compress::STATE],
                        room,
                        buffer,
                        squeezes,
                    );
                }
                Stage::Drive if has.drive => drive::process(
                    &self.filters,
                    &params[DRIVE..DRIVE + drive::PARAMS],
                    drives,
                    &mut state[DRIVE_STATE..DRIVE_STATE + drive::STATE],
                    buffer,
                ),
                _ => {}
            }
        }
        if has.gain {
            for (index, wide) in buffer.iter_mut().enumerate() {
                *wide = *wide * (params[GAIN] + gain.at(index));
            }
        }
    }
}

/// The inner loops, compiled once for each kind of processor. A struct, not a closure: the compiler must be able to
/// bring all of it into the function that may use the wide instructions.
struct Run<'a> {
    group: &'a mut Group,
    at: i64,
    count: usize,
}

impl pulp::WithSimd for Run<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        self.group.run(self.at, self.count);
    }
}

/// A sample as f64; what is no number or beyond all reason is silence, so that it cannot stay in a filter for ever.
#[inline(always)]
fn clean(sample: f32) -> f64 {
    if sample.abs() < 1e6 { f64::from(sample) } else { 0.0 }
}

/// A sample as f32, 0 where it would be denormal.
#[inline(always)]
#[expect(clippy::cast_possible_truncation, reason = "this is where audio becomes f32 again")]
fn rounded(value: f64) -> f32 {
    if value.abs() < SILENT { 0.0 } else { value as f32 }
}
