//! Where the listener gets samples from.

/// Samples of one recording at the session's rate, as one channel. Read in any order, more than once.
pub trait Source {
    /// Samples per second.
    fn rate(&self) -> u32;
    /// Length in frames.
    fn frames(&self) -> u64;
    /// Fills `out` with the frames from `from` on; what lies beyond the end is 0. Samples that are no numbers count as 0.
    ///
    /// # Errors
    /// They cannot be read; the text says why and what to do.
    fn read(&mut self, from: u64, out: &mut [f32]) -> Result<(), String>;
}

/// Samples that are in memory already.
#[derive(Debug, Clone, Copy)]
pub struct Slice<'a> {
    /// Samples per second.
    pub rate: u32,
    /// The samples.
    pub samples: &'a [f32],
}

impl Source for Slice<'_> {
    fn rate(&self) -> u32 {
        self.rate
    }

    fn frames(&self) -> u64 {
        self.samples.len() as u64
    }

    fn read(&mut self, from: u64, out: &mut [f32]) -> Result<(), String> {
        out.fill(0.0);
        let from = usize::try_from(from).unwrap_or(usize::MAX);
        let rest = self.samples.get(from..).unwrap_or_default();
        let count = rest.len().min(out.len());
        out[..count].copy_from_slice(&rest[..count]);
        Ok(())
    }
}
