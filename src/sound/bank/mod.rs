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

use std::f64::consts::LOG10_2;

use super::wide::{SLOTS, Wide};
use crate::song::Tone;
use crate::song::tone::Stage;

pub use curve::{compress_curve, deess_curve, deess_response_db, eq_response_db};
pub use eq::{MOST_SEARCH_DB, Search, band_filter, sections};

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

/// Where the parameters of a stage with dynamics stand.
#[derive(Debug, Clone, Copy)]
struct Dynamics {
    first: usize,
    count: usize,
    /// How much it does: 0 is nothing.
    slope: usize,
    /// How much of what it does is heard.
    part: usize,
    /// What is part of the sound whatever the slope.
    apart: &'static [usize],
}

const DYNAMICS: [Dynamics; 2] = [
    Dynamics {
        first: DEESS,
        count: deess::PARAMS,
        slope: DEESS + deess::SLOPE,
        part: DEESS + deess::HEAR_CHANGE,
        apart: &[DEESS + deess::HEAR_INPUT, DEESS + deess::HEAR_CHANGE, DEESS + deess::HEAR_BAND],
    },
    Dynamics {
        first: COMPRESS,
        count: compress::PARAMS,
        slope: COMPRESS + compress::SLOPE,
        part: COMPRESS + compress::MIX,
        apart: &[COMPRESS + compress::MAKEUP],
    },
];

impl Dynamics {
    /// All but the slope and what is apart.
    fn settings(self) -> impl Iterator<Item = usize> {
        let all = self.first..self.first + self.count;
        all.filter(move |place| *place != self.slope && !self.apart.contains(place))
    }
}

/// Factors of a section that passes everything.
const IDENTITY: [f64; 5] = [1.0, 0.0, 0.0, 0.0, 0.0];

/// The sections of every slot, by the place of their first factor.
fn each_section() -> impl Iterator<Item = (usize, usize)> {
    (0..SLOTS).flat_map(|slot| (0..eq::SECTIONS).map(move |section| (slot, EQ + section * 5)))
}

/// The factors of a section in a slot.
fn factors(params: &[Wide; PARAMS], slot: usize, place: usize) -> [f64; 5] {
    std::array::from_fn(|index| params[place + index].0[slot])
}

/// The stages with dynamics of every slot.
fn each_dynamics() -> impl Iterator<Item = (usize, Dynamics)> {
    (0..SLOTS).flat_map(|slot| DYNAMICS.into_iter().map(move |dynamics| (slot, dynamics)))
}

/// How a parameter moves within a stretch between two places of the grid.
#[derive(Debug, Clone, Copy)]
struct Ramp {
    /// How far it moves until the next place.
    step: Wide,
    /// Samples since the last place.
    phase: usize,
}

impl Ramp {
    /// Does not move.
    const STILL: Ramp = Ramp { step: Wide::ZERO, phase: 0 };

