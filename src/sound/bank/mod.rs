//! The processors of lanes' tones, eight channels at a time.
//!
//! A [`Bank`] is made from the tones of the channels that have one and holds them in [`Group`]s of eight slots: one
//! vector instruction serves eight channels, also in filters, where a sample waits for the one before it. Lanes of one
//! group have their stages in one order.
//!
//! **Contract.** [`Bank::new`] allocates; everything else is realtime-safe. A group is given blocks one after the
//! other; if a block does not begin where the last one ended, it begins anew from silence, so that what it gives depends
//! on nothing but the sound since then. Inner work is cut at positions that are multiples of [`GRID`], never at the ends
//! of blocks: any split gives the same bits. Latency is 0 for all of it; the tail is [`Group::tail`] frames, after which
//! what was before is no longer heard: [`PREROLL_BOUND_DB`] tells how little.
//!
//! **Gliding.** [`Bank::adopt`] takes over the state of another bank; parameters then move to their new values in steps of
//! [`GRID`] frames over [`GLIDE`] of them; gains move with every sample.
//!
//! **Off.** A channel whose tone does nothing, and which is not gliding, is not touched at all.

mod compress;
mod curve;
mod deess;
mod drive;
mod eq;
mod glide;
mod group;
mod run;

use std::f64::consts::LOG10_2;

use super::wide::{SLOTS, Wide};
use crate::song::Tone;
use crate::song::tone::Stage;

pub use curve::{compress_curve, deess_curve, deess_response_db, eq_response_db};
pub use eq::{MOST_SEARCH_DB, Search, band_filter, sections};
pub use group::tail_frames;

use glide::Ramp;

/// Frames between two places where parameters move; work is cut there, wherever blocks end.
pub const GRID: u64 = 64;
/// Frames between two places where numbers too small to matter are made 0; a multiple of [`GRID`].
const FLUSH: u64 = 8 * GRID;
/// Steps of a glide: 12 of 64 frames are 16 ms at 48 kHz.
pub const GLIDE: u32 = 12;
/// Most frames that a group takes at once.
pub const BLOCK: usize = 128;
/// After a pre-roll of [`Group::tail`] frames what comes out differs by less than this, relative to the sound, from what
/// would come out after a start further back.
pub const PREROLL_BOUND_DB: f64 = -50.0;

/// dB in an octave of power.
const DB_PER_OCTAVE: f64 = 10.0 * LOG10_2;
/// Longest tail in seconds: releases longer than that are cut short when sound begins in mid-song.
const LONGEST_TAIL_S: f64 = 4.0;

const EQ: usize = 0;
const DEESS: usize = EQ + eq::PARAMS;
const COMPRESS: usize = DEESS + deess::PARAMS;
const DRIVE: usize = COMPRESS + compress::PARAMS;
const GAIN: usize = DRIVE + drive::PARAMS;
const PARAMS: usize = GAIN + 1;

const EQ_STATE: usize = 0;
const DEESS_STATE: usize = EQ_STATE + eq::STATE;
const COMPRESS_STATE: usize = DEESS_STATE + deess::STATE;
const DRIVE_STATE: usize = COMPRESS_STATE + compress::STATE;
const STATE: usize = DRIVE_STATE + drive::STATE;

/// The factor of a one-pole smoother that comes 63 % of its way in `seconds`: exp(−1/(seconds·rate)).
#[must_use]
fn decay(seconds: f64, rate: f64) -> f64 {
    if seconds > 0.0 { (-1.0 / (seconds * rate)).exp() } else { 0.0 }
}

/// Factors of the old average and of the new power; twice the power, so that a full-scale sine comes to 1.
fn smooth_power(seconds: f64, rate: f64) -> (f64, f64) {
    let old = decay(seconds, rate);
    (old, 2.0 * (1.0 - old))
}

/// Memories of one branch of a half-band filter with so many sections in both.
const fn pairs(sections: usize) -> usize {
    sections / 2 + 1
}

/// As many samples as lie between two places of the grid.
type Lines = [Wide; GRID as usize];

/// Room for what passes between the loops of a stage.
#[derive(Debug, Clone)]
struct Room {
    first: Lines,
    second: Lines,
    third: Lines,
    fourth: Lines,
}

/// What of a channel is heard. All but [`Hear::Tone`] are for listening while working.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Hear {
    /// Its tone.
    #[default]
    Tone,
    /// What the de-esser takes out, alone; the stages after it are left out.
    DeessTakes,
    /// The band that the de-esser's detector hears, alone; the stages after it are left out.
    DeessDetector,
}

/// A lane for a [`Bank`].
#[derive(Debug, Clone)]
pub struct Voice<'a> {
    /// A number by which [`Bank::adopt`] finds it again: the lane's id.
    pub key: u64,
    /// Its tone.
    pub tone: &'a Tone,
    /// Channels: 1 or 2. Two share their detectors, so that the image stays where it is.
    pub channels: usize,
    /// What of it is heard.
    pub hear: Hear,
    /// A search boost, for listening.
    pub search: Option<Search>,
}

/// A channel's place in a group.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The voice's index in what the bank was made from.
    pub voice: usize,
    /// Its channel.
    pub channel: usize,
    key: u64,
    /// True if its settled parameters change nothing.
    idle: bool,
}

