//! What commands may know of the sound itself: results of listening, and samples around a seam.

use std::fmt::Debug;
use std::sync::Arc;

use super::diagnostic::Diagnostic;
use crate::listen::Heard;
use crate::song::{AssetId, Lane};

/// Gives what was heard in recordings. Whoever resolves commands hands one in; the verbs open no files.
pub trait Hearing: Debug {
    /// Says which recordings will be asked for, so that they can be listened to side by side.
    ///
    /// # Errors
    /// One of them cannot be listened to; says why and what to do.
    fn prepare(&self, assets: &[AssetId]) -> Result<(), Diagnostic> {
        assets.iter().try_for_each(|asset| self.heard(*asset).map(drop))
    }

    /// What was heard in a recording, in frames at the session's rate.
    ///
    /// # Errors
    /// It cannot be listened to; says why and what to do.
    fn heard(&self, asset: AssetId) -> Result<Arc<Heard>, Diagnostic>;

    /// Fills `out` with frames of a recording at the session's rate, its channels averaged; what lies beyond its end is 0.
    ///
    /// # Errors
    /// They cannot be read; says why and what to do.
    fn samples(&self, asset: AssetId, from: u64, out: &mut [f32]) -> Result<(), Diagnostic>;
}

/// Hears nothing: for commands that are resolved where no recordings are at hand.
#[derive(Debug, Clone, Copy, Default)]
pub struct Deaf;

impl Deaf {
    fn refusal() -> Diagnostic {
        Diagnostic::refusal("this needs to hear the recordings, which are not at hand here")
            .help("name times instead, as in: remove 2.1s..3.4s on lane 3")
    }
}

impl Hearing for Deaf {
    fn heard(&self, _: AssetId) -> Result<Arc<Heard>, Diagnostic> {
        Err(Deaf::refusal())
    }

    fn samples(&self, _: AssetId, _: u64, _: &mut [f32]) -> Result<(), Diagnostic> {
        Err(Deaf::refusal())
    }
}

/// The recordings that the regions of lanes show, each once.
pub fn assets_of<'a>(lanes: impl IntoIterator<Item = &'a Lane>) -> Vec<AssetId> {
    let mut assets: Vec<AssetId> =
        lanes.into_iter().flat_map(|lane| lane.regions.iter().map(|region| region.asset)).collect();
    assets.sort_unstable();
    assets.dedup();
    assets
}
