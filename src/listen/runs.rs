//! The second hearing: frames become runs of one class.

use super::frames::{BANDS, Frame, NOTHING, db};
use super::levels::Levels;

/// What a frame sounds like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    Quiet,
    Voiced,
    Sibilant,
    Noise,
}

/// Frames of one class in a row.
#[derive(Debug, Clone, Copy)]
pub struct Run {
    pub class: Class,
    /// First frame, and one past the last.
    pub start: u64,
    pub end: u64,
    /// Sum of the power of its frames, and the loudest of them in dB.
    pub power: f64,
    pub peak_db: f32,
    /// Most evidence of any of its frames.
    pub peak_score: f32,
    /// Sum of the power above 2 kHz, and of that times its centre in Hz.
    pub hiss: f64,
    pub moment: f64,
    /// Frames that are loud enough to be the voice's beyond doubt.
    pub core: u64,
    /// First and last frame with strong evidence, if any.
    pub strong: Option<(u64, u64)>,
}

impl Run {
    /// Length in frames.
    pub fn frames(&self) -> u64 {
        self.end - self.start
    }

    /// Mean level in dBFS rms.
    pub fn level_db(&self) -> f32 {
        db((self.power / self.frames().max(1) as f64) as f32)
    }

    /// Centre of gravity above 2 kHz in Hz; 0 if nothing is there.
    pub fn centre_hz(&self) -> f32 {
        if self.hiss > f64::from(NOTHING) { (self.moment / self.hiss) as f32 } else { 0.0 }
    }

    /// Adds what `other`, which comes after it, holds; the class stays.
    pub fn take_in(&mut self, other: &Run) {
        self.end = self.end.max(other.end);
        self.power += other.power;
        self.peak_db = self.peak_db.max(other.peak_db);
        self.peak_score = self.peak_score.max(other.peak_score);
        self.hiss += other.hiss;
        self.moment += other.moment;
        self.core += other.core;
        self.strong = match (self.strong, other.strong) {
            (Some((first, _)), Some((_, last))) => Some((first, last)),
            (one, two) => one.or(two),
        };
    }
}

/// Evidence, in standard deviations of the gaps' own swing, from which on something sounds ...
const ON: f32 = 4.5;
/// ... down to which it goes on sounding ...
const OFF: f32 = 2.5;
/// ... unless it stays below for so many frames.
const HOLD: u64 = 6;
/// Evidence that stands beyond doubt.
const STRONG: f32 = 10.0;
/// So many frames in a row make a new class; fewer are taken for a slip.
const SETTLE: u64 = 4;
/// Regularity from which on a sound has a pitch: noise reaches 0.5 by chance.
const PITCHED: f32 = 0.6;
/// An s lies at most so far under the voice's level: -10 dB on average after Jongman, Wayland and Wong, JASA 108:1252
/// (2000); what is weaker than this is f, th, or breath.
const SIBILANT_UNDER_DB: f32 = 24.0;
/// Band from which on the power counts as high, and the one below which as low.
const HIGH_BAND: usize = 7;
const LOW_BANDS: usize = 5;

/// Builds runs.
pub struct Runs {
    levels: Levels,
    runs: Vec<Run>,
    frame: u64,
    sounding: bool,
    below: u64,
    /// Runs of a class that has not settled yet.
    waiting: Option<Run>,
}

impl Runs {
    pub fn new(levels: Levels) -> Runs {
        Runs { levels, runs: Vec::new(), frame: 0, sounding: false, below: 0, waiting: None }
    }

    /// The next frame.
    pub fn push(&mut self, frame: &Frame) {
        let score = score(&self.levels, frame);
        self.below = if score < OFF { self.below + 1 } else { 0 };
        if !self.sounding && score >= ON {
            self.sounding = true;
        } else if self.sounding && self.below >= HOLD {
            self.sounding = false;
            self.give_back(HOLD - 1);
        }
        let class = if self.sounding { self.class(frame) } else { Class::Quiet };
        let one = self.run_of(class, frame, score);
        self.append(one);
        self.frame += 1;
    }

    /// All runs that are not quiet.
    pub fn finish(mut self) -> Vec<Run> {
        self.settle();
        self.runs.retain(|run| run.class != Class::Quiet);
        self.runs
    }

