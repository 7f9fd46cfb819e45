//! Recordings on disk: what they are, their samples, working copies at the session's rate, and output files.
//!
//! The lowest room: it uses none of the others, reads no clock and no environment, and is told every folder it
//! writes to. Recordings are never written to. Every file is taken as hostile: nothing in it is believed before it
//! is held against the file's size, and nothing is allocated by what it claims.
//!
//! - [`probe`] says what a file is, [`inspect`] also reads it whole (level, clipping, noise floor, hash).
//! - [`WavReader`] reads any stretch of a WAV or RF64 file; other kinds and rates become WAV by [`working_copy`].
//! - [`create_sink`] starts an output file ([`WavWriter`], [`FlacWriter`]).

mod coding;
mod error;
mod flac_writer;
mod hash;
mod info;
mod progress;
mod riff;
mod sink;
mod sniff;
mod wav_reader;
mod wav_writer;

pub use error::{MediaError, MediaErrorKind};
pub use flac_writer::FlacWriter;
pub use hash::hash_file;
pub use info::{AudioInfo, Container, MAX_CHANNELS, MAX_RATE, MIN_RATE, SampleKind, conformed_frames};
pub use progress::{Progress, Silent};
pub use sink::{AudioSink, OutputFormat, WavSpec, create_sink, create_sink_at};
pub use wav_reader::WavReader;
pub use wav_writer::WavWriter;
