//! Why a bounce did not happen.

use std::io;
use std::path::PathBuf;

use crate::media::MediaError;
use crate::song::AssetId;

/// Why a bounce did not happen. Nothing of it stands under its final name then.
#[derive(Debug, thiserror::Error)]
pub enum BounceError {
    /// No lane has a region.
    #[error("there is nothing to bounce: no lane has a region; put a take on a lane first")]
    Nothing,
    /// A region shows a recording that was not given.
    #[error("lane {lane} uses asset {asset}, which is not at hand; find the missing recording first")]
    UnknownAsset {
        /// Number of the lane.
        lane: usize,
        /// The recording.
        asset: AssetId,
    },
    /// A working copy is not what the song takes it for.
    #[error("{}: {why}; the recording has changed since it was taken in, put the old one back", path.display())]
    Changed {
        /// The working copy.
        path: PathBuf,
        /// What is different.
        why: String,
    },
    /// A name template that cannot be used.
    #[error(
        "the name template `{template}`: {why}; fields are {{song}}, {{number}}, {{role}}, {{name}}, {{rate}} and {{format}}"
    )]
    Names {
        /// The template.
        template: String,
        /// What is wrong with it.
        why: String,
    },
    /// The stretch that was asked for is empty.
    #[error(
        "nothing sounds between the start and the end that were asked for; choose an earlier start or a later end"
    )]
    Empty,
    /// A picture, list or page could not be made.
    #[error("{what} could not be made: {why}")]
    Page {
        /// What it was to be.
        what: &'static str,
        /// Why not.
        why: String,
    },
    /// Files of these names stand there already.
    #[error("{}; choose another folder, or overwrite them", existing(paths))]
    Exists {
        /// The files that would have been overwritten, at least one.
        paths: Vec<PathBuf>,
    },
    /// The folder could not be made or written to.
    #[error("{}: the folder cannot be written to ({source}); choose another", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A complete file could not be given its final name.
    #[error("{}: the file cannot be given its name ({source}); choose another folder", path.display())]
    Publish {
        /// The final name.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The caller asked to stop.
    #[error("the bounce was stopped as asked; nothing was written")]
    Cancelled,
    /// A recording could not be read or a file not written.
    #[error(transparent)]
    Media(#[from] MediaError),
}

fn existing(paths: &[PathBuf]) -> String {
    let first = paths.first().map_or_else(String::new, |path| path.display().to_string());
    match paths.len() {
        0 | 1 => format!("{first} exists already"),
        more => format!("{first} and {} more files exist already", more - 1),
    }
}
