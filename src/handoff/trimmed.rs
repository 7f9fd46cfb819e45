//! Recordings cut down to what a state uses, with handles.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::bounce::AssetFile;
use crate::media::{
    Bext, MediaError, MediaErrorKind, OutputFormat, SampleKind, WavReader, WavSpec, conformed_frames,
    create_sink_with, hash_file, probe,
};
use crate::mix::LowPart;
use crate::song::{Asset, AssetId, Length, Song};

/// Frames copied at a time.
const BLOCK: usize = 16_384;

/// A recording that was cut down.
#[derive(Debug)]
pub struct Trimmed {
    /// The recording as the new session knows it; its path is a bare file name.
    pub asset: Asset,
    /// Where it lies.
    pub path: PathBuf,
}

/// Writes what `song` uses of each recording, and `handles` more on both sides, into `folder`, and gives the recordings and
/// the song that uses them. Integers stay the same integers; recordings at another rate are kept conformed.
///
/// # Errors
/// A recording cannot be read, or a file not be written.
pub fn trim(
    song: &Song,
    rate: u32,
    assets: &[Asset],
    copies: &[AssetFile],
    handles: Length,
    folder: &Path,
    name: &dyn Fn(&Asset) -> String,
) -> Result<(Vec<Trimmed>, Song), MediaError> {
    let mut trimmed = Vec::new();
    let mut firsts = BTreeMap::new();
    for (id, (from, to)) in spans(song, rate, handles) {
        let Some((asset, copy)) = assets.iter().find(|a| a.id == id).zip(copies.iter().find(|c| c.id == id))
        else {
            continue;
        };
        let to = to.min(asset.frames_at(rate)).max(from + 1);
        let path = folder.join(name(asset));
        let start = asset.time_reference.map(|start| conformed_frames(start, asset.rate, rate) + from);
        copy_part(&copy.path, &path, (from, to), format(asset, copy, rate)?, start)?;
        let bytes = std::fs::metadata(&path).map_err(|e| MediaError::reading(&path, e))?.len();
        firsts.insert(id, from);
        trimmed.push(Trimmed {
            asset: Asset {
                path: name(asset),
                blake3: hash_file(&path)?,
                frames: to - from,
                rate,
                bytes: Some(bytes),
                time_reference: start,
                ..asset.clone()
            },
            path,
        });
    }
    let mut song = song.clone();
    for lane in &mut song.lanes {
        for region in &mut Arc::make_mut(lane).regions {
            let first = firsts.get(&region.asset).copied().unwrap_or(0);
            Arc::make_mut(region).source_in -= first.min(region.source_in);
        }
    }
    Ok((trimmed, song))
}

/// From where to where each recording is used, handles included. A recording that only gives its name to a lane keeps a handle.
fn spans(song: &Song, rate: u32, handles: Length) -> BTreeMap<AssetId, (u64, u64)> {
    let mut spans: BTreeMap<AssetId, (u64, u64)> = BTreeMap::new();
    for region in song.lanes.iter().flat_map(|lane| &lane.regions) {
        // A high-pass hears beyond the region's edges, and counts from the recording's first frame in steps.
        let heard = region.highpass_hz.map_or(0, |hz| LowPart::new(hz, rate).reach());
        let from = region.source_in.saturating_sub(handles.0.max(heard));
        let from = from - from % LowPart::MOST_STEP;
        let to = region.source_end().saturating_add(handles.0.max(heard));
        let span = spans.entry(region.asset).or_insert((from, to));
        *span = (span.0.min(from), span.1.max(to));
    }
    for lane in &song.lanes {
        spans.entry(lane.asset).or_insert((0, handles.0.max(1)));
    }
    spans
}

/// The format that holds the recording's samples exactly.
fn format(asset: &Asset, copy: &AssetFile, rate: u32) -> Result<OutputFormat, MediaError> {
    if asset.rate != rate {
        return Ok(OutputFormat::F32);
    }
    Ok(match probe(&copy.path)?.sample {
        SampleKind::I8 | SampleKind::I16 => OutputFormat::I16,
        SampleKind::I24 => OutputFormat::I24,
        _ => OutputFormat::F32,
    })
}

fn copy_part(
    from: &Path,
    to: &Path,
    (start, end): (u64, u64),
    format: OutputFormat,
    time_reference: Option<u64>,
) -> Result<(), MediaError> {
    let mut reader = WavReader::open(from)?;
    let channels = reader.info().channels;
    let spec = WavSpec { channels, rate: reader.info().rate, format };
    let mut sink = create_sink_with(to, spec, time_reference.map(Bext::at))?;
    let mut planes = vec![vec![0.0f32; BLOCK]; usize::from(channels)];
    let mut at = start;
    while at < end {
        let frames = usize::try_from((end - at).min(BLOCK as u64)).unwrap_or(BLOCK);
        let mut slices: Vec<&mut [f32]> = planes.iter_mut().map(|plane| &mut plane[..frames]).collect();
        if reader.read(at, &mut slices)? < frames {
            let why = "it is shorter than it was";
            return Err(MediaError::new(MediaErrorKind::Damaged, from, why, "put the old recording back"));
        }
        let slices: Vec<&[f32]> = planes.iter().map(|plane| &plane[..frames]).collect();
        sink.write(&slices)?;
        at += frames as u64;
    }
    sink.finish()
}
