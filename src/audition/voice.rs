//! A voice: a scene heard from a place on, rendered into a bus with the kernel of the bounce.

use std::sync::Arc;

use super::head::{Head, Stretch};
use super::listening::{Scene, Way};
use super::source::Source;
use super::taps::TapsIn;
use super::tone_set::{ToneSet, Toned};
use crate::mix::{Bus, PlanLane, Scratch, mix_into, render_lane, set_level};
use crate::song::{Length, Position};

/// Frames rendered at a time; a callback of any length is split into such pieces. Long enough that the kernel's
/// work outweighs its calls, short enough that all buffers stay in the fastest cache.
pub(super) const CHUNK: usize = 512;

/// A scene heard from a place on.
#[derive(Debug)]
pub(super) struct Voice {
    pub(super) scene: Arc<Scene>,
    pub(super) head: Head,
    /// The processors of the lanes that are heard; `None` if none has any.
    pub(super) tones: Option<Box<ToneSet>>,
}

/// Where a voice is, or will be.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) scene: Arc<Scene>,
    pub(super) head: Head,
}

impl Voice {
    pub(super) fn place(&self) -> Place {
        Place { scene: Arc::clone(&self.scene), head: self.head }
    }
}

/// Where the lanes of a voice go besides the bus, for the meters.
pub(super) struct Tapped<'a> {
    pub(super) taps: &'a mut TapsIn,
    /// Frames for which there was no room.
    pub(super) lost: u64,
}

/// Buffers, made before the stream starts.
pub(super) struct Work {
    lane: [Vec<f32>; 2],
    pub(super) scratch: Scratch,
    seam: [Vec<f64>; 2],
    /// What is heard now, and what was heard before the change that is under way.
    pub(super) buses: [[Vec<f64>; 2]; 2],
}

impl Work {
    pub(super) fn new() -> Work {
        let bus = || [vec![0.0; CHUNK], vec![0.0; CHUNK]];
        Work {
            lane: [vec![0.0; CHUNK], vec![0.0; CHUNK]],
            scratch: Scratch::new(CHUNK),
            seam: bus(),
            buses: [bus(), bus()],
        }
    }

    /// Renders the next `frames` frames, at most [`CHUNK`], of a voice into a bus and moves its head. Realtime-safe.
    pub(super) fn render<S: Source + ?Sized>(
        &mut self,
        voice: &mut Voice,
        to: usize,
        frames: usize,
        seam: u64,
        source: &mut S,
        mut tapped: Option<&mut Tapped<'_>>,
    ) {
        let Work { lane, scratch, seam: spare, buses } = self;
        let Some([left, right]) = buses.get_mut(to) else { return };
        let Voice { scene, head, tones } = voice;
        let mut done = 0;
        while done < frames {
            let stretch = head.stretch(frames - done, seam);
            let range = done..done + stretch.frames;
            let mut bus = Bus { left: &mut left[range.clone()], right: &mut right[range] };
            if let (Some(tones), Some(part)) = (tones.as_deref_mut(), stretch.seam) {
                tones.begin_rising(part.from);
            }
            let toned = tones.as_deref_mut().map(ToneSet::playing);
            mix(scene, toned, stretch.at, &mut bus, lane, scratch, source, tapped.as_deref_mut());
            if let Some(part) = stretch.seam {
                let [left, right] = &mut *spare;
                let mut rising =
                    Bus { left: &mut left[..stretch.frames], right: &mut right[..stretch.frames] };
                let toned = tones.as_deref_mut().map(ToneSet::rising);
                mix(scene, toned, part.from, &mut rising, lane, scratch, source, None);
                blend(&mut bus, &rising, part.number, part.length);
            }
            let round = head.advance(stretch.frames);
            if let Some(tones) = tones {
                if round {
                    tones.go_round(head.at);
                }
                // What is on its way out does not see another pass.
                if let Some(span) = head.looped.filter(|span| to == 0 && head.at < span.end) {
                    tones.prepare(scene, span, seam, stretch.frames, scratch, source);
                }
            }
            done += stretch.frames;
        }
    }

    /// Crossfades from the bus of what was heard to the bus of what is heard. Realtime-safe.
    pub(super) fn swap(&mut self, frames: usize, number: u64, length: u64) {
        let [[left, right], [old_left, old_right]] = &mut self.buses;
        for (new, old) in [(left, old_left), (right, old_right)] {
            for ((new, old), number) in new.iter_mut().zip(old.iter()).take(frames).zip(number..) {
                // In this form two equal samples give exactly themselves.
                *new = *old + (*new - *old) * place(number, length);
            }
        }
    }
}

