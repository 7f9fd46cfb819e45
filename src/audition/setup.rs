//! Times and levels of the engine, in samples of the stream.

use crate::song::Linear;

/// Times and levels of the engine. All times are whole samples at the session's rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setup {
    /// Samples per second of the stream and of the plan.
    pub rate: u32,
    /// Monitor level.
    pub level: Linear,
    /// Rise of the first play, from silence to the monitor level.
    pub rise: u64,
    /// Rise of every later play and fall of every stop; 0 starts and ends hard.
    pub ramp: u64,
    /// Crossfade from what was heard to what is heard now: an edit, a solo, a jump.
    pub swap: u64,
    /// Crossfade at the end of a loop.
    pub seam: u64,
    /// Time of a change of the monitor level.
    pub glide: u64,
    /// Longest wait for samples that a jump or a start needs.
    pub patience: u64,
    /// Longest wait for samples that an edit or another choice of lanes needs.
    pub swap_patience: u64,
}

impl Setup {
    /// The usual times at `rate` Hz: 3 ms swaps, 5 ms seams and ramps, 1.5 s first rise, level −20 dB.
    #[must_use]
    pub fn new(rate: u32) -> Setup {
        let ms = |ms: u64| (u64::from(rate) * ms).div_ceil(1000);
        Setup {
            rate,
            level: Linear(0.1),
            rise: ms(1500),
            ramp: ms(5),
            swap: ms(3).max(1),
            seam: ms(5),
            glide: ms(30),
            patience: ms(120),
            swap_patience: ms(12),
        }
    }

    /// The same, at unity from the first sample on: for files and for comparing.
    #[must_use]
    pub fn at_unity(rate: u32) -> Setup {
        Setup { level: Linear(1.0), rise: 0, ramp: 0, ..Setup::new(rate) }
    }
}
