//! A group: its slots, and the parameters in them.

use super::{
    BLOCK, COMPRESS, COMPRESS_STATE, DB_PER_OCTAVE, DEESS, DEESS_STATE, DRIVE, EQ, GAIN, GRID, Group, Has,
    Hear, LONGEST_TAIL_S, PARAMS, Place, Reduction, Room, STATE, Search, Voice, compress, deess, drive, eq,
    sections,
};
use crate::song::Tone;
use crate::song::tone::Stage;
use crate::sound::wide::{SLOTS, Wide};

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

/// Frames at `rate` Hz until what was before is no longer heard through a tone: see [`PREROLL_BOUND_DB`](super::PREROLL_BOUND_DB).
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
    pub(super) fn new(order: [Stage; 4]) -> Group {
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
    pub(super) fn room(&self, channels: usize) -> Option<usize> {
        (0..SLOTS)
            .step_by(channels)
            .find(|&slot| self.places[slot..slot + channels].iter().all(Option::is_none))
    }

    pub(super) fn place(&mut self, slot: usize, index: usize, voice: &Voice, channels: usize, rate: f64) {
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
    pub(super) fn update_uses(&mut self) {
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

    pub(super) fn reduction(&self, slot: usize) -> Reduction {
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
}
