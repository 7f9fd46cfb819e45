//! How long work reports where it is, and how it is told to stop.

/// Told how far a long piece of work has come.
pub trait Progress: Sync {
    /// `done` of `total` steps (frames or bytes) are done; `total` is 0 if it is not known. `false` asks the
    /// work to stop: it then leaves nothing behind and returns an error of kind
    /// [`Cancelled`](super::MediaErrorKind::Cancelled). Called some times per second of work, not realtime-safe.
    fn advance(&self, done: u64, total: u64) -> bool;
}

/// Says nothing and never stops.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn advance(&self, _: u64, _: u64) -> bool {
        true
    }
}