fn blend(falling: &mut Bus<'_>, rising: &Bus<'_>, number: u64, length: u64) {
    for (old, new) in [(&mut *falling.left, &*rising.left), (&mut *falling.right, &*rising.right)] {
        for ((old, new), number) in old.iter_mut().zip(new).zip(number..) {
            *old += (*new - *old) * place(number, length);
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "crossfades are far shorter than 2^52 samples")]
fn place(number: u64, length: u64) -> f64 {
    (number as f64 + 0.5) / length as f64
}

/// Sums the heard lanes of a scene from `at` on, in the order of the lanes, as the bounce does.
#[expect(clippy::too_many_arguments, reason = "buffers that were made before the stream starts")]
fn mix<S: Source + ?Sized>(
    scene: &Scene,
    mut toned: Option<Toned<'_>>,
    at: Position,
    bus: &mut Bus<'_>,
    [left, right]: &mut [Vec<f32>; 2],
    scratch: &mut Scratch,
    source: &mut S,
    mut tapped: Option<&mut Tapped<'_>>,
) {
    bus.clear();
    let frames = bus.left.len();
    if let Some(toned) = &mut toned {
        toned.run(scene, at, frames, scratch, source);
    }
    let mut through = 0;
    let (left, right) = (&mut left[..frames], &mut right[..frames]);
    for (index, (lane, way)) in scene.plan().lanes().iter().zip(&scene.ways).enumerate() {
        let Some(way) = way else { continue };
        let own = toned.as_mut().filter(|toned| toned.stage.rows().get(through) == Some(&index));
        if let Some([left, right]) = own.and_then(|toned| toned.blocks.get_mut(through)) {
            through += 1;
            let (left, right) = (left.get_mut(..frames), right.get_mut(..frames));
            finish(lane, *way, (left, right), tapped.as_deref_mut().map(|tapped| (tapped, index)), bus);
            continue;
        }
        // What does not sound here adds zeros to sums that are never a negative zero: no bit would change.
        if !sounds(lane, at, frames) {
            continue;
        }
        let stereo = lane.channels > 1;
        if stereo {
            render_lane(lane, at, &mut [&mut *left, &mut *right], source, scratch);
        } else {
            render_lane(lane, at, &mut [&mut *left], source, scratch);
        }
        let channels: &[&[f32]] = if stereo { &[&*left, &*right] } else { &[&*left] };
        if let Some(tapped) = tapped.as_deref_mut()
            && !tapped.taps.put(index, channels)
        {
            tapped.lost += frames as u64;
        }
        add(*way, left, right, stereo, bus);
    }
    if scene.mono {
        for (left, right) in bus.left.iter_mut().zip(bus.right.iter_mut()) {
            let middle = (*left + *right) * 0.5;
            (*left, *right) = (middle, middle);
        }
    }
}

/// A lane behind its processors: level, meter, pan.
fn finish(
    lane: &PlanLane,
    way: Way,
    (left, right): (Option<&mut [f32]>, Option<&mut [f32]>),
    tapped: Option<(&mut Tapped<'_>, usize)>,
    bus: &mut Bus<'_>,
) {
    let (left, right) = (left.unwrap_or_default(), right.unwrap_or_default());
    let stereo = lane.channels > 1;
    set_level(lane.level, &mut [&mut *left, &mut *right]);
    let channels: [&[f32]; 2] = [&*left, &*right];
    if let Some((tapped, index)) = tapped
        && !tapped.taps.put(index, &channels[..if stereo { 2 } else { 1 }])
    {
        tapped.lost += left.len() as u64;
    }
    add(way, left, right, stereo, bus);
}

fn add(way: Way, left: &mut [f32], right: &[f32], stereo: bool, bus: &mut Bus<'_>) {
    if stereo && way.folded {
        left.iter_mut().zip(right).for_each(|(left, right)| *left = (*left + *right) * 0.5);
    }
    if stereo && !way.folded {
        mix_into(way.gains, &[left, right], bus);
    } else {
        mix_into(way.gains, &[left], bus);
    }
}

/// True if a region of the lane sounds in the stretch.
fn sounds(lane: &PlanLane, at: Position, frames: usize) -> bool {
    let first = lane.segments.partition_point(|segment| segment.end <= at);
    lane.segments.get(first).is_some_and(|segment| segment.at < at + Length(frames as u64))
}

/// True if everything that the next `frames` frames of a voice need is at hand. Realtime-safe.
pub(super) fn at_hand<S: Source + ?Sized>(voice: &Place, frames: usize, seam: u64, source: &S) -> bool {
    let mut head = voice.head;
    let mut left = frames;
    // A loop of a few samples goes round without end: a few passes tell enough.
    for _ in 0..8 {
        if left == 0 {
            break;
        }
        let stretch: Stretch = head.stretch(left, seam);
        let length = Length(stretch.frames as u64);
        let rising = stretch.seam.is_none_or(|seam| stretch_at_hand(&voice.scene, seam.from, length, source));
        if !rising || !stretch_at_hand(&voice.scene, stretch.at, length, source) {
            return false;
        }
        head.advance(stretch.frames);
        left -= stretch.frames;
    }
    true
}

/// True if all samples of a stretch are at hand. Realtime-safe.
pub(super) fn stretch_at_hand<S: Source + ?Sized>(
    scene: &Scene,
    at: Position,
    length: Length,
    source: &S,
) -> bool {
    let end = at + length;
    scene.heard().all(|(_, lane)| {
        let first = lane.segments.partition_point(|segment| segment.end <= at);
        let here = lane.segments.iter().skip(first).take_while(|segment| segment.at < end);
        here.into_iter().all(|segment| {
            let (from, to) = segment.frames(at.max(segment.at), end.min(segment.end));
            source.has(segment.asset, from, to - from)
        })
    })
}
