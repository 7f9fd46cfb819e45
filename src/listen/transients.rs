//! Clicks and pops: single jumps of the waveform, and blows of air into the microphone.

use std::collections::VecDeque;

use super::frames::{Frame, db};
use super::heard::{Sound, SoundKind};
use super::levels::Levels;

/// Frames on either side that a click is held against.
const BESIDE: usize = 8;
/// A click's waveform bends so many times more sharply than anything beside it ...
const SHARPER: f32 = 6.0;
/// ... and at least so much (linear; common practice, no source).
const LEAST_BEND: f32 = 0.004;
/// A pop's power below 80 Hz rises so far above that of 100 ms before ...
const RISE_DB: f32 = 15.0;
/// ... stands at most this far below the voice's level ...
const UNDER_VOICE_DB: f32 = 6.0;
/// ... and above all that sounds higher up, by this.
const OVER_REST_DB: f32 = 0.0;
/// Frames of 100 ms.
const EARLIER: usize = 40;
/// A pop lasts from 20 to 250 ms.
const SHORTEST: u64 = 8;
const LONGEST: u64 = 100;

/// Looks for clicks and pops.
pub struct Transients {
    bends: VecDeque<f32>,
    lows: VecDeque<f32>,
    least_low_db: f32,
    pop: Option<(u64, f32)>,
    frame: u64,
    found: Vec<Sound>,
}

impl Transients {
    pub fn new(levels: &Levels) -> Transients {
        Transients {
            bends: VecDeque::new(),
            lows: VecDeque::new(),
            least_low_db: levels.voice_db - UNDER_VOICE_DB,
            pop: None,
            frame: 0,
            found: Vec::new(),
        }
    }

    /// The next frame.
    pub fn push(&mut self, frame: &Frame) {
        self.bends.push_back(frame.bend);
        if self.bends.len() > 2 * BESIDE + 1 {
            self.bends.pop_front();
        }
        if self.bends.len() == 2 * BESIDE + 1 {
            self.click();
        }
        self.air(frame);
        self.frame += 1;
    }

    /// What was found, in frames of the analysis.
    pub fn finish(self) -> Vec<Sound> {
        self.found
    }

    fn click(&mut self) {
        let here = self.bends.get(BESIDE).copied().unwrap_or(0.0);
        // The bend of one jump may touch the frame before or after it.
        let far = |index: usize| index.abs_diff(BESIDE) > 1;
        let beside = self.bends.iter().enumerate().filter(|(index, _)| far(*index)).map(|(_, bend)| *bend);
        let beside = beside.fold(0.0, f32::max);
        let largest = self.bends.iter().copied().fold(0.0, f32::max) <= here;
        if here >= LEAST_BEND && here > beside * SHARPER && largest {
            let at = self.frame - BESIDE as u64;
            if self.found.last().is_none_or(|last| last.kind != SoundKind::Click || last.end < at) {
                let sharper = here / (beside * SHARPER).max(1e-6);
                self.found.push(Sound {
                    kind: SoundKind::Click,
                    start: at,
                    end: at + 1,
                    level_db: db(here * here),
                    centre_hz: 0.0,
                    confidence: (0.5 + 0.25 * sharper.log2()).clamp(0.5, 1.0),
                });
            }
        }
    }

    fn air(&mut self, frame: &Frame) {
        let low = db(frame.low);
        self.lows.push_back(low);
        let earlier =
            if self.lows.len() > EARLIER { self.lows.pop_front() } else { self.lows.front().copied() };
        let strong = low > self.least_low_db && low > db(frame.broad()) + OVER_REST_DB;
        match self.pop {
            None if strong && low > earlier.unwrap_or(low) + RISE_DB => self.pop = Some((self.frame, low)),
            Some((start, peak)) if strong => self.pop = Some((start, peak.max(low))),
            Some((start, peak)) => {
                if (SHORTEST..=LONGEST).contains(&(self.frame - start)) {
                    self.found.push(Sound {
                        kind: SoundKind::Pop,
                        start,
                        end: self.frame,
                        level_db: peak,
                        centre_hz: 0.0,
                        confidence: ((peak - self.least_low_db) / 12.0).clamp(0.3, 1.0),
                    });
                }
                self.pop = None;
            }
            None => {}
        }
    }
}