    fn run_of(&self, class: Class, frame: &Frame, score: f32) -> Run {
        let (broad, level) = (frame.broad(), db(frame.broad()));
        let strong = level > self.levels.ceiling_db + 1.0 || score > STRONG;
        Run {
            class,
            start: self.frame,
            end: self.frame + 1,
            power: f64::from(broad),
            peak_db: level,
            peak_score: score,
            hiss: f64::from(frame.hiss),
            moment: f64::from(frame.hiss) * f64::from(frame.centre_hz),
            core: u64::from(level > self.levels.core_db),
            strong: strong.then_some((self.frame, self.frame)),
        }
    }

    fn class(&self, frame: &Frame) -> Class {
        let above = |band: usize| (frame.smooth[band] - 10f32.powf(self.levels.middle[band] / 10.0)).max(0.0);
        let high: f32 = (HIGH_BAND..BANDS).map(above).sum();
        let low: f32 = (0..LOW_BANDS).map(above).sum();
        if high > low && db(high) > self.levels.voice_db - SIBILANT_UNDER_DB {
            return Class::Sibilant;
        }
        let clear =
            low > 10f32.powf(self.levels.middle[..LOW_BANDS].iter().copied().fold(-120.0, f32::max) / 10.0);
        if frame.voicing > PITCHED && clear && low > high { Class::Voiced } else { Class::Noise }
    }

    /// The last `frames` frames turn out to be quiet.
    fn give_back(&mut self, frames: u64) {
        self.settle();
        let from = self.frame.saturating_sub(frames);
        while let Some(last) = self.runs.last_mut() {
            if last.class == Class::Quiet || last.end <= from {
                break;
            }
            if last.start >= from {
                self.runs.pop();
                continue;
            }
            last.end = from;
            break;
        }
    }

    fn append(&mut self, one: Run) {
        let Some(last) = self.runs.last_mut() else {
            self.runs.push(one);
            return;
        };
        if self.waiting.is_none() && last.class == one.class && last.end == one.start {
            last.take_in(&one);
            return;
        }
        // Sound and quiet are told apart by their evidence alone and need no settling.
        if (last.class == Class::Quiet) != (one.class == Class::Quiet)
            || last.end < one.start && self.waiting.is_none()
        {
            self.settle();
            self.runs.push(one);
            return;
        }
        match &mut self.waiting {
            Some(waiting) if waiting.class == one.class => waiting.take_in(&one),
            Some(_) if last.class == one.class => {
                self.slip();
                if let Some(last) = self.runs.last_mut() {
                    last.take_in(&one);
                }
            }
            Some(waiting) => {
                let kept = waiting.class;
                waiting.take_in(&one);
                // Two unlike slips in a row: the later one decides.
                waiting.class = if waiting.frames() >= SETTLE { one.class } else { kept };
            }
            None => self.waiting = Some(one),
        }
        if self.waiting.is_some_and(|waiting| waiting.frames() >= SETTLE) {
            self.settle();
        }
    }

    /// What waits was a slip: it belongs to the run before it.
    fn slip(&mut self) {
        if let (Some(waiting), Some(last)) = (self.waiting.take(), self.runs.last_mut()) {
            last.take_in(&waiting);
        }
    }

    /// What waits is a run of its own if it is long enough.
    fn settle(&mut self) {
        match self.waiting {
            Some(waiting) if waiting.frames() >= SETTLE => {
                self.waiting = None;
                match self.runs.last_mut() {
                    Some(last) if last.class == waiting.class && last.end == waiting.start => {
                        last.take_in(&waiting);
                    }
                    _ => self.runs.push(waiting),
                }
            }
            _ => self.slip(),
        }
    }
}

/// How much speaks for sound in a frame, in standard deviations: in the low bands, the high bands or all of them, since
/// an f fills only the high ones and a soft m only the low ones.
fn score(levels: &Levels, frame: &Frame) -> f32 {
    let mut z = [0.0f32; BANDS];
    for (z, (power, (middle, swing))) in
        z.iter_mut().zip(frame.smooth.iter().zip(levels.middle.iter().zip(&levels.swing)))
    {
        *z = ((db(*power) - middle) / swing).clamp(-1.0, 6.0);
    }
    let of = |part: &[f32]| part.iter().sum::<f32>() / (part.len() as f32).sqrt();
    of(&z).max(of(&z[..BANDS / 2])).max(of(&z[BANDS / 2..]))
}
