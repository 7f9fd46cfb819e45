//! The intake report: everything worth knowing about a recording before it is worked on.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::decode::Decoder;
use super::hash::hash_with;
use super::info::{AudioInfo, Container};
use super::meter::{Measured, Meter};
use super::{MediaError, Progress, WavReader, sniff};

/// What [`inspect`] found in one file. Levels are linear unless their name says dB; 0 dB is an rms or a peak of 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct IntakeReport {
    /// Kind, rate, length, start time, oddities.
    pub info: AudioInfo,
    /// BLAKE3 of the file's bytes, 64 hexadecimal digits.
    pub blake3: String,
    /// Largest magnitude of any sample, 1 is full scale.
    pub peak: f64,
    /// How often three or more samples in a row stood at full scale, in all channels together.
    pub clipped_runs: u64,
    /// Samples in the longest of these runs.
    pub longest_clip: u64,
    /// Frame (at the file's own rate) where the first of these runs begins.
    pub first_clip: Option<u64>,
    /// Mean of the samples, of the channel where it is furthest from 0.
    pub dc_offset: f64,
    /// Level in dBFS (20·log10 of the rms) below which a tenth of the 20 ms frames lie, digital black left out; none if all of it
    /// is digital black.
    pub noise_floor_db: Option<f64>,
    /// Share (0 to 1) of the 20 ms frames that are digital black: every sample exactly 0. Takes with much of it were cut or
    /// gated before.
    pub black_share: f64,
    /// Samples that are not finite numbers; they are read as 0.
    pub nonfinite: u64,
    /// No sample reaches -80 dBFS.
    pub silent: bool,
}

/// Reads the whole file at `path` and reports on it. WAV and RF64 are read once; other kinds twice, once for the hash. `progress`
/// counts bytes, then for other kinds frames. Memory does not depend on the length. Not realtime-safe.
///
/// # Errors
/// The file is missing, unreadable, damaged or of a kind that is not taken, or `progress` said stop.
pub fn inspect(path: &Path, progress: &dyn Progress) -> Result<IntakeReport, MediaError> {
    let file = sniff::open(path)?;
    match sniff::container(&file, path)? {
        Container::Wav | Container::Rf64 => inspect_wave(path, progress),
        _ => inspect_other(path, progress),
    }
}

fn inspect_wave(path: &Path, progress: &dyn Progress) -> Result<IntakeReport, MediaError> {
    let mut reader = WavReader::open(path)?;
    let info = reader.info().clone();
    let mut hasher = blake3::Hasher::new();
    let mut meter = Meter::new(info.channels, info.rate, info.sample.full_scale());
    reader.sweep(
        |bytes, done| {
            hasher.update(bytes);
            progress.advance(done, info.bytes)
        },
        |planes| meter.take(planes),
    )?;
    Ok(report(info, hasher.finalize().to_hex().to_string(), meter.measured(), reader.nonfinite()))
}

fn inspect_other(path: &Path, progress: &dyn Progress) -> Result<IntakeReport, MediaError> {
    let blake3 = hash_with(path, progress)?;
    let mut decoder = Decoder::open(path)?;
    let mut meter = Meter::new(decoder.channels(), decoder.rate(), decoder.sample().full_scale());
    let (mut done, total) = (0, decoder.promised());
    while let Some(planes) = decoder.next()? {
        let slices: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
        meter.take(&slices);
        done += slices.first().map_or(0, |plane| plane.len()) as u64;
        if !progress.advance(done, total) {
            return Err(MediaError::cancelled(path));
        }
    }
    Ok(report(decoder.info(), blake3, meter.measured(), decoder.nonfinite()))
}

fn report(info: AudioInfo, blake3: String, found: Measured, nonfinite: u64) -> IntakeReport {
    IntakeReport {
        info,
        blake3,
        peak: found.peak,
        clipped_runs: found.clipped_runs,
        longest_clip: found.longest_clip,
        first_clip: found.first_clip,
        dc_offset: found.dc_offset,
        noise_floor_db: found.noise_floor_db,
        black_share: found.black_share,
        nonfinite,
        silent: found.silent,
    }
}
