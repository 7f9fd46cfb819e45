//! What may be asked of a bounce.

use std::path::{Path, PathBuf};

use crate::handoff::file_names::DEFAULT_NAMES;
use crate::media::OutputFormat;
use crate::song::{AssetId, Length, Position, Song};

/// Where the samples of an asset lie: its working copy at the session's rate, in WAV.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AssetFile {
    /// The asset.
    pub id: AssetId,
    /// Its working copy.
    pub path: PathBuf,
    /// Channels: 1 or 2.
    pub channels: u16,
}

/// What to bounce, and where to.
#[derive(Debug, Clone, Copy)]
pub struct BounceRequest<'a> {
    /// The state to bounce.
    pub song: &'a Song,
    /// Rate of the session and of every working copy in Hz.
    pub rate: u32,
    /// Title of the song, the first part of every file name.
    pub title: &'a str,
    /// Working copies of at least the assets that are used.
    pub assets: &'a [AssetFile],
    /// The folder to write to; made if it does not exist.
    pub folder: &'a Path,
    /// How samples are written.
    pub format: OutputFormat,
    /// Whether files of the same names may be replaced.
    pub overwrite: bool,
    /// What is not the same every time.
    pub options: BounceOptions<'a>,
}

/// What may be asked of a bounce beyond the usual.
#[derive(Debug, Clone, Copy)]
pub struct BounceOptions<'a> {
    /// Where all files begin; unless told the song's origin, or the first region if that is earlier.
    pub from: Option<Position>,
    /// Where all files end, before the tail; unless told the end of the last region.
    pub until: Option<Position>,
    /// How much longer all files are, for what still rings.
    pub tail: Length,
    /// Which files are written.
    pub parts: Parts,
    /// The template of file names.
    pub names: &'a str,
    /// Rate of the files in Hz; the session's unless told.
    pub rate: Option<u32>,
    /// Whether dither is added where an integer file loses bits.
    pub dither: bool,
    /// Whether lanes go through their tone.
    pub tone: bool,
    /// Whether lanes that go through a tone are also written without it.
    pub dry_too: bool,
    /// Whether loudness and true peaks are measured.
    pub loudness: bool,
    /// What WAV files say about themselves in a `bext` chunk; `None` writes no such chunk.
    pub notes: Option<FileNotes<'a>>,
}

impl Default for BounceOptions<'_> {
    fn default() -> Self {
        BounceOptions {
            from: None,
            until: None,
            tail: Length::ZERO,
            parts: Parts { lanes: true, roles: false, stack: true },
            names: DEFAULT_NAMES,
            rate: None,
            dither: true,
            tone: true,
            dry_too: false,
            loudness: false,
            notes: None,
        }
    }
}

/// Which files a bounce writes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Parts {
    /// One file for every lane, muted ones too.
    pub lanes: bool,
    /// One file for every role: the sum of its lanes that are not muted.
    pub roles: bool,
    /// The sum of the lanes that are neither muted nor backing.
    pub stack: bool,
}

/// What WAV files say about themselves.
#[derive(Debug, Clone, Copy, Default)]
pub struct FileNotes<'a> {
    /// Where the song's position 0 lies, in samples of the session's rate since midnight.
    pub origin: u64,
    /// `yyyy-mm-dd`; may be empty.
    pub date: &'a str,
    /// `hh:mm:ss`; may be empty.
    pub time: &'a str,
    /// What tells this state of this session from others.
    pub reference: &'a str,
}
