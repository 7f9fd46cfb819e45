//! Makes small sound files byte by byte, and reads files in every way.

use std::path::{Path, PathBuf};

use tautline::media::{IntakeReport, MediaError, Silent, WavReader, inspect, probe};
use tempfile::TempDir;

/// A folder that is gone after the test.
pub fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

/// Writes `bytes` to `name` in `dir`.
pub fn put(dir: &TempDir, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

/// A RIFF chunk with its pad byte.
pub fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut out = chunk_unpadded(id, body);
    if body.len() % 2 == 1 {
        out.push(0);
    }
    out
}

/// A RIFF chunk by a writer that forgets the pad byte.
pub fn chunk_unpadded(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    chunk_claiming(id, body.len() as u32, body)
}

/// A RIFF chunk whose head claims a length of its own.
pub fn chunk_claiming(id: &[u8; 4], claimed: u32, body: &[u8]) -> Vec<u8> {
    [id.as_slice(), &claimed.to_le_bytes(), body].concat()
}

/// The body of a plain format chunk.
pub fn fmt_body(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    let align = bits.div_ceil(8).wrapping_mul(channels);
    let mut out = Vec::new();
    out.extend(tag.to_le_bytes());
    out.extend(channels.to_le_bytes());
    out.extend(rate.to_le_bytes());
    out.extend(rate.wrapping_mul(u32::from(align)).to_le_bytes());
    out.extend(align.to_le_bytes());
    out.extend(bits.to_le_bytes());
    out
}

pub fn fmt(tag: u16, channels: u16, rate: u32, bits: u16) -> Vec<u8> {
    chunk(b"fmt ", &fmt_body(tag, channels, rate, bits))
}

/// An extensible format chunk: GUIDs of PCM and float differ in their first two bytes only.
pub fn fmt_extensible(tag: u16, channels: u16, rate: u32, bits: u16, valid: u16) -> Vec<u8> {
    let mut body = fmt_body(0xFFFE, channels, rate, bits);
    body.extend(22u16.to_le_bytes());
    body.extend(valid.to_le_bytes());
    body.extend(if channels == 1 { 4u32 } else { 3 }.to_le_bytes());
    body.extend(tag.to_le_bytes());
    body.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    chunk(b"fmt ", &body)
}

/// A `bext` chunk (EBU Tech 3285) with a start time.
pub fn bext(time_reference: u64) -> Vec<u8> {
    let mut body = vec![0; 602];
    body[338..346].copy_from_slice(&time_reference.to_le_bytes());
    chunk(b"bext", &body)
}

/// A RIFF/WAVE file of these chunks.
pub fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let size = (body.len() + 4) as u32;
    [b"RIFF".as_slice(), &size.to_le_bytes(), b"WAVE", &body].concat()
}

/// An RF64 file (EBU Tech 3306) with its `ds64` and these chunks.
pub fn rf64(id: &[u8; 4], data_bytes: u64, frames: u64, chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let riff_bytes = (body.len() + 4 + 36) as u64;
    let sizes: Vec<u8> = [riff_bytes, data_bytes, frames].iter().flat_map(|n| n.to_le_bytes()).collect();
    let ds64 = chunk(b"ds64", &[sizes, vec![0; 4]].concat());
    [id.as_slice(), &u32::MAX.to_le_bytes(), b"WAVE", &ds64, &body].concat()
}

/// `count` integers that look like noise, in -2^(bits-1) .. 2^(bits-1), both ends included.
pub fn integers(count: usize, bits: u32, seed: u32) -> Vec<i32> {
    let mut state = seed;
    let mut out: Vec<i32> = (0..count)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state as i32 >> (32 - bits)
        })
        .collect();
    let top = ((1i64 << (bits - 1)) - 1) as i32;
    for (place, value) in out.iter_mut().zip([top, -top - 1, 0, 1, -1]) {
        *place = value;
    }
    out
}

/// Little-endian bytes of `bytes` bytes each.
pub fn pack(values: &[i32], bytes: usize) -> Vec<u8> {
    values.iter().flat_map(|v| v.to_le_bytes().into_iter().take(bytes)).collect()
}

/// int / 2^(bits-1), worked out in f64.
pub fn scaled(values: &[i32], bits: u32) -> Vec<f32> {
    values.iter().map(|&v| (f64::from(v) / 2f64.powi(bits as i32 - 1)) as f32).collect()
}

/// A mono 16-bit file of `frames` frames.
pub fn simple(frames: usize) -> Vec<u8> {
    riff(&[fmt(1, 1, 48_000, 16), chunk(b"data", &pack(&integers(frames, 16, 7), 2))])
}

/// All channels of a WAV file through our reader.
pub fn read_all(path: &Path) -> Vec<Vec<f32>> {
    let mut reader = WavReader::open(path).unwrap();
    let frames = reader.info().frames;
    read_span(&mut reader, 0, frames as usize)
}

pub fn read_span(reader: &mut WavReader, from: u64, frames: usize) -> Vec<Vec<f32>> {
    let mut planes = vec![vec![9.0; frames]; usize::from(reader.info().channels)];
    let mut slices: Vec<&mut [f32]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
    reader.read(from, &mut slices).unwrap();
    planes
}

/// Reads a file in every way that there is and holds what they say against each other; gives what the intake says.
/// `bytes` is the file's length.
pub fn read_every_way(path: &Path, bytes: usize) -> Result<IntakeReport, MediaError> {
    let probed = probe(path);
    let report = inspect(path, &Silent);
    assert_eq!(probed.is_ok(), report.is_ok(), "{probed:?} but {report:?}");
    if let Ok(mut reader) = WavReader::open(path) {
        let info = reader.info().clone();
        assert!(info.frames > 0 && info.frames <= bytes as u64);
        assert!((8_000..=384_000).contains(&info.rate) && (1..=2).contains(&info.channels));
        let planes = read_span(&mut reader, info.frames.saturating_sub(10), 20);
        assert!(planes.iter().flatten().all(|x| x.is_finite()));
        assert_eq!(report.as_ref().ok().map(|report| &report.info), Some(&info));
    }
    report
}

/// A mono AIFF file: big-endian, rate as an 80-bit float.
pub fn aiff(values: &[i32], bits: u16, rate: u16) -> Vec<u8> {
    let bytes = usize::from(bits / 8);
    let mut comm = Vec::new();
    comm.extend(1u16.to_be_bytes());
    comm.extend((values.len() as u32).to_be_bytes());
    comm.extend(bits.to_be_bytes());
    let exponent = 15 - rate.leading_zeros() as u16;
    comm.extend((16_383 + exponent).to_be_bytes());
    comm.extend((u64::from(rate) << (63 - exponent)).to_be_bytes());
    let mut ssnd = vec![0; 8];
    ssnd.extend(values.iter().flat_map(|v| v.to_be_bytes().into_iter().skip(4 - bytes)));
    let chunk = |id: &[u8; 4], body: &[u8]| {
        let mut out = [id.as_slice(), &(body.len() as u32).to_be_bytes(), body].concat();
        out.resize(out.len().next_multiple_of(2), 0);
        out
    };
    let body = [chunk(b"COMM", &comm), chunk(b"SSND", &ssnd)].concat();
    [b"FORM".as_slice(), &(body.len() as u32 + 4).to_be_bytes(), b"AIFF", &body].concat()
}
