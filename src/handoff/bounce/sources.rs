//! The recordings of a bounce: opened and held against what the song takes them for.

use super::{AssetFile, BounceRequest};
use crate::handoff::BounceError;
use crate::handoff::file_samples::FileSamples;
use crate::media::WavReader;
use crate::mix::PlanLane;

/// Opens the recordings of a lane.
pub(super) fn open(
    request: &BounceRequest<'_>,
    lane: &PlanLane,
    number: usize,
) -> Result<FileSamples, BounceError> {
    let mut samples = FileSamples::default();
    for segment in &lane.segments {
        if samples.has(segment.asset) {
            continue;
        }
        let of_asset = lane.segments.iter().filter(|other| other.asset == segment.asset);
        let needs = of_asset.map(|other| other.source_in.saturating_add(other.length())).max();
        let file = request.assets.iter().find(|asset| asset.id == segment.asset);
        let file = file.ok_or(BounceError::UnknownAsset { lane: number, asset: segment.asset })?;
        samples.add(segment.asset, open_copy(file, request.rate, needs.unwrap_or(0))?);
    }
    Ok(samples)
}

/// Opens a working copy and makes sure that it is what the song takes it for: what is missing would come out
/// as silence.
fn open_copy(file: &AssetFile, rate: u32, needs: u64) -> Result<WavReader, BounceError> {
    let reader = WavReader::open(&file.path)?;
    let info = reader.info();
    let why = if info.rate != rate {
        format!("it is at {} Hz where {rate} Hz is expected", info.rate)
    } else if info.channels != file.channels {
        format!("it has {} channels where {} are expected", info.channels, file.channels)
    } else if info.frames < needs {
        format!("it has {} frames where {needs} are needed", info.frames)
    } else {
        return Ok(reader);
    };
    Err(BounceError::Changed { path: file.path.clone(), why })
}
