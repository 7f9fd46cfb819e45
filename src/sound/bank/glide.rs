//! Gliding: how parameters move from the ones of before to a bank's own.

use super::eq;
use super::{Bank, COMPRESS, DEESS, EQ, GLIDE, GRID, Group, PARAMS, compress, deess};
use crate::sound::wide::{SLOTS, Wide};

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
pub(super) struct Ramp {
    /// How far it moves until the next place.
    pub(super) step: Wide,
    /// Samples since the last place.
    pub(super) phase: usize,
}

impl Ramp {
    /// Does not move.
    pub(super) const STILL: Ramp = Ramp { step: Wide::ZERO, phase: 0 };

    /// What to add for a sample, counted from the start of the piece. Told from its number, so that any split of blocks
    /// gives the same.
    #[inline(always)]
    pub(super) fn at(&self, index: usize) -> Wide {
        self.step * Wide::all((self.phase + index) as f64 / GRID as f64)
    }
}

impl Group {
    pub(super) fn adopt(&mut self, old: &Bank) {
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

    /// The next step of a glide.
    #[inline(always)]
    pub(super) fn glide(&mut self) {
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
}
