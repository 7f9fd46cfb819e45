//! The chunks of RIFF/WAVE, RF64 and BW64 files: where the samples lie and what they are.
//!
//! Written by hand because damaged and 64-bit files are everyday business with takes (a recorder that lost power
//! leaves a data length of 0), and because no number in a header is trusted: each is held against the size of
//! the file, and nothing is allocated by it.
//!
//! Layouts: Microsoft/IBM RIFF/WAVE (1991), EBU Tech 3285 (`bext`), EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64).

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

use super::info::{AudioInfo, Container, MAX_CHANNELS, MAX_RATE, MIN_RATE, SampleKind};
use super::{MediaError, MediaErrorKind};

/// More chunks than any recorder writes; past it the rest of the file is not searched.
const MAX_CHUNKS: usize = 4_096;
/// `bext`: where the time reference lies in the chunk (EBU Tech 3285).
const BEXT_TIME_REFERENCE: u64 = 338;
/// A 32-bit length that says "see elsewhere" (RF64) or was never filled in.
const OPEN_LENGTH: u32 = u32::MAX;
const TO_PCM: &str = "export it as PCM or float WAV";

/// Where the samples of a file lie.
#[derive(Debug, Clone)]
pub(crate) struct Layout {
    pub info: AudioInfo,
    /// First byte of the first frame.
    pub data_start: u64,
    /// One past the last byte of the last whole frame.
    pub data_end: u64,
}

#[derive(Debug, Clone, Copy)]
struct Format {
    sample: SampleKind,
    channels: u16,
    rate: u32,
}

struct Walker<'a> {
    file: &'a File,
    path: &'a Path,
    bytes: u64,
    container: Container,
    long_data: Option<u64>,
    format: Option<Format>,
    data: Option<(u64, u64)>,
    time_reference: Option<u64>,
    warnings: Vec<String>,
}

/// True if `head` (the first 12 bytes) starts a file for this reader.
pub(crate) fn is_wave(head: &[u8]) -> bool {
    matches!(head.get(..4), Some(b"RIFF" | b"RF64" | b"BW64")) && head.get(8..12) == Some(b"WAVE")
}

/// Finds format, samples and time reference of the WAVE file `file`.
pub(crate) fn layout(file: &File, path: &Path) -> Result<Layout, MediaError> {
    let bytes = file.metadata().map_err(|e| MediaError::reading(path, e))?.len();
    let mut head = [0; 12];
    read_exact_at(file, path, &mut head, 0, bytes)?;
    if !is_wave(&head) {
        return Err(MediaError::damaged(path, "it does not begin as a WAV file does"));
    }
    let container = if head.starts_with(b"RIFF") { Container::Wav } else { Container::Rf64 };
    let mut walker = Walker {
        file,
        path,
        bytes,
        container,
        long_data: None,
        format: None,
        data: None,
        time_reference: None,
        warnings: Vec::new(),
    };
    walker.walk()?;
    walker.finish()
}

fn read_exact_at(file: &File, path: &Path, buf: &mut [u8], at: u64, bytes: u64) -> Result<(), MediaError> {
    file.read_exact_at(buf, at).map_err(|e| match e.kind() {
        io::ErrorKind::UnexpectedEof => {
            MediaError::damaged(path, format!("it ends after {bytes} bytes, inside its header"))
        }
        _ => MediaError::reading(path, e),
    })
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    bytes.get(at..at + 2).and_then(|b| b.try_into().ok()).map_or(0, u16::from_le_bytes)
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).and_then(|b| b.try_into().ok()).map_or(0, u32::from_le_bytes)
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    bytes.get(at..at + 8).and_then(|b| b.try_into().ok()).map_or(0, u64::from_le_bytes)
}

fn is_id(id: &[u8]) -> bool {
    id.len() == 4 && id.iter().all(|b| (0x20..0x7f).contains(b))
}

/// Chunk ids that decide where the next chunk begins when a writer may have left out a pad byte.
fn is_known_id(id: &[u8]) -> bool {
    const KNOWN: [&[u8; 4]; 19] = [
        b"data", b"fmt ", b"bext", b"fact", b"LIST", b"iXML", b"JUNK", b"junk", b"cue ", b"smpl", b"axml",
        b"chna", b"PEAK", b"id3 ", b"ID3 ", b"PAD ", b"FLLR", b"inst", b"umid",
    ];
    KNOWN.iter().any(|known| known.as_slice() == id)
}

