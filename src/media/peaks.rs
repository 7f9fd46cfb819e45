//! Peaks: what a recording looks like from afar, as a pyramid of minimum, maximum and RMS.
//!
//! The finest level has one bin for every [`BASE`] frames, each further level one for [`FACTOR`] bins of
//! the level below. A cache file holds the finest level only; the others take less time to sum up than
//! to read. It is named by the recording's hash, and carries a hash of its own, so that a damaged one is
//! made again instead of shown.

use std::io::Write;
use std::path::Path;

use super::{MediaError, Progress, WavReader};

/// Frames per bin of the finest level: 5.3 ms at 48 kHz.
pub const BASE: u64 = 256;
/// Bins of one level that make one of the next.
pub const FACTOR: u64 = 4;
/// A sample of 1.0 in stored minima and maxima: twice full scale fits.
const UNIT: f32 = 16_384.0;
const MAGIC: &[u8; 16] = b"tautline-peaks 1";
const HEADER: usize = 16 + 8 + 4 + 32;

/// Extremes and RMS (linear) of a stretch of samples, over all channels.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stretch {
    /// Smallest sample.
    pub min: f32,
    /// Largest sample.
    pub max: f32,
    /// Root of the mean square.
    pub rms: f32,
}

impl Stretch {
    /// Measures samples; of none everything is 0.
    #[must_use]
    pub fn of(samples: &[f32]) -> Stretch {
        let (min, max, squares) = extremes(samples);
        if samples.is_empty() {
            return Stretch::default();
        }
        #[expect(clippy::cast_precision_loss, reason = "stretches are short")]
        let rms = (squares / samples.len() as f32).sqrt();
        Stretch { min, max, rms }
    }

