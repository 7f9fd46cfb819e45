//! What the levels of a stack are, in the form that `levels --json` prints.

use serde::Serialize;

use crate::listen::stack::{Mono, Pair};
use crate::song::Role;
use crate::sound::loudness::Loudness;

/// What was measured, in the form that `levels --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Levels {
    /// The lanes from top to bottom.
    pub lanes: Vec<LaneLevels>,
    /// Loudness of the roles, muted lanes left out.
    pub roles: Vec<RoleLevels>,
    /// The sum of the lanes that are neither muted nor backing.
    pub stack: StackLevels,
}

/// One lane's levels, behind its tone and level, before its pan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LaneLevels {
    /// Number of the lane.
    pub lane: usize,
    /// Its name.
    pub name: String,
    /// Its role.
    pub role: Role,
    /// True if it is part of the sum.
    pub in_stack: bool,
    /// Loudness in LUFS, gated; null for silence.
    pub loudness_lufs: Option<f64>,
    /// Loudness against the guide's in LU.
    pub against_guide_lu: Option<f64>,
    /// Highest sample in dBFS; null for silence.
    pub peak_db: Option<f64>,
    /// Where that is, in samples.
    pub peak_at: i64,
    /// Largest reduction of the de-esser in dB.
    pub deess_most_db: f64,
    /// Largest reduction of the compressor in dB.
    pub compress_most_db: f64,
    /// False if the compressor, once it acted, never let go again.
    pub compress_releases: bool,
}

/// The loudness of all lanes of one role together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoleLevels {
    /// The role.
    pub role: Role,
    /// Lanes.
    pub lanes: usize,
    /// Power sum of their loudness in LUFS.
    pub loudness_lufs: Option<f64>,
    /// The same against the guide's in LU.
    pub against_guide_lu: Option<f64>,
}

/// The sum's levels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StackLevels {
    /// Loudness by ITU-R BS.1770 and EBU R 128.
    pub loudness: Loudness,
    /// Highest sample in dBFS; null for silence.
    pub peak_db: Option<f64>,
    /// Where that is, in samples.
    pub peak_at: i64,
    /// How it fares in mono.
    pub mono: Mono,
    /// Pairs of lanes that cancel, by their numbers.
    pub pairs: Vec<Pair>,
    /// Where esses pile up.
    pub piles: Vec<EssPile>,
}

/// A place where many lanes have an ess at once.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EssPile {
    /// First sample on the timeline.
    pub from: i64,
    /// One past the last sample.
    pub to: i64,
    /// Most lanes at once.
    pub lanes: usize,
}
