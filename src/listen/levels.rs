//! The first hearing: how loud the voice is, how loud what lies between its phrases, band by band.
//!
//! What counts as a gap is not known before the whole take was heard, and the take is not kept in memory. So levels are
//! counted in histograms that are told apart by how loud it gets within 150 ms on either side: once it is known how
//! loud the voice is, the rows of those places where nothing loud is near are the gaps.

use std::collections::VecDeque;

use super::frames::{BANDS, Frame, NOTHING, PER_SECOND, db};

/// Frames on either side within which nothing loud may lie for a frame to count as gap.
const AROUND: usize = 60;
/// Rows by the loudest level around, 2 dB each from -120 dBFS on.
const ROWS: usize = 61;
const ROW_DB: f32 = 2.0;
/// Bins of level, 0.5 dB each from -120 dBFS on.
const BINS: usize = 250;
const BIN_DB: f32 = 0.5;
/// Frames below this are digital black: gated, or before the recording began.
const BLACK_DB: f32 = -110.0;
/// A voice lies so far below its usual level at its softest, as a rule (common practice, no source).
const SOFT_DB: f32 = 32.0;
/// Sound so far above the quiet is more than a swing of the noise.
const CLEAR_DB: f32 = 9.0;
/// A voice that stands less than this above the quiet parts of the take cannot be told from them.
const LEAST_CONTRAST_DB: f32 = 10.0;

/// What the first hearing found; levels in dBFS rms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// Level of the voice: half of the take's energy lies above it.
    pub voice_db: f32,
    /// Median level between the phrases.
    pub floor_db: f32,
    /// What lies between the phrases seldom gets louder: its 95th percentile.
    pub ceiling_db: f32,
    /// Sound above this is the voice's.
    pub core_db: f32,
    /// Median level between the phrases in each band.
    pub middle: [f32; BANDS],
    /// How far the levels there swing upwards, as a standard deviation in dB.
    pub swing: [f32; BANDS],
    /// Whether there was at least 0.3 s between phrases to measure at.
    pub has_gaps: bool,
    /// Whether the take holds any sound at all.
    pub silent: bool,
    /// Whether anything stands out of the quiet.
    pub contrast: bool,
}

/// Counts levels.
pub struct Survey {
    /// `counts[(row * (BANDS + 1) + band) * BINS + bin]`; the last band is the sum of all.
    counts: Vec<u32>,
    recent: VecDeque<([f32; BANDS], f32)>,
    pushed: u64,
}

impl Survey {
    pub fn new() -> Survey {
        Survey { counts: vec![0; ROWS * (BANDS + 1) * BINS], recent: VecDeque::new(), pushed: 0 }
    }

    /// The next frame.
    pub fn push(&mut self, frame: &Frame) {
        self.recent.push_back((frame.smooth.map(db), db(frame.broad())));
        self.pushed += 1;
        if self.recent.len() > 2 * AROUND {
            self.count(AROUND);
            self.recent.pop_front();
        } else if self.recent.len() > AROUND {
            self.count(self.recent.len() - 1 - AROUND);
        }
    }

    fn count(&mut self, index: usize) {
        let loudest = self.recent.iter().map(|(_, broad)| *broad).fold(-120.0, f32::max);
        let row = (((loudest + 120.0) / ROW_DB) as usize).min(ROWS - 1);
        let Some((bands, broad)) = self.recent.get(index) else { return };
        for (band, level) in bands.iter().chain([broad]).enumerate() {
            let bin = (((level + 120.0) / BIN_DB).max(0.0) as usize).min(BINS - 1);
            if let Some(count) = self.counts.get_mut((row * (BANDS + 1) + band) * BINS + bin) {
                *count = count.saturating_add(1);
            }
        }
    }

