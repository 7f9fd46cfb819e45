//! `restore`: brings removed sound back into the gaps of a lane.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::song::rules::AssetFrames;
use crate::song::{Fade, Lane, Length, Position, Region, Span};

/// The verb.
pub static VERB: Verb = Verb {
    name: "restore",
    form: &[Part::Maybe(&[Part::Value("span", Kind::Span)])],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Fills gaps with the sound of the recording as it goes on from the region before them, or leads to the one after.",
    examples: &["restore 2.1s..3.4s on lane 3", "restore on here"],
    also: &["recover", "bringback", "unremove"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let span = match call.args.get("span") {
        Some(Value::Span(from, to)) => Some(context.span(*from, *to)?),
        _ => None,
    };
    let rows = call.scope.lanes(context, call.verb.every)?;
    let mut draft = Draft::new(context);
    let mut filled = 0;
    for row in rows {
        let start = context.session.history.start();
        let id = draft.lane(row).id;
        let original = start.lane(id).map(|lane| lane.as_ref().clone());
        for gap in gaps(draft.lane(row), span).into_iter().rev() {
            for piece in pieces(draft.lane(row), original.as_ref(), gap, context) {
                let at = piece.at;
                draft.insert(row, piece)?;
                heal(&mut draft, row, at)?;
                filled += 1;
            }
        }
    }
    if filled == 0 {
        return Err(Diagnostic::refusal("there is no gap in the scope into which the recording goes on")
            .help("name the gap, as in `restore 2.1s..3.4s on lane 3`"));
    }
    draft.finish(format!("filled {}", super::count(filled, "gap")))
}

/// The gaps of a lane within a span, or else all between its first and its last region.
fn gaps(lane: &Lane, span: Option<Span>) -> Vec<Span> {
    let (mut at, end) = match (span, lane.regions.first(), lane.regions.last()) {
        (Some(span), _, _) => (span.start, span.end),
        (None, Some(first), Some(last)) => (first.at, last.end()),
        _ => return Vec::new(),
    };
    let mut gaps = Vec::new();
    for region in &lane.regions {
        if region.at > at {
            gaps.push(Span { start: at, end: region.at.min(end) });
        }
        at = at.max(region.end());
    }
    gaps.push(Span { start: at, end });
    gaps.retain(|gap| gap.start < gap.end);
    gaps
}

/// What the recording has for a gap: going on from the left neighbour, else leading to the right one,
/// else as the take lay when the session began.
fn pieces(lane: &Lane, original: Option<&Lane>, gap: Span, context: &Context) -> Vec<Region> {
    let before = lane.regions.iter().rev().find(|region| region.end() <= gap.start);
    let after = lane.regions.iter().find(|region| region.at >= gap.end);
    let donors: Vec<&Region> = match (before.or(after), original) {
        (Some(neighbour), _) => vec![neighbour],
        (None, Some(original)) => original.regions.iter().map(AsRef::as_ref).collect(),
        (None, None) => Vec::new(),
    };
    let fill = |donor: &Region| {
        let frames = context.session.frames(donor.asset)?;
        let origin = donor.source_origin();
        let (mut start, mut end) = (gap.start.max(origin), gap.end.min(origin + Length(frames)));
        if before.is_none() && after.is_none() {
            (start, end) = (start.max(donor.at), end.min(donor.end()));
        }
        (start < end).then(|| Region {
            source_in: start.since(origin).0,
            length: end.since(start),
            at: start,
            fade_in: Fade::NONE,
            fade_out: Fade::NONE,
            ..donor.clone()
        })
    };
    donors.into_iter().filter_map(fill).collect()
}

/// Joins the region that starts at `at` with its neighbours where they flow into each other.
fn heal(draft: &mut Draft, row: usize, at: Position) -> Result<(), Diagnostic> {
    let Some(index) = draft.lane(row).regions.iter().position(|region| region.at == at) else {
        return Ok(());
    };
    let flows = |draft: &Draft, left: usize| {
        let regions = &draft.lane(row).regions;
        let pair = regions.get(left).zip(regions.get(left + 1));
        // Joining gives both the gain of the left one, which nobody asked for here.
        pair.is_some_and(|(left, right)| left.flows_into(right) && left.sounds_like(right))
    };
    if flows(draft, index) {
        draft.join(row, index)?;
    }
    if index > 0 && flows(draft, index - 1) {
        draft.join(row, index - 1)?;
    }
    Ok(())
}
