//! Recordings on disk: what they are, their samples, working copies at the session's rate, and output files.
//!
//! The lowest room: it uses none of the others, reads no clock and no environment, and is told every folder it
//! writes to. Recordings are never written to. Every file is taken as hostile: nothing in it is believed before it
//! is held against the file's size, and nothing is allocated by what it claims.
//!
//! - [`probe`] says what a file is, [`inspect`] also reads it whole (level, clipping, noise floor, hash).
//! - [`WavReader`] reads any stretch of a WAV or RF64 file; other kinds and rates become WAV by [`working_copy`].
//! - [`create_sink`] starts an output file ([`WavWriter`], [`FlacWriter`]).

mod bext;
mod coding;
mod conform;
mod decode;
mod demux;
mod error;
mod flac_writer;
mod guard;
mod hash;
mod info;
mod inspect;
mod meter;
mod midi;
pub mod peaks;
mod progress;
mod resample;
mod riff;
mod sink;
mod sniff;
mod wav_reader;
mod wav_writer;

pub use bext::{Bext, BextLoudness};
pub use conform::working_copy;
pub use error::{MediaError, MediaErrorKind};
pub use flac_writer::FlacWriter;
pub(crate) use guard::open_file;
pub use guard::panic_is_guarded;
pub use hash::hash_file;
pub use info::{AudioInfo, Container, MAX_CHANNELS, MAX_RATE, MIN_RATE, SampleKind, conformed_frames};
pub use inspect::{IntakeReport, inspect};
pub use midi::{MAX_MIDI_BYTES, MidiMarker, MidiMeter, MidiTempo, MidiTimeline, read_midi};
pub use peaks::Peaks;
pub use progress::{Progress, Silent};
pub(crate) use resample::Resampler;
pub use sink::{AudioSink, OutputFormat, WavSpec, create_sink, create_sink_at, create_sink_with};
pub use wav_reader::WavReader;
pub use wav_writer::WavWriter;

use std::path::Path;

/// Says what the file at `path` is. WAV and RF64 are read from the header; any other kind is decoded once from start to
/// end, since only that tells its true length. Not realtime-safe.
///
/// # Errors
/// The file is missing, unreadable, damaged, or of a kind that is not taken.
pub fn probe(path: &Path) -> Result<AudioInfo, MediaError> {
    let file = sniff::open(path)?;
    match sniff::container(&file, path)? {
        Container::Wav | Container::Rf64 => Ok(riff::layout(&file, path)?.info),
        _ => {
            let mut decoder = decode::Decoder::open(path)?;
            while decoder.next()?.is_some() {}
            Ok(decoder.info())
        }
    }
}

/// The description of a recording whose rate, channels and length are known already: only its first bytes are read, to
/// see what kind of file it is. Not realtime-safe.
///
/// # Errors
/// The file is missing, unreadable, or of a kind that is not taken.
pub fn describe(path: &Path, rate: u32, channels: u16, frames: u64) -> Result<AudioInfo, MediaError> {
    let file = sniff::open(path)?;
    let container = sniff::container(&file, path)?;
    if matches!(container, Container::Wav | Container::Rf64) {
        return Ok(riff::layout(&file, path)?.info);
    }
    let bytes = file.metadata().map_or(0, |metadata| metadata.len());
    let sample = SampleKind::Compressed;
    Ok(AudioInfo {
        container,
        sample,
        channels,
        rate,
        frames,
        bytes,
        time_reference: None,
        cut_short: false,
        warnings: Vec::new(),
    })
}
