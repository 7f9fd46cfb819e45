//! What a bounce wrote.

use std::path::{Path, PathBuf};

use serde::{Serialize, Serializer};

use crate::song::Role;
use crate::sound::loudness::Loudness;

/// What a bounce wrote, in the form that `bounce --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bounce {
    /// Samples per second of all files.
    pub rate: u32,
    /// Position on the timeline of the first sample of every file: 0 or earlier.
    pub start: i64,
    /// Samples in every file.
    pub length: u64,
    /// The lanes' files from top to bottom, then those without their tone, then the roles' sums, then the stack's.
    pub files: Vec<BouncedFile>,
}

/// One file of a [`Bounce`].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BouncedFile {
    /// Where it stands.
    #[serde(serialize_with = "lossy")]
    pub path: PathBuf,
    /// What it holds.
    pub kind: FileKind,
    /// Number of the lane.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lane: Option<usize>,
    /// Name of the lane.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Role of the lane.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// True if the lane is muted, and so not part of the stack.
    pub muted: bool,
    /// 1, or 2 with the pan in it.
    pub channels: u16,
    /// Highest sample in dB re full scale, as it was before any clipping; null for silence.
    pub peak_db: Option<f64>,
    /// Samples above full scale that an integer format could not hold and that were clipped.
    pub clipped: u64,
    /// Samples that dither was added to.
    pub dithered: u64,
    /// How loud it is, if that was measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub loudness: Option<Loudness>,
    /// Its shape, for a page.
    #[serde(skip)]
    pub picture: Picture,
}

/// The shape of a signal: the largest magnitude in each of some hundred columns of equal length.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    /// Frames in a column.
    per: u64,
    /// Frames so far in the last column.
    filled: u64,
    /// Largest magnitudes, linear.
    columns: Vec<f32>,
}

/// Columns of a picture.
const COLUMNS: u64 = 720;

impl Picture {
    /// A picture of `frames` frames.
    #[must_use]
    pub fn new(frames: u64) -> Picture {
        Picture { per: frames.div_ceil(COLUMNS).max(1), filled: 0, columns: Vec::new() }
    }

    /// Takes a block into account: one slice per channel, all of one length. Gives its largest magnitude.
    pub fn add(&mut self, planes: &[&[f32]]) -> f32 {
        let mut highest = 0.0f32;
        let frames = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < frames {
            if self.columns.is_empty() || self.filled == self.per {
                self.columns.push(0.0);
                self.filled = 0;
            }
            let room = usize::try_from(self.per - self.filled).unwrap_or(usize::MAX);
            let end = frames.min(done.saturating_add(room));
            let mut peak = 0;
            for plane in planes {
                plane.get(done..end).unwrap_or_default().iter().for_each(|x| peak = peak.max(magnitude(*x)));
            }
            if let Some(column) = self.columns.last_mut() {
                *column = column.max(f32::from_bits(peak.cast_unsigned()));
            }
            highest = highest.max(f32::from_bits(peak.cast_unsigned()));
            self.filled += (end - done) as u64;
            done = end;
        }
        highest
    }

    /// Largest magnitudes (linear) column by column.
    #[must_use]
    pub fn columns(&self) -> &[f32] {
        &self.columns
    }
}

/// What a bounced file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum FileKind {
    /// One lane.
    Lane,
    /// One lane without its tone, beside the one with it.
    Dry,
    /// The sum of the lanes of one role that are not muted.
    Role,
    /// The sum of the lanes that are neither muted nor backing.
    Stack,
}

/// Serde refuses paths that are not Unicode; a report about them is better than none.
fn lossy<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&path.to_string_lossy())
}

/// The level of what passed by.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Level {
    /// Bits of the largest magnitude. Magnitudes of floats are ordered as their bits are, and signed whole
    /// numbers are what every processor compares several at a time.
    peak: i32,
    over: u64,
}

impl Level {
    const FULL_SCALE: i32 = 1f32.to_bits().cast_signed();

    /// Takes a block into account whose largest magnitude is known already.
    pub(super) fn add(&mut self, peak: f32, planes: &[&[f32]]) {
        let peak = magnitude(peak);
        if peak > Self::FULL_SCALE {
            let over =
                |plane: &&[f32]| plane.iter().filter(|x| magnitude(**x) > Self::FULL_SCALE).count() as u64;
            self.over += planes.iter().map(over).sum::<u64>();
        }
        self.peak = self.peak.max(peak);
    }

    /// Highest sample in dB re full scale; `None` for silence.
    pub(super) fn peak_db(self) -> Option<f64> {
        (self.peak > 0).then(|| 20.0 * f64::from(f32::from_bits(self.peak.cast_unsigned())).log10())
    }

    /// Samples above full scale.
    pub(super) fn over(self) -> u64 {
        self.over
    }
}

fn magnitude(sample: f32) -> i32 {
    sample.to_bits().cast_signed() & i32::MAX
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_level_is_the_largest_magnitude_and_counts_what_is_over() {
        let (mut level, mut picture) = (Level::default(), Picture::new(10));
        let mut add = |level: &mut Level, samples: &[f32]| level.add(picture.add(&[samples]), &[samples]);
        assert_eq!(level.peak_db(), None);
        add(&mut level, &[0.0, -0.0]);
        assert_eq!(level.peak_db(), None);
        add(&mut level, &[0.25, -0.5, 0.1]);
        assert!((level.peak_db().unwrap() + 6.0206).abs() < 1e-4);
        add(&mut level, &[1.0, -1.0]);
        assert_eq!((level.peak_db(), level.over()), (Some(0.0), 0));
        add(&mut level, &[-2.0, 1.5, 0.5]);
        assert_eq!(level.over(), 2);
        assert!((level.peak_db().unwrap() - 6.0206).abs() < 1e-4);
        assert_eq!(picture.columns(), [0.0, 0.0, 0.25, 0.5, 0.1, 1.0, 1.0, 2.0, 1.5, 0.5]);
    }

    #[test]
    fn a_picture_has_columns_of_one_length_however_it_comes() {
        let signal: Vec<f32> = (0..100_000).map(|n| ((n * 7919) % 1000) as f32 / 1000.0).collect();
        let (mut whole, mut split) = (Picture::new(100_000), Picture::new(100_000));
        whole.add(&[&signal]);
        signal.chunks(777).for_each(|part| assert!(split.add(&[part]) < 1.0));
        assert_eq!(whole.columns(), split.columns());
        assert_eq!(whole.columns().len(), 100_000usize.div_ceil(139));
        assert_eq!(whole.columns()[0], signal[..139].iter().copied().fold(0.0, f32::max));
    }
}
