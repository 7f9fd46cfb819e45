//! The header of a WAV file, which turns into RF64 by itself when the file outgrows 32-bit sizes.
//!
//! Layout: `RIFF` · `JUNK` (28 bytes at byte 12, room for `ds64`) · `bext` if there is a start time · `fmt ` · `fact`
//! for float · `data`. EBU Tech 3306: the junk becomes `ds64`, which has to be the first chunk.

use crate::media::bext::Bext;
use crate::media::sink::{OutputFormat, WavSpec};

const DS64_BYTES: u32 = 28;

/// All bytes before the samples. Its length does not depend on `data_bytes`.
pub(super) fn header(spec: WavSpec, bext: Option<&Bext>, data_bytes: u64) -> Vec<u8> {
    let frame_bytes = spec.format.bytes() as u64 * u64::from(spec.channels);
    let frames = data_bytes / frame_bytes;
    let chunks = chunks_before_data(spec, bext, frames);
    // "WAVE", the room for ds64, the chunks, the head of the data chunk, the samples and their pad byte.
    let riff_bytes = 4 + 8 + u64::from(DS64_BYTES) + chunks.len() as u64 + 8 + data_bytes + data_bytes % 2;
    let small = u32::try_from(riff_bytes).ok().filter(|size| *size != u32::MAX);

    let mut out = Vec::with_capacity(64 + chunks.len());
    out.extend(if small.is_some() { b"RIFF" } else { b"RF64" });
    out.extend(small.unwrap_or(u32::MAX).to_le_bytes());
    out.extend(b"WAVE");
    out.extend(if small.is_some() { b"JUNK" } else { b"ds64" });
    out.extend(DS64_BYTES.to_le_bytes());
    let ds64 = if small.is_some() { [0; 3] } else { [riff_bytes, data_bytes, frames] };
    out.extend(ds64.iter().flat_map(|size| size.to_le_bytes()));
    // The table of other long chunks is empty.
    out.extend(0u32.to_le_bytes());
    out.extend(chunks);
    out.extend(b"data");
    out.extend(small.map_or(u32::MAX, |_| data_bytes as u32).to_le_bytes());
    out
}

fn chunks_before_data(spec: WavSpec, bext: Option<&Bext>, frames: u64) -> Vec<u8> {
    let mut out = Vec::new();
    if let Some(bext) = bext {
        let body = bext.bytes();
        out.extend(b"bext");
        out.extend((body.len() as u32).to_le_bytes());
        out.extend(body);
    }
    let align = spec.format.bytes() as u16 * spec.channels;
    let tag: u16 = if spec.format == OutputFormat::F32 { 3 } else { 1 };
    out.extend(b"fmt ");
    out.extend(16u32.to_le_bytes());
    out.extend(tag.to_le_bytes());
    out.extend(spec.channels.to_le_bytes());
    out.extend(spec.rate.to_le_bytes());
    out.extend((spec.rate * u32::from(align)).to_le_bytes());
    out.extend(align.to_le_bytes());
    out.extend(spec.format.bits().to_le_bytes());
    if tag == 3 {
        out.extend(b"fact");
        out.extend(4u32.to_le_bytes());
        out.extend(u32::try_from(frames).unwrap_or(u32::MAX).to_le_bytes());
    }
    out
}
