//! The bounce: one consolidated file per lane, and the sum of the stack.
//!
//! Chunk by chunk: all lanes are rendered and written side by side, while the sum of the chunk before is made,
//! in the order of the lanes, and written. Memory is a few buffers per lane, whatever the length. The kernel is the one that the
//! loudspeaker hears, so the files hold the samples that were heard.

mod files;
mod layout;
mod request;
mod run;
mod sources;
mod sums;

use std::path::PathBuf;

use super::BounceError;
use super::file_samples::FileSamples;
use super::publish::Staging;
use super::report::Bounce;
use crate::media::Progress;
use crate::song::Length;
pub(super) use layout::Layout;
pub use request::{AssetFile, BounceOptions, BounceRequest, FileNotes, Parts};
use run::Run;

/// Frames rendered at a time: long enough that reading and writing are few calls, short enough that a lane's
/// buffers stay in a core's cache.
pub(super) const CHUNK: usize = 16_384;

/// Writes the files that were asked for: lanes from top to bottom, sums of roles, the stack.
///
/// All files begin at one position and have one length. A lane is mono if it is mono and panned to the middle; else its
/// pan is in the file; sums are stereo. Progress counts frames. The samples do not depend on the number of threads. Uses
/// the threads of the current rayon pool.
///
/// # Errors
/// See [`BounceError`]. After an error, or once `progress` said to stop, no file stands under its final name.
pub fn bounce(request: &BounceRequest<'_>, progress: &dyn Progress) -> Result<Bounce, BounceError> {
    let layout = Layout::new(request)?;
    // The sources first: a missing recording is found before anything is written.
    let sources = layout.open_sources(request)?;
    let staging = Staging::new(request.folder, layout.names.clone(), request.overwrite)?;
    let bounced = render(request, &layout, sources, Some(&staging), progress);
    let bounced = bounced.map_err(|error| staging.in_words(error))?;
    staging.publish()?;
    Ok(bounced)
}

/// Renders what [`bounce`] would write and measures it, but writes nothing.
///
/// # Errors
/// See [`BounceError`].
pub fn survey(request: &BounceRequest<'_>, progress: &dyn Progress) -> Result<Bounce, BounceError> {
    let layout = Layout::new(request)?;
    let sources = layout.open_sources(request)?;
    render(request, &layout, sources, None, progress)
}

/// Where [`bounce`] would write its files. Nothing is touched.
///
/// # Errors
/// The request cannot be met; see [`BounceError`].
pub fn bounce_targets(request: &BounceRequest<'_>) -> Result<Vec<PathBuf>, BounceError> {
    let layout = Layout::new(request)?;
    Ok(layout.names.iter().map(|name| request.folder.join(name)).collect())
}

/// Renders and, with `staging`, writes the files where they grow.
pub(super) fn render(
    request: &BounceRequest<'_>,
    layout: &Layout,
    sources: Vec<FileSamples>,
    staging: Option<&Staging>,
    progress: &dyn Progress,
) -> Result<Bounce, BounceError> {
    let mut run = Run::new(request, layout, sources, staging)?;
    run.lead_in(layout.start)?;
    let mut done = Length::ZERO;
    while done < layout.length {
        let frames = (layout.length.0 - done.0).min(CHUNK as u64);
        run.step(layout.start + done, usize::try_from(frames).unwrap_or(CHUNK))?;
        done = done + Length(frames);
        if !progress.advance(done.0, layout.length.0) {
            return Err(BounceError::Cancelled);
        }
    }
    run.step(layout.start + done, 0)?;
    let files = run.finish(request, layout)?;
    let start = layout.file_start(request);
    Ok(Bounce { rate: layout.file_rate, start, length: layout.file_length, files })
}