    /// The largest magnitude.
    #[must_use]
    pub fn peak(self) -> f32 {
        self.max.max(-self.min)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Bin {
    min: i16,
    max: i16,
    rms: u16,
}

/// What a recording looks like from afar.
#[derive(Debug, Clone, PartialEq)]
pub struct Peaks {
    frames: u64,
    rate: u32,
    levels: Vec<Vec<Bin>>,
}

impl Peaks {
    /// Frames of the recording.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Its rate in Hz.
    #[must_use]
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// What the frames from `from` up to `to` look like, from the coarsest level that still tells them
    /// apart: at most a bin at either end too wide. `None` if none of them is in the recording.
    #[must_use]
    pub fn over(&self, from: i64, to: i64) -> Option<Stretch> {
        let end = i64::try_from(self.frames).unwrap_or(i64::MAX);
        let (from, to) = (from.max(0), to.min(end));
        if from >= to {
            return None;
        }
        let (from, to) = (from.unsigned_abs(), to.unsigned_abs());
        let mut width = BASE;
        let mut level = 0;
        while level + 1 < self.levels.len() && width * FACTOR * 2 <= to - from {
            width *= FACTOR;
            level += 1;
        }
        let bins = self.levels.get(level)?;
        let last = usize::try_from((to - 1) / width).ok()?.min(bins.len().checked_sub(1)?);
        let first = usize::try_from(from / width).ok()?.min(last);
        Some(join(&bins[first..=last]).into())
    }

    /// RMS (linear) of every stretch of [`BASE`] frames.
    pub fn envelope(&self) -> impl ExactSizeIterator<Item = f32> + '_ {
        self.levels.first().map_or(&[][..], Vec::as_slice).iter().map(|bin| Stretch::from(*bin).rms)
    }

    /// Reads a whole WAV file. `progress` counts bytes. Not realtime-safe.
    ///
    /// # Errors
    /// The file cannot be read, or `progress` said stop.
    pub fn of_file(path: &Path, progress: &dyn Progress) -> Result<Peaks, MediaError> {
        let mut reader = WavReader::open(path)?;
        let (frames, rate, total) = (reader.info().frames, reader.info().rate, reader.info().bytes);
        let mut maker = Maker::default();
        reader.sweep(|_, at| progress.advance(at, total), |planes| maker.take(planes))?;
        Ok(Peaks::pyramid(frames, rate, maker.finish()))
    }

    /// The peaks of samples that are there already: planes of one length, one per channel.
    #[must_use]
    pub fn of_samples(planes: &[&[f32]], rate: u32) -> Peaks {
        let mut maker = Maker::default();
        maker.take(planes);
        Peaks::pyramid(planes.first().map_or(0, |plane| plane.len() as u64), rate, maker.finish())
    }

    fn pyramid(frames: u64, rate: u32, base: Vec<Bin>) -> Peaks {
        let mut levels = vec![base];
        while let Some(last) = levels.last().filter(|last| last.len() > 64) {
            let next = last.chunks(FACTOR as usize).map(join).collect();
            levels.push(next);
        }
        Peaks { frames, rate, levels }
    }

    /// Reads a cache file; `None` if it is missing, damaged, or of another recording.
    #[must_use]
    pub fn load(path: &Path, frames: u64) -> Option<Peaks> {
        let size = std::fs::metadata(path).ok()?.len();
        // A file of another size cannot be the right one: nothing is read, nothing allocated for it.
        if size != HEADER as u64 + frames.div_ceil(BASE).checked_mul(6)? {
            return None;
        }
        let bytes = std::fs::read(path).ok()?;
        let (head, body) = bytes.split_at_checked(HEADER)?;
        let said = u64::from_le_bytes(head.get(16..24)?.try_into().ok()?);
        let rate = u32::from_le_bytes(head.get(24..28)?.try_into().ok()?);
        if &head[..16] != MAGIC || said != frames || blake3::hash(body).as_bytes() != &head[28..] {
            return None;
        }
        let two = |bytes: &[u8], at: usize| [bytes[at], bytes[at + 1]];
        let bin = |bytes: &[u8]| Bin {
            min: i16::from_le_bytes(two(bytes, 0)),
            max: i16::from_le_bytes(two(bytes, 2)),
            rms: u16::from_le_bytes(two(bytes, 4)),
        };
        Some(Peaks::pyramid(frames, rate, body.chunks_exact(6).map(bin).collect()))
    }

    /// Writes a cache file, aside and then renamed. Losing it costs one more reading of the recording.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn save(&self, path: &Path) -> std::io::Result<()> {
        let base = self.levels.first().map_or(&[][..], Vec::as_slice);
        let mut body = Vec::with_capacity(base.len() * 6);
        for bin in base {
            body.extend_from_slice(&bin.min.to_le_bytes());
            body.extend_from_slice(&bin.max.to_le_bytes());
            body.extend_from_slice(&bin.rms.to_le_bytes());
        }
        let folder = path.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder)?;
        let mut aside = tempfile::NamedTempFile::new_in(folder)?;
        let file = aside.as_file_mut();
        file.write_all(MAGIC)?;
        file.write_all(&self.frames.to_le_bytes())?;
        file.write_all(&self.rate.to_le_bytes())?;
        file.write_all(blake3::hash(&body).as_bytes())?;
        file.write_all(&body)?;
        aside.persist(path).map_err(|error| error.error)?;
        Ok(())
    }
}

impl From<Bin> for Stretch {
    fn from(bin: Bin) -> Stretch {
        let rms = f32::from(bin.rms) / UNIT;
        Stretch { min: f32::from(bin.min) / UNIT, max: f32::from(bin.max) / UNIT, rms }
    }
}

fn join(bins: &[Bin]) -> Bin {
    let mut whole = Bin { min: i16::MAX, max: i16::MIN, rms: 0 };
    let mut squares = 0u64;
    for bin in bins {
        whole.min = whole.min.min(bin.min);
        whole.max = whole.max.max(bin.max);
        squares += u64::from(bin.rms).pow(2);
    }
    let mean = squares / (bins.len() as u64).max(1);
    whole.rms = u16::try_from(mean.isqrt()).unwrap_or(u16::MAX);
    whole
}

/// Smallest, largest, sum of squares; in eight lanes, so that the compiler can use vectors.
fn extremes(samples: &[f32]) -> (f32, f32, f32) {
    let (mut min, mut max, mut squares) = ([f32::MAX; 8], [f32::MIN; 8], [0.0f32; 8]);
    let chunks = samples.chunks_exact(8);
    let rest = chunks.remainder();
    for chunk in chunks {
        for lane in 0..8 {
            let sample = chunk[lane];
            min[lane] = if sample < min[lane] { sample } else { min[lane] };
            max[lane] = if sample > max[lane] { sample } else { max[lane] };
            squares[lane] += sample * sample;
        }
    }
    for (lane, sample) in rest.iter().enumerate() {
        min[lane] = min[lane].min(*sample);
        max[lane] = max[lane].max(*sample);
        squares[lane] += sample * sample;
    }
    (min.into_iter().fold(f32::MAX, f32::min), max.into_iter().fold(f32::MIN, f32::max), squares.iter().sum())
}