    /// Ends the counting.
    pub fn finish(mut self) -> Levels {
        // The last frames have less around them.
        let from = self.recent.len().saturating_sub(AROUND);
        (from..self.recent.len()).for_each(|index| self.count(index));
        let whole = self.histogram(BANDS, ROWS);
        let sounding = whole.from(BLACK_DB);
        let mut levels = Levels {
            voice_db: sounding.half_of_energy(),
            floor_db: -120.0,
            ceiling_db: -120.0,
            core_db: 0.0,
            middle: [-120.0; BANDS],
            swing: [1.0; BANDS],
            has_gaps: false,
            silent: sounding.total() == 0,
            contrast: false,
        };
        if levels.silent {
            return levels;
        }
        // The quiet of a take that was gated is the black between its phrases.
        let quiet = whole.percentile(0.10);
        levels.contrast = levels.voice_db - quiet >= LEAST_CONTRAST_DB;
        levels.core_db = (quiet + CLEAR_DB).max(levels.voice_db - SOFT_DB).min(levels.voice_db - 6.0);
        let rows = ((levels.core_db + 120.0) / ROW_DB).max(0.0) as usize;
        let gap = self.histogram(BANDS, rows);
        levels.has_gaps = gap.total() >= u64::from(PER_SECOND) * 3 / 10;
        for band in 0..BANDS {
            let (middle, swing) = match levels.has_gaps {
                true => self.histogram(band, rows).middle_and_swing(),
                false => (self.histogram(band, ROWS).percentile(0.05), 2.0),
            };
            levels.middle[band] = middle;
            levels.swing[band] = swing;
        }
        let (floor, ceiling) =
            if levels.has_gaps { (gap.percentile(0.5), gap.percentile(0.95)) } else { (quiet, quiet) };
        levels.floor_db = floor;
        levels.ceiling_db = ceiling;
        levels
    }

    /// Levels of a band in the rows before `rows`.
    fn histogram(&self, band: usize, rows: usize) -> Histogram {
        let mut bins = vec![0u64; BINS];
        for row in 0..rows.min(ROWS) {
            let start = (row * (BANDS + 1) + band) * BINS;
            let counts = self.counts.get(start..start + BINS).unwrap_or_default();
            bins.iter_mut().zip(counts).for_each(|(sum, count)| *sum += u64::from(*count));
        }
        Histogram { bins }
    }
}

/// How often each level occurs.
struct Histogram {
    bins: Vec<u64>,
}

impl Histogram {
    fn total(&self) -> u64 {
        self.bins.iter().sum()
    }

    /// Only the levels from one on.
    fn from(&self, level: f32) -> Histogram {
        let bins = self.bins.iter().enumerate();
        Histogram { bins: bins.map(|(bin, count)| if level_of(bin) >= level { *count } else { 0 }).collect() }
    }

    fn percentile(&self, share: f64) -> f32 {
        let wanted = (self.total() as f64 * share) as u64;
        let mut below = 0;
        for (bin, count) in self.bins.iter().enumerate() {
            below += count;
            if below > wanted {
                return level_of(bin);
            }
        }
        -120.0
    }

    /// The median, and the swing above it. The 80th percentile tells it: breaths in the gaps are rarer than that,
    /// and sound that leaks from headphones is more frequent.
    fn middle_and_swing(&self) -> (f32, f32) {
        let middle = self.percentile(0.5);
        // The 80th percentile of a normal distribution lies 0.8416 deviations above its median.
        (middle, ((self.percentile(0.8) - middle) / 0.8416).max(0.8))
    }

    /// The level above which half of the energy lies.
    fn half_of_energy(&self) -> f32 {
        let energy = |bin: usize| self.bins[bin] as f64 * 10f64.powf(f64::from(level_of(bin)) / 10.0);
        let total: f64 = (0..BINS).map(energy).sum();
        let mut above = 0.0;
        for bin in (0..BINS).rev() {
            above += energy(bin);
            if above >= total / 2.0 && above > 0.0 {
                return level_of(bin);
            }
        }
        db(NOTHING)
    }
}

fn level_of(bin: usize) -> f32 {
    -120.0 + (bin as f32 + 0.5) * BIN_DB
}
