//! Lanes rendered for commands that measure them: edits and tone as they stand, mixed to one channel, without level and pan.

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::hearing::Hearing;
use crate::mix::{Plan, Samples, Scratch, ToneStage, render_edits};
use crate::song::{AssetId, Db, Lane, Length, Position, Song, Span};
use crate::sound::bank::Blocks;

/// Frames rendered at a time.
const BLOCK: usize = 8192;

/// Samples through [`Hearing`]; what could not be read is remembered.
struct Heard<'a> {
    hearing: &'a dyn Hearing,
    failure: Option<Diagnostic>,
}

impl Samples for Heard<'_> {
    fn fill(&mut self, asset: AssetId, _: u16, from: u64, out: &mut [f32]) {
        if let Err(error) = self.hearing.samples(asset, from, out) {
            out.fill(0.0);
            self.failure.get_or_insert(error);
        }
    }
}

struct One<'a>(&'a mut [f32]);

impl Blocks for One<'_> {
    fn block(&mut self, _: usize, _: usize) -> &mut [f32] {
        self.0
    }
}

/// Renders a lane from its first to its last sample, block by block; `take` gets each block with its position. `gains` are
/// added to the edits before the tone, each from the start of its span to the start of the next.
///
/// # Errors
/// A recording cannot be read.
pub fn lane(
    lane: &Lane,
    context: &Context,
    gains: &[(Span, Db)],
    take: &mut dyn FnMut(Position, &[f32]),
) -> Result<(), Diagnostic> {
    let song = Song { lanes: vec![std::sync::Arc::new(lane.clone())], ..Song::default() };
    let plan = Plan::compile(&song, context.session.rate, &|_| Some(1));
    let (Some(extent), Some(planned)) = (plan.extent(), plan.lanes().first()) else { return Ok(()) };
    let mut stage = ToneStage::new(&plan);
    let mut samples = Heard { hearing: context.hearing, failure: None };
    let mut scratch = Scratch::new(BLOCK);
    let mut block = vec![0.0f32; BLOCK];
    let mut at = extent.start;
    while at < extent.end {
        let frames = usize::try_from(extent.end.since(at).0).unwrap_or(BLOCK).min(BLOCK);
        let out = &mut block[..frames];
        render_edits(planned, at, &mut [&mut *out], &mut samples, &mut scratch);
        if let Some(failure) = samples.failure.take() {
            return Err(failure);
        }
        for (span, gain) in gains {
            let (from, to) = (span.start.since(at).0, span.end.since(at).0);
            let within = |frame: u64| usize::try_from(frame).unwrap_or(frames).min(frames);
            #[expect(clippy::cast_possible_truncation, reason = "a gain in single precision")]
            let factor = gain.to_linear().0 as f32;
            out[within(from)..within(to)].iter_mut().for_each(|sample| *sample *= factor);
        }
        if !stage.is_empty() {
            stage.process(at.0, frames, &mut One(out));
        }
        take(at, out);
        at = at + Length(frames as u64);
    }
    Ok(())
}
