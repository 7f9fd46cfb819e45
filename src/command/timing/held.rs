//! Cuts inside a held sound: only where the two sides agree in phase.

use super::tighten::{Piece, Plan, Rules, names, remark, room};
use super::{LaneTiming, Timing, WordTiming};
use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::timing::quiet::Border;
use crate::listen::seam;
use crate::song::Region;

/// A crossfade inside a held sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Its first sample on the timeline before anything is slid, where the left piece has it.
    pub start: i64,
    /// Its length in samples.
    pub length: i64,
    /// How well the two sides agree over it: -1 to 1.
    pub correlation: f64,
}

/// Two sides that agree less than this are not joined (the issue's own bar for a joint in phase).
const AGREE: f64 = 0.9;
/// Length of the crossfade, in ms.
const CROSS_MS: f64 = 25.0;
/// The right side may be nudged by this for the sake of its phase: half the period of a voice of 100 Hz, in ms.
const NUDGE_MS: f64 = 5.0;
/// What stays of a vowel at its beginning, and before the next onset, in ms.
const EDGE_MS: (f64, f64) = (30.0, 30.0);

/// Finds the place of every cut inside a held sound. A piece for which there is none goes with the one before it.
///
/// # Errors
/// A recording cannot be read.
pub fn place_cuts(
    context: &Context,
    timing: &Timing,
    lane: &LaneTiming,
    rules: &Rules,
    plan: &mut Plan,
) -> Result<(), Diagnostic> {
    let on = &context.session.song().lanes[lane.row];
    let regions = &on.regions;
    let (mut index, mut joined) = (1, false);
    while index < plan.pieces.len() {
        let (left, right) = (&plan.pieces[index - 1], &plan.pieces[index]);
        if right.before != Border::Held || left.region != right.region {
            // Words that went with the piece before may be in the way of the next one now.
            if joined && let Some(room) = room(on, lane, timing.rate, (left, right)) {
                let by = right.by.max(left.by.saturating_sub(room));
                plan.pieces[index].by = by;
            }
            index += 1;
            continue;
        }
        let by = right.by - left.by;
        let found = match (left.words.last(), right.words.first()) {
            (Some(left), Some(right)) if by != 0 => {
                let pair = (&lane.words[*left], &lane.words[*right]);
                find(context, &regions[lane.words[*right].region], pair, by, rules)?
            }
            _ => None,
        };
        if let Some((held, nudge)) = found {
            let right = &mut plan.pieces[index];
            right.by += nudge;
            right.held = Some(held);
            index += 1;
            continue;
        }
        if by != 0 {
            let (words, at) = (names(lane, &right.words), lane.words[right.words[0]].at as i64);
            let why = format!(
                "{words}: no place in the sound before would join in phase, so {:+.1} ms are left",
                timing.ms(-by as f64)
            );
            plan.refused.push(remark(plan.row, at, why));
        }
        joined = true;
        let Piece { words, confidence, .. } = plan.pieces.remove(index);
        let left = &mut plan.pieces[index - 1];
        left.words.extend(words);
        left.confidence = left.confidence.min(confidence);
    }
    Ok(())
}

/// Where the sound between two words can be cut so that the right one slides by `by` samples against the left one, and by
/// how much more it must slide to be in phase.
fn find(
    context: &Context,
    region: &Region,
    (left, right): (&WordTiming, &WordTiming),
    by: i64,
    rules: &Rules,
) -> Result<Option<(Held, i64)>, Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let origin = region.source_origin().0;
    let vowel = origin + left.found.vowel as i64;
    let first = vowel.max((region.at + region.fade_in.length).0) + ms(EDGE_MS.0) + by.max(0);
    let last = (right.at as i64).min((region.end() - region.fade_out.length).0) - ms(EDGE_MS.1) + by.min(0);
    let (cross, reach) = (ms(CROSS_MS), ms(NUDGE_MS).max(rules.within as i64).min(ms(2.0 * NUDGE_MS)));
    let room = last - first - 2 * reach;
    if room < cross || first - origin - by - reach < 0 {
        return Ok(None);
    }
    let first = first + reach;
    let mut before = vec![0.0f32; usize::try_from(room).unwrap_or(0)];
    let mut after = vec![0.0f32; usize::try_from(room + 2 * reach).unwrap_or(0)];
    context.hearing.samples(region.asset, u64::try_from(first - origin).unwrap_or(0), &mut before)?;
    let from = u64::try_from(first - origin - by - reach).unwrap_or(0);
    context.hearing.samples(region.asset, from, &mut after)?;
    let pair = seam::Pair {
        before: &before,
        after: &after,
        reach: usize::try_from(reach).unwrap_or(0),
        rate: context.session.rate,
        length: usize::try_from(cross).unwrap_or(1),
    };
    let agreed = seam::find(&pair).filter(|found| found.correlation > AGREE);
    Ok(agreed.map(|found| {
        let start = first + i64::try_from(found.start).unwrap_or(0);
        (Held { start, length: cross, correlation: found.correlation }, found.nudge)
    }))
}