impl Walker<'_> {
    fn walk(&mut self) -> Result<(), MediaError> {
        let mut at = 12;
        for _ in 0..MAX_CHUNKS {
            if self.bytes.saturating_sub(at) < 8 {
                return Ok(());
            }
            let mut head = [0; 8];
            read_exact_at(self.file, self.path, &mut head, at, self.bytes)?;
            let (id, claimed) = (&head[..4], u32_at(&head, 4));
            if !is_id(id) {
                // Behind the samples, stray bytes are common and harmless.
                return Ok(());
            }
            let start = at + 8;
            let length = self.take(id, start, claimed)?;
            at = self.next_chunk(start, length)?;
        }
        self.warnings.push(format!("it has more than {MAX_CHUNKS} chunks; the rest was not searched"));
        Ok(())
    }

    /// Reads what matters of one chunk and returns its true length.
    fn take(&mut self, id: &[u8], start: u64, claimed: u32) -> Result<u64, MediaError> {
        let room = self.bytes - start;
        let claimed_length = u64::from(claimed);
        match id {
            b"ds64" if self.container == Container::Rf64 => {
                let mut body = [0; 24];
                if claimed_length >= 24 && room >= 24 {
                    read_exact_at(self.file, self.path, &mut body, start, self.bytes)?;
                    self.long_data = Some(u64_at(&body, 8));
                }
            }
            b"fmt " if self.format.is_none() => self.format = Some(self.read_format(start, claimed)?),
            b"bext" => self.read_bext(start, claimed_length.min(room))?,
            b"data" if self.data.is_none() => {
                let length = self.data_length(start, claimed, room)?;
                self.data = Some((start, length));
                return Ok(length);
            }
            b"data" => self.warnings.push("it has a second data chunk, which was left out".to_owned()),
            _ => {}
        }
        Ok(claimed_length)
    }

    /// Where the chunk after one of `length` bytes at `start` begins. The pad byte behind an odd length is
    /// required, but some writers leave it out, so what stands there decides.
    fn next_chunk(&self, start: u64, length: u64) -> Result<u64, MediaError> {
        let end = start.saturating_add(length);
        if length.is_multiple_of(2) || self.bytes.saturating_sub(end) < 8 {
            return Ok(end.saturating_add(length % 2));
        }
        let mut around = [0; 5];
        read_exact_at(self.file, self.path, &mut around, end, self.bytes)?;
        let unpadded = is_known_id(&around[..4]) || (around[0] != 0 && is_id(&around[..4]));
        Ok(if unpadded && !is_known_id(&around[1..]) { end } else { end + 1 })
    }

    /// How many bytes of samples there are, whatever the header says about it.
    fn data_length(&mut self, start: u64, claimed: u32, room: u64) -> Result<u64, MediaError> {
        let promised = match (self.container, claimed, self.long_data) {
            (Container::Rf64, OPEN_LENGTH, long) => long.filter(|length| *length != 0),
            (_, OPEN_LENGTH, _) => None,
            (_, 0, _) if room > 0 && !self.chunks_end_cleanly(start)? => None,
            _ => Some(u64::from(claimed)),
        };
        match promised {
            None => {
                self.warnings.push(format!(
                    "its header does not give the length of the recording (the recorder may have been cut off); \
                     all {room} bytes up to the end of the file were taken as samples"
                ));
                Ok(room)
            }
            Some(promised) if promised > room => {
                self.warnings.push(format!(
                    "it is cut short: the header promises {promised} bytes of samples, {room} are there and were read"
                ));
                Ok(room)
            }
            Some(promised) => Ok(promised),
        }
    }

    /// True if a row of believable chunks leads from `at` exactly to the end of the file. It tells a data chunk
    /// that is really empty from one whose length was never filled in.
    fn chunks_end_cleanly(&self, mut at: u64) -> Result<bool, MediaError> {
        for _ in 0..MAX_CHUNKS {
            if at == self.bytes {
                return Ok(true);
            }
            if self.bytes.saturating_sub(at) < 8 {
                return Ok(false);
            }
            let mut head = [0; 8];
            read_exact_at(self.file, self.path, &mut head, at, self.bytes)?;
            if !is_id(&head[..4]) {
                return Ok(false);
            }
            let length = u64::from(u32_at(&head, 4));
            let end = at + 8 + length;
            at = if end == self.bytes { end } else { end + length % 2 };
        }
        Ok(false)
    }

    fn read_bext(&mut self, start: u64, length: u64) -> Result<(), MediaError> {
        if length < BEXT_TIME_REFERENCE + 8 {
            self.warnings
                .push("its bext chunk is too short to hold a start time; it was left out".to_owned());
            return Ok(());
        }
        let mut body = [0; 8];
        read_exact_at(self.file, self.path, &mut body, start + BEXT_TIME_REFERENCE, self.bytes)?;
        self.time_reference.get_or_insert(u64::from_le_bytes(body));
        Ok(())
    }

    fn read_format(&mut self, start: u64, claimed: u32) -> Result<Format, MediaError> {
        let mut body = [0; 40];
        let length = (claimed as usize).min(body.len());
        if length < 16 {
            return Err(MediaError::damaged(
                self.path,
                format!("its format chunk has {claimed} bytes, at least 16 are needed"),
            ));
        }
        read_exact_at(self.file, self.path, &mut body[..length], start, self.bytes)?;
        parse_format(&body[..length], self.path, &mut self.warnings)
    }

    fn finish(self) -> Result<Layout, MediaError> {
        let Some(format) = self.format else {
            return Err(MediaError::damaged(
                self.path,
                "it has no format chunk, so its samples cannot be understood",
            ));
        };
        let Some((data_start, length)) = self.data else {
            return Err(MediaError::damaged(self.path, "it has no samples: the data chunk is missing"));
        };
        let mut warnings = self.warnings;
        let frame_bytes = u64::from(format.sample.bytes().unwrap_or(1)) * u64::from(format.channels);
        let (frames, rest) = (length / frame_bytes, length % frame_bytes);
        if frames == 0 {
            return Err(MediaError::damaged(self.path, "it holds no samples at all"));
        }
        if rest != 0 {
            warnings.push(format!("its samples end inside a frame; the last {rest} bytes were left out"));
        }
        let time_reference = believable_start(self.time_reference, format.rate, &mut warnings);
        let info = AudioInfo {
            container: self.container,
            sample: format.sample,
            channels: format.channels,
            rate: format.rate,
            frames,
            bytes: self.bytes,
            time_reference,
            warnings,
        };
        Ok(Layout { info, data_start, data_end: data_start + frames * frame_bytes })
    }
}