/// Makes bins of blocks as they come.
#[derive(Default)]
struct Maker {
    bins: Vec<Bin>,
    min: f32,
    max: f32,
    squares: f32,
    filled: usize,
    channels: usize,
}

impl Maker {
    fn take(&mut self, planes: &[&[f32]]) {
        self.channels = planes.len().max(1);
        let length = planes.iter().map(|plane| plane.len()).min().unwrap_or(0);
        let mut at = 0;
        while at < length {
            let here = (BASE as usize - self.filled).min(length - at);
            for plane in planes {
                let (min, max, squares) = extremes(&plane[at..at + here]);
                self.min = self.min.min(min);
                self.max = self.max.max(max);
                self.squares += squares;
            }
            self.filled += here;
            at += here;
            if self.filled == BASE as usize {
                self.close();
            }
        }
    }

    fn close(&mut self) {
        #[expect(clippy::cast_precision_loss, reason = "a few hundred at most")]
        let mean = self.squares / (self.filled * self.channels) as f32;
        // Away from zero, so that no drawn peak is lower than the recording's.
        #[expect(clippy::cast_possible_truncation, reason = "held in range by the conversion")]
        let (min, max) = ((self.min * UNIT).floor() as i16, (self.max * UNIT).ceil() as i16);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "as above")]
        let rms = (mean.max(0.0).sqrt() * UNIT).round() as u16;
        self.bins.push(Bin { min, max, rms });
        (self.min, self.max, self.squares, self.filled) = (0.0, 0.0, 0.0, 0);
    }

    fn finish(mut self) -> Vec<Bin> {
        if self.filled > 0 {
            self.close();
        }
        self.bins
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn saw(frames: usize) -> Vec<f32> {
        (0..frames).map(|n| ((n * 7919) % 2000) as f32 / 1000.0 - 1.0).collect()
    }

    #[test]
    fn every_stretch_covers_the_extremes_of_its_samples() {
        let samples = saw(100_003);
        let peaks = Peaks::of_samples(&[&samples], 48_000);
        for (from, to) in [(0, 100_003), (1000, 1300), (5, 6), (99_000, 200_000), (-50, 10), (4096, 9000)] {
            let seen = peaks.over(from, to).unwrap();
            let really = Stretch::of(&samples[from.max(0) as usize..(to as usize).min(samples.len())]);
            assert!(seen.min <= really.min + 1e-3 && seen.max >= really.max - 1e-3, "{from}..{to}");
            assert!(seen.peak() <= 1.001);
        }
        // The RMS of a saw from -1 to 1 is 1/sqrt 3.
        let whole = peaks.over(0, 100_003).unwrap();
        assert!((whole.rms - 0.577).abs() < 0.01, "{}", whole.rms);
        assert_eq!(peaks.over(100_003, 100_100), None);
        assert_eq!(peaks.over(7, 7), None);
    }

    #[test]
    fn both_channels_count() {
        let (left, right) = (vec![0.25f32; 1000], vec![-0.5f32; 1000]);
        let seen = Peaks::of_samples(&[&left, &right], 44_100).over(0, 1000).unwrap();
        assert!((seen.min + 0.5).abs() < 1e-3 && (seen.max - 0.25).abs() < 1e-3);
        assert!((seen.rms - (0.3125f32 / 2.0).sqrt()).abs() < 1e-3);
    }

    #[test]
    fn a_cache_file_comes_back_as_it_was_and_a_damaged_one_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("deep/one.peaks");
        let peaks = Peaks::of_samples(&[&saw(10_000)], 48_000);
        peaks.save(&path).unwrap();
        assert_eq!(Peaks::load(&path, 10_000), Some(peaks));
        assert_eq!(Peaks::load(&path, 10_001), None);
        let mut bytes = std::fs::read(&path).unwrap();
        bytes[100] ^= 1;
        std::fs::write(&path, &bytes).unwrap();
        assert_eq!(Peaks::load(&path, 10_000), None);
        std::fs::write(&path, &bytes[..90]).unwrap();
        assert_eq!(Peaks::load(&path, 10_000), None);
    }
}