    /// What to add for a sample, counted from the start of the piece. Told from its number, so that any split of blocks
    /// gives the same.
    #[inline(always)]
    fn at(&self, index: usize) -> Wide {
        self.step * Wide::all((self.phase + index) as f64 / GRID as f64)
    }
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

/// One slot's parameters of all stages.
fn column(voice: &Voice, rate: f64) -> [f64; PARAMS] {
    // What is heard alone is heard as it is there: later stages are left out.
    let mut tone = voice.tone.clone();
    if voice.hear != Hear::Tone && tone.acts(Stage::Deess) {
        let place = tone.order.iter().position(|stage| *stage == Stage::Deess).unwrap_or(0);
        tone.skip.extend_from_slice(&tone.order[place + 1..]);
        tone.gain_db.0 = 0.0;
    }
    let mut column = [0.0; PARAMS];
    let sections = sections(&tone, voice.search, rate);
    for (factors, section) in column[EQ..].chunks_exact_mut(5).zip(&sections) {
        factors.copy_from_slice(&section.factors());
    }
    column[DEESS..DEESS + deess::PARAMS].copy_from_slice(&deess::column(&tone, voice.hear, rate));
    column[COMPRESS..COMPRESS + compress::PARAMS].copy_from_slice(&compress::column(&tone, rate));
    column[DRIVE..DRIVE + drive::PARAMS].copy_from_slice(&drive::column(&tone));
    column[GAIN] = if tone.bypass { 1.0 } else { 10f64.powf(tone.gain_db.0 / 20.0) };
    // The rules of a song have it so already; here it keeps a knob turned live from spoiling the sound for good.
    column.map(|value| if value.is_finite() { value } else { 0.0 })
}

/// The parameters of a channel without a tone, the same at every rate.
fn idle_column() -> [f64; PARAMS] {
    let none = Tone::default();
    column(&Voice { key: 0, tone: &none, channels: 1, hear: Hear::Tone, search: None }, 48_000.0)
}

/// Frames at `rate` Hz until what was before is no longer heard through a tone: see [`PREROLL_BOUND_DB`].
#[must_use]
pub fn tail_frames(tone: &Tone, rate: u32) -> u64 {
    tail(tone, None, f64::from(rate))
}

fn tail(tone: &Tone, search: Option<Search>, rate: f64) -> u64 {
    let mut seconds = eq::tail_s(&sections(tone, search, rate), rate);
    if let Some(deess) = tone.deess.filter(|_| tone.acts(Stage::Deess)) {
        let hold = if deess.relative { deess::HOLD_S } else { 0.0 };
        seconds += 8.0 * (deess.attack_ms + deess.release_ms) / 1000.0 + 8.0 * hold + 0.03;
    }
    if let Some(compress) = tone.compress.filter(|_| tone.acts(Stage::Compress)) {
        seconds += 8.0 * (compress.attack_ms + compress.release_ms) / 1000.0 + 0.08;
    }
    if tone.acts(Stage::Drive) {
        seconds += 200.0 / rate;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few seconds")]
    let frames = (seconds.min(LONGEST_TAIL_S) * rate).ceil() as u64;
    frames
}

impl Group {
    fn new(order: [Stage; 4]) -> Group {
        let none = idle_column();
        let idle = none.map(Wide::all);
        Group {
            arch: pulp::Arch::new(),
            places: [None; SLOTS],
            order,
            sections: [0; eq::SECTIONS],
            section_count: 0,
            has: Has::default(),
            filters: drive::Filters::new(),
            link: Wide::ZERO,
            params: Box::new(idle),
            target: Box::new(idle),
            step: Box::new([Wide::ZERO; PARAMS]),
            gliding: 0,
            state: Box::new([Wide::ZERO; STATE]),
            idle: none,
            buffer: Box::new([Wide::ZERO; BLOCK]),
            room: Box::new(Room {
                first: [Wide::ZERO; GRID as usize],
                second: [Wide::ZERO; GRID as usize],
                third: [Wide::ZERO; GRID as usize],
                fourth: [Wide::ZERO; GRID as usize],
            }),
            next: None,
            tail: 0,
        }
    }

    /// The first slot from which on so many are free; two lie side by side from an even slot on.
    fn room(&self, channels: usize) -> Option<usize> {
        (0..SLOTS)
            .step_by(channels)
            .find(|&slot| self.places[slot..slot + channels].iter().all(Option::is_none))
    }

    fn place(&mut self, slot: usize, index: usize, voice: &Voice, channels: usize, rate: f64) {
        let column = column(voice, rate);
        let idle = column == self.idle;
        for channel in 0..channels {
            let slot = slot + channel;
            self.places[slot] = Some(Place { voice: index, channel, key: voice.key, idle });
            self.link.0[slot] = if channels == 2 { 1.0 } else { 0.0 };
            for (target, value) in self.target.iter_mut().zip(&column) {
                target.0[slot] = *value;
            }
        }
        self.params.clone_from(&self.target);
        self.tail = self.tail.max(tail(voice.tone, voice.search, rate));
        self.update_uses();
    }

    /// Finds out which stages and sections some channel needs, now or while it glides.
    fn update_uses(&mut self) {
        let (params, target) = (&self.params, &self.target);
        let any = |place: usize, neutral: f64| {
            let differs = |wide: &Wide| wide.0.iter().any(|value| *value != neutral);
            differs(&params[place]) || differs(&target[place])
        };
        let identity = [1.0, 0.0, 0.0, 0.0, 0.0];
        let moves = |from: usize| identity.iter().zip(from..).any(|(neutral, place)| any(place, *neutral));
        let mut used = (0..eq::SECTIONS).filter(|section| moves(EQ + section * 5));
        let mut sections = [0; eq::SECTIONS];
        let mut count = 0;
        for (place, section) in sections.iter_mut().zip(&mut used) {
            *place = section;
            count += 1;
        }
        let link = self.link != Wide::ZERO;
        let compresses = any(COMPRESS + compress::SLOPE, 0.0) || any(COMPRESS + compress::MAKEUP, 0.0);
        let has = Has {
            deess: (DEESS..DEESS + 4).any(|place| any(place, 0.0)).then(|| deess::Needs {
                shelf: any(DEESS + deess::HIGH, 0.0),
                follows: any(DEESS + deess::RELATIVE, 0.0),
                ear: any(DEESS + deess::HEAR_INPUT, 1.0)
                    || any(DEESS + deess::HEAR_CHANGE, 1.0)
                    || self.step[DEESS + deess::HEAR_CHANGE] != Wide::ZERO,
                link,
            }),
            compress: compresses.then(|| compress::Needs {
                filter: any(COMPRESS + 1, 0.0),
                rms: any(COMPRESS + compress::POWER_NEW, 0.0),
                link,
                glides: false,
            }),
            drive: any(DRIVE + 2, 0.0),
            gain: any(GAIN, 1.0),
        };
        (self.sections, self.section_count, self.has) = (sections, count, has);
    }

    /// The channels that it holds.
    pub fn places(&self) -> impl Iterator<Item = Place> {
        self.places.into_iter().flatten()
    }

    /// Frames after which what was before is no longer heard: the pre-roll that a start in mid-song needs. All lanes
    /// of a group have the longest of them.
    #[must_use]
    pub fn tail(&self) -> u64 {
        self.tail
    }

    /// True if a block at `at` goes on from the one before. Realtime-safe.
    #[must_use]
    pub fn stands_at(&self, at: i64) -> bool {
        self.next == Some(at)
    }

    /// Lets a block at `at` go on from the state as it is. Realtime-safe.
    pub fn move_to(&mut self, at: i64) {
        self.next = Some(at);
    }

    fn reduction(&self, slot: usize) -> Reduction {
        let of = |place: usize| self.state[place].0[slot] * DB_PER_OCTAVE;
        Reduction {
            deess_db: of(DEESS_STATE + deess::REDUCTION),
            compress_db: of(COMPRESS_STATE + compress::REDUCTION),
        }
    }

    /// Begins anew from silence, with every parameter at its value. Realtime-safe.
    pub fn reset(&mut self) {
        self.state.fill(Wide::ZERO);
        self.params.copy_from_slice(&*self.target);
        self.gliding = 0;
        self.next = None;
    }

    fn adopt(&mut self, old: &Bank) {
        self.next = None;
        for slot in 0..SLOTS {
            let Some(place) = self.places[slot] else { continue };
            let Some((from, other)) = old.find(place.key, place.channel) else {
                for (param, idle) in self.params.iter_mut().zip(self.idle) {
                    param.0[slot] = idle;
                }
                continue;
            };
            for (state, old) in self.state.iter_mut().zip(from.state.iter()) {
                state.0[slot] = old.0[other];
            }
            for (param, old) in self.params.iter_mut().zip(from.params.iter()) {
                param.0[slot] = old.0[other];
            }
            self.next = self.next.or(from.next);
        }
        self.enter_stages();
        let steps = f64::from(GLIDE);
        for (step, (target, param)) in self.step.iter_mut().zip(self.target.iter().zip(self.params.iter())) {
            *step = (*target - *param) * Wide::all(1.0 / steps);
        }
        self.leave_stages();
        self.gliding = if self.params == self.target { 0 } else { GLIDE + 1 };
        self.update_uses();
    }

    /// Dynamics that come in have their times and thresholds at once and are faded in by their slope: on the way from none,
    /// an attack would be no time at all.
    ///
    /// A filter that comes in has its poles at once, and its zeros on them: so it passes what it gets, and comes in as if it were
    /// mixed in. Halfway to its poles it would be another filter.
    fn enter_stages(&mut self) {
        for (slot, place) in each_section() {
            let [_, _, _, a1, a2] = factors(&self.target, slot, place);
            if factors(&self.params, slot, place) == IDENTITY {
                for (index, value) in [1.0, a1, a2, a1, a2].into_iter().enumerate() {
                    self.params[place + index].0[slot] = value;
                }
            }
        }
        for (slot, dynamics) in each_dynamics() {
            if self.params[dynamics.slope].0[slot] == 0.0 {
                for place in dynamics.settings() {
                    self.params[place].0[slot] = self.target[place].0[slot];
                }
            }
        }
    }

    /// Dynamics that go keep theirs until their slope has faded out, filters keep their poles until their zeros lie on them.
    fn leave_stages(&mut self) {
        for (slot, place) in each_section() {
            let [b0, b1, b2, a1, a2] = factors(&self.params, slot, place);
            if factors(&self.target, slot, place) == IDENTITY {
                let ways = [1.0 - b0, a1 - b1, a2 - b2, 0.0, 0.0];
                for (index, way) in ways.into_iter().enumerate() {
                    self.step[place + index].0[slot] = way / f64::from(GLIDE);
                }
            }
        }
        for (slot, dynamics) in each_dynamics() {
            if self.target[dynamics.slope].0[slot] == 0.0 {
                for place in dynamics.settings() {
                    self.step[place].0[slot] = 0.0;
                }
                // What is still held back by a slow release goes with the slope, not all at once in the end.
                let part = dynamics.part;
                self.step[part].0[slot] = -self.params[part].0[slot] / f64::from(GLIDE);
            }
        }
    }

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

    /// The next step of a glide.
    #[inline(always)]
    fn glide(&mut self) {
        if self.gliding > GLIDE {
            // Processors that came in new hear a stretch of sound before they begin to change it.
            self.gliding -= 1;
        } else if self.gliding > 0 {
            self.gliding -= 1;
            if self.gliding == 0 {
                self.params.copy_from_slice(&*self.target);
            } else {
                for (param, step) in self.params.iter_mut().zip(self.step.iter()) {
                    *param = *param + *step;
                }
            }
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

/// Where a group finds the blocks of its channels.
pub trait Blocks {
    /// The block of one channel of the voice with this index.
    fn block(&mut self, voice: usize, channel: usize) -> &mut [f32];
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
    if value.abs() < 1e-30 { 0.0 } else { value as f32 }
}
