//! What is known about a recording before its samples are read.

use serde::{Deserialize, Serialize};

/// Lowest sample rate taken, in Hz.
pub const MIN_RATE: u32 = 8_000;
/// Highest sample rate taken, in Hz.
pub const MAX_RATE: u32 = 384_000;
/// Most channels taken: takes are mono or stereo.
pub const MAX_CHANNELS: u16 = 2;

/// The kind of file, told by its first bytes and never by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Container {
    /// RIFF/WAVE.
    Wav,
    /// RF64 or BW64: WAVE with 64-bit sizes.
    Rf64,
    /// AIFF or AIFF-C.
    Aiff,
    /// FLAC.
    Flac,
    /// MPEG audio, mostly layer III.
    Mp3,
    /// AAC as a bare ADTS stream.
    Aac,
    /// AAC or ALAC in an ISO media file.
    M4a,
    /// Ogg, mostly with Vorbis.
    Ogg,
}

/// How the samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SampleKind {
    /// 8-bit integer.
    I8,
    /// 16-bit integer.
    I16,
    /// 24-bit integer.
    I24,
    /// 32-bit integer.
    I32,
    /// 32-bit float.
    F32,
    /// 64-bit float.
    F64,
    /// Compressed with loss: no sample values of its own.
    Compressed,
}

impl SampleKind {
    /// Bytes per sample where samples are stored one by one; `None` if compressed.
    #[must_use]
    pub fn bytes(self) -> Option<u16> {
        match self {
            SampleKind::I8 => Some(1),
            SampleKind::I16 => Some(2),
            SampleKind::I24 => Some(3),
            SampleKind::I32 | SampleKind::F32 => Some(4),
            SampleKind::F64 => Some(8),
            SampleKind::Compressed => None,
        }
    }

    /// The smallest magnitude (linear) that counts as full scale: the largest positive value an integer format
    /// can hold (so that both rails count), 1 for float and compressed samples.
    #[must_use]
    pub fn full_scale(self) -> f32 {
        match self {
            SampleKind::I8 => 127.0 / 128.0,
            SampleKind::I16 => 32_767.0 / 32_768.0,
            SampleKind::I24 => 8_388_607.0 / 8_388_608.0,
            SampleKind::I32 | SampleKind::F32 | SampleKind::F64 | SampleKind::Compressed => 1.0,
        }
    }
}

/// What is known about a recording before its samples are read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AudioInfo {
    /// The kind of file.
    pub container: Container,
    /// How its samples are stored.
    pub sample: SampleKind,
    /// Channels: 1 or 2.
    pub channels: u16,
    /// Sample rate in Hz, [`MIN_RATE`] to [`MAX_RATE`].
    pub rate: u32,
    /// Length in frames that can really be read, whatever the header claims.
    pub frames: u64,
    /// Size of the file in bytes.
    pub bytes: u64,
    /// Start in samples since midnight at the file's own rate, from a `bext` chunk (EBU Tech 3285).
    pub time_reference: Option<u64>,
    /// Its header promises more than is there, or it breaks off in the middle: a part of the recording is missing.
    pub cut_short: bool,
    /// What is odd about the file, in sentences for the user.
    pub warnings: Vec<String>,
}

/// `frames` at `rate` counted at `session_rate` instead, rounded to the nearest frame, halves up. It is the
/// exact length of a [working copy](super::working_copy).
#[must_use]
pub fn conformed_frames(frames: u64, rate: u32, session_rate: u32) -> u64 {
    if rate == session_rate || rate == 0 {
        return frames;
    }
    let (frames, rate, session) = (u128::from(frames), u128::from(rate), u128::from(session_rate));
    u64::try_from((frames * session + rate / 2) / rate).unwrap_or(u64::MAX)
}