/// How much a lane's dynamics take away right now, in dB.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reduction {
    /// The de-esser.
    pub deess_db: f64,
    /// The compressor.
    pub compress_db: f64,
}

/// Up to eight channels that are processed together.
#[derive(Debug, Clone)]
pub struct Group {
    arch: pulp::Arch,
    places: [Option<Place>; SLOTS],
    order: [Stage; 4],
    /// Sections that some channel needs, the first so many of them.
    sections: [usize; eq::SECTIONS],
    section_count: usize,
    has: Has,
    filters: drive::Filters,
    /// 1 in both slots of a stereo lane.
    link: Wide,
    params: Box<[Wide; PARAMS]>,
    target: Box<[Wide; PARAMS]>,
    step: Box<[Wide; PARAMS]>,
    /// Steps of a glide that are left.
    gliding: u32,
    state: Box<[Wide; STATE]>,
    /// Parameters of a channel without a tone.
    idle: [f64; PARAMS],
    buffer: Box<[Wide; BLOCK]>,
    room: Box<Room>,
    /// Where the next block must begin to go on.
    next: Option<i64>,
    tail: u64,
}

/// Which stages some channel of a group needs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Has {
    deess: Option<deess::Needs>,
    compress: Option<compress::Needs>,
    drive: bool,
    gain: bool,
}

/// The processors of many channels.
#[derive(Debug, Clone)]
pub struct Bank {
    groups: Vec<Group>,
}

impl Bank {
    /// Makes the processors of `voices` at `rate` Hz; silence lies behind them. Parameters out of range are held
    /// within it. Allocates.
    ///
    /// Voices whose tone does nothing may be left out; those that are given have a slot all the same, so that they
    /// can glide from the tone that they had.
    #[must_use]
    pub fn new(voices: &[Voice], rate: u32) -> Bank {
        let mut groups: Vec<Group> = Vec::new();
        for (index, voice) in voices.iter().enumerate() {
            let channels = voice.channels.clamp(1, 2);
            let fits = |group: &&mut Group| group.order == voice.tone.order && group.room(channels).is_some();
            let group = match groups.iter_mut().find(fits) {
                Some(group) => group,
                None => {
                    groups.push(Group::new(voice.tone.order));
                    let last = groups.len() - 1;
                    &mut groups[last]
                }
            };
            if let Some(slot) = group.room(channels) {
                group.place(slot, index, voice, channels, f64::from(rate));
            }
        }
        Bank { groups }
    }

    /// Its groups.
    #[must_use]
    pub fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// Its groups, to be processed in any order and on any threads.
    pub fn groups_mut(&mut self) -> &mut [Group] {
        &mut self.groups
    }

    /// Begins anew from silence. Realtime-safe.
    pub fn reset(&mut self) {
        self.groups.iter_mut().for_each(Group::reset);
    }

    /// Takes over the state of the channels that `old` has as well, and glides from its parameters; channels that
    /// it does not have glide from no tone. Realtime-safe.
    pub fn adopt(&mut self, old: &Bank) {
        for group in &mut self.groups {
            group.adopt(old);
        }
    }

    /// Takes over state and parameters of a bank of the same build, as kept before: a loop that begins each pass from
    /// the state that it began its first one with sounds the same every time. True if the two are alike; else
    /// nothing happens. Realtime-safe.
    pub fn restore(&mut self, kept: &Bank) -> bool {
        let alike = |(a, b): (&Group, &Group)| a.places == b.places && a.order == b.order;
        if self.groups.len() != kept.groups.len() || !self.groups.iter().zip(&kept.groups).all(alike) {
            return false;
        }
        for (group, kept) in self.groups.iter_mut().zip(&kept.groups) {
            group.state.copy_from_slice(&*kept.state);
            group.params.copy_from_slice(&*kept.params);
            group.step.copy_from_slice(&*kept.step);
            group.gliding = kept.gliding;
            group.next = kept.next;
            (group.sections, group.section_count, group.has) = (kept.sections, kept.section_count, kept.has);
        }
        true
    }

    /// What the dynamics of the voice with this key take away right now. Realtime-safe.
    #[must_use]
    pub fn reduction(&self, key: u64) -> Option<Reduction> {
        let (group, slot) = self.find(key, 0)?;
        Some(group.reduction(slot))
    }

    /// Tells for each voice, by its index, what its dynamics take away right now. Realtime-safe.
    pub fn reductions(&self, tell: &mut dyn FnMut(usize, Reduction)) {
        for group in &self.groups {
            for (slot, place) in group.places.iter().enumerate() {
                if let Some(place) = place.filter(|place| place.channel == 0) {
                    tell(place.voice, group.reduction(slot));
                }
            }
        }
    }

    fn find(&self, key: u64, channel: usize) -> Option<(&Group, usize)> {
        self.groups.iter().find_map(|group| {
            let is = |place: &Option<Place>| place.is_some_and(|p| p.key == key && p.channel == channel);
            group.places.iter().position(is).map(|slot| (group, slot))
        })
    }
}

/// Where a group finds the blocks of its channels.
pub trait Blocks {
    /// The block of one channel of the voice with this index.
    fn block(&mut self, voice: usize, channel: usize) -> &mut [f32];
}