/// A start after the midnight that ends the day cannot be a count of samples since midnight: such a number would
/// throw a take hours off the timeline, so it is dropped with a warning.
fn believable_start(start: Option<u64>, rate: u32, warnings: &mut Vec<String>) -> Option<u64> {
    let day = 86_400 * u64::from(rate);
    start.filter(|&start| {
        let fits = start <= day;
        if !fits {
            warnings.push(format!("its start time ({start} samples) lies beyond a day; it was left out"));
        }
        fits
    })
}

/// The last 14 bytes of the GUIDs by which extensible formats name PCM and float.
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];

fn parse_format(body: &[u8], path: &Path, warnings: &mut Vec<String>) -> Result<Format, MediaError> {
    let (tag, channels, rate) = (u16_at(body, 0), u16_at(body, 2), u32_at(body, 4));
    let (align, bits) = (u16_at(body, 12), u16_at(body, 14));
    check_channels(channels, path)?;
    check_rate(rate, path)?;
    let tag = if tag == 0xFFFE { extensible_tag(body, path)? } else { tag };
    let bytes = bits.div_ceil(8);
    let sample = match (tag, bytes, bits) {
        (1, 1, _) => SampleKind::I8,
        (1, 2, _) => SampleKind::I16,
        (1, 3, _) => SampleKind::I24,
        (1, 4, _) => SampleKind::I32,
        (3, _, 32) => SampleKind::F32,
        (3, _, 64) => SampleKind::F64,
        _ => return Err(unknown_coding(tag, bits, path)),
    };
    if align != bytes * channels {
        if align != 0 {
            return Err(MediaError::damaged(
                path,
                format!(
                    "its format chunk contradicts itself: {channels} channels of {bits} bits in frames of {align} bytes"
                ),
            ));
        }
        warnings.push("its format chunk does not give the size of a frame; it was worked out".to_owned());
    }
    Ok(Format { sample, channels, rate })
}

fn extensible_tag(body: &[u8], path: &Path) -> Result<u16, MediaError> {
    match body.get(24..40) {
        None => Err(MediaError::damaged(path, "its extended format chunk is cut short")),
        Some(guid) if guid[2..] == GUID_TAIL => Ok(u16_at(guid, 0)),
        Some(_) => {
            Err(MediaError::unsupported(path, "its samples are in a coding that is not known", TO_PCM))
        }
    }
}

fn unknown_coding(tag: u16, bits: u16, path: &Path) -> MediaError {
    let coding = match tag {
        1 => format!("integer samples of {bits} bits"),
        2 | 0x11 => "ADPCM".to_owned(),
        3 => format!("float samples of {bits} bits"),
        6 => "A-law".to_owned(),
        7 => "mu-law".to_owned(),
        0x50 | 0x55 => "MPEG audio".to_owned(),
        other => format!("coding number {other}"),
    };
    MediaError::unsupported(path, format!("its samples are stored as {coding}, which is not taken"), TO_PCM)
}

pub(crate) fn check_channels(channels: u16, path: &Path) -> Result<(), MediaError> {
    match channels {
        0 => Err(MediaError::damaged(path, "its header says that it has no channels")),
        1..=MAX_CHANNELS => Ok(()),
        more => Err(MediaError::new(
            MediaErrorKind::Unsupported,
            path,
            format!("it has {more} channels"),
            "takes are mono or stereo: export each voice as a file of its own",
        )),
    }
}

pub(crate) fn check_rate(rate: u32, path: &Path) -> Result<(), MediaError> {
    if (MIN_RATE..=MAX_RATE).contains(&rate) {
        return Ok(());
    }
    Err(MediaError::new(
        MediaErrorKind::Unsupported,
        path,
        format!("its sample rate is {rate} Hz; {MIN_RATE} to {MAX_RATE} Hz are taken"),
        "export it again at the session's rate",
    ))
}
