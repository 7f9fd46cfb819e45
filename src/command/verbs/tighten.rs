//! `tighten`: slides words home to the guide.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::{Action, Remark};
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::timing::tighten::{Piece, Plan, Quiet, Rules, names, plan};
use crate::command::timing::{LaneTiming, Timing, measure};
use crate::listen::seam;
use crate::song::{Curve, Fade, FadeSide, Length, Position, Region, Shift};

/// Offsets up to here stay unless told: common practice, no source.
const WITHIN_MS: f64 = 10.0;
/// Nothing is slid farther unless told.
const AT_MOST_MS: f64 = 150.0;
/// Words less sure than this move nothing unless told.
const SURE: f64 = 0.8;
/// Longest crossfade of a seam, in ms.
const CROSS_MS: f64 = 15.0;

/// The verb.
pub static VERB: Verb = Verb {
    name: "tighten",
    form: &[Part::Any(
        0,
        &[
            &[Part::Word("within"), Part::Value("within-is", Kind::Length)],
            &[Part::Word("at"), Part::Word("most"), Part::Value("most-is", Kind::Length)],
            &[Part::Word("sure"), Part::Value("sure-is", Kind::Unit)],
            &[Part::One(&[&[Part::Word("onsets")], &[Part::Word("vowels")]])],
        ],
    )],
    scope: ScopeUse::Regions,
    every: false,
    about: "Brings words within a distance of the guide (10 ms unless told) by the fewest cuts in quiet places: neighbours \
            that move alike stay one piece, pieces are slid and never stretched, seams are crossfaded. Words less sure than \
            `sure` (0.8), farther away than `at most` (150 ms) or without a quiet place before them stay, and it says so. \
            `run --dry-run` lists the pieces.",
    examples: &[
        "tighten on role double",
        "tighten within 3ms at most 150ms on all",
        "tighten within 8ms vowels on lane 2 word 3..5",
    ],
    also: &["align", "quantize", "tight"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let rows = call.scope.lanes(context, call.verb.every)?;
    let in_scope = call.scope.regions(context, call.verb.every)?;
    let chosen = call.scope.words(context)?;
    let rules = rules(call, context)?;
    let timing = measure(context, &rows)?;
    let mut draft = Draft::new(context);
    let (mut remarks, mut moved, mut cuts) = (Vec::new(), 0, 0);
    for lane in &timing.lanes {
        let wanted = |region: usize, word: usize| {
            let named = chosen.is_none_or(|(first, last)| (first..=last).contains(&(word as u64 + 1)));
            named && (chosen.is_some() || in_scope.contains(&(lane.row, region)))
        };
        let plan = plan(context, &timing, lane, &rules, &wanted)?;
        remarks
            .extend(plan.pieces.iter().filter(|piece| piece.by != 0).map(|piece| tell(&timing, lane, piece)));
        moved +=
            plan.pieces.iter().filter(|piece| piece.by != 0).map(|piece| piece.words.len()).sum::<usize>();
        cuts += carry_out(&mut draft, lane, &plan, context)?;
        remarks.extend(plan.refused);
    }
    let left = remarks.len();
    let summary = format!("slid {} by {}", super::count(moved, "word"), super::count(cuts, "cut"));
    match draft.finish(summary) {
        Ok(Action::Edit { ops, brought_from, summary, .. }) => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        Err(_) if moved == 0 && left > 0 => {
            let why: Vec<String> = remarks.iter().take(3).map(|remark| remark.text.clone()).collect();
            Err(Diagnostic::refusal(format!("nothing is moved: {}", why.join("; ")))
                .help("`timing` lists all words; `sure 0.5` and a larger `at most` allow more"))
        }
        Err(_) if moved == 0 => Err(Diagnostic::refusal("all words lie within the distance already")),
        other => other,
    }
}

fn rules(call: &Call, context: &Context) -> Result<Rules, Diagnostic> {
    let samples = |key: &str, usual: f64| -> Result<f64, Diagnostic> {
        let usual = usual * f64::from(context.session.rate) / 1000.0;
        Ok(super::length(&call.args, key, context)?.map_or(usual, |length| length.0 as f64))
    };
    Ok(Rules {
        within: samples("within-is", WITHIN_MS)?,
        at_most: samples("most-is", AT_MOST_MS)?,
        sure: super::number(&call.args, "sure-is").unwrap_or(SURE).clamp(0.0, 1.0),
        vowels: call.args.has("vowels"),
    })
}

fn tell(timing: &Timing, lane: &LaneTiming, piece: &Piece) -> Remark {
    let first = piece.words.first().map(|word| &lane.words[*word]);
    let last = piece.words.last().map(|word| &lane.words[*word]);
    let place = |at: Option<f64>| Position(at.unwrap_or(0.0) as i64);
    let cut = piece.before.map_or(String::new(), |quiet| format!(", cut at {:.0} dBFS", quiet.level_db));
    Remark {
        lane: lane.row + 1,
        from: place(first.map(|word| word.at)),
        to: place(last.map(|word| word.end.max(word.at))),
        text: format!(
            "{}: {:+.1} ms{cut}, sure {:.2}",
            names(lane, &piece.words),
            timing.ms(piece.by as f64),
            piece.confidence
        ),
    }
}

/// Cuts, slides and closes seams; gives the number of cuts.
fn carry_out(
    draft: &mut Draft,
    lane: &LaneTiming,
    plan: &Plan,
    context: &Context,
) -> Result<usize, Diagnostic> {
    if plan.pieces.iter().all(|piece| piece.by == 0) {
        return Ok(0);
    }
    let row = plan.row;
    let mut cuts = 0;
    for piece in plan.pieces.iter().rev() {
        if let Some(quiet) = piece.before {
            draft.split(row, piece.region, Position(quiet.cut))?;
            cuts += 1;
        }
    }
    // Cuts add a region each: where each piece, and each region without one, stands now.
    let mut now: Vec<Option<&Piece>> = Vec::new();
    for region in 0..context.session.song().lanes[row].regions.len() {
        let mut pieces = plan.pieces.iter().filter(|piece| piece.region == region).peekable();
        if pieces.peek().is_none() {
            now.push(None);
        }
        now.extend(pieces.map(Some));
    }
    for (index, piece) in now.iter().enumerate() {
        draft.slide(row, index, Shift(piece.map_or(0, |piece| piece.by)));
    }
    for index in 1..now.len() {
        let by = |piece: Option<&Piece>| piece.map_or(0, |piece| piece.by);
        let (left, right) = (by(now[index - 1]), by(now[index]));
        if left != right {
            let joint = Joint::new(draft, lane, row, index, (now[index - 1], now[index]));
            close(draft, row, index, joint, context)?;
        }
    }
    Ok(cuts)
}

/// Where on the timeline the two sides of a seam are quiet, after they were slid.
#[derive(Debug, Clone, Copy)]
struct Joint {
    left: (i64, i64),
    right: (i64, i64),
    /// The two were one before, and may be drawn out into each other.
    cut: bool,
}

impl Joint {
    fn new(
        draft: &Draft,
        lane: &LaneTiming,
        row: usize,
        index: usize,
        (left, right): (Option<&Piece>, Option<&Piece>),
    ) -> Joint {
        let (a, b) = (draft.region(row, index - 1), draft.region(row, index));
        let by = |piece: Option<&Piece>| piece.map_or(0, |piece| piece.by);
        if let Some(Quiet { from, to, .. }) = right.and_then(|piece| piece.before) {
            let side = |by: i64| (from + by, to + by);
            return Joint { left: side(by(left)), right: side(by(right)), cut: true };
        }
        let ended =
            left.and_then(|piece| piece.words.last()).map(|word| lane.words[*word].end as i64 + by(left));
        let onset =
            right.and_then(|piece| piece.words.first()).map(|word| lane.words[*word].at as i64 + by(right));
        Joint {
            left: (ended.unwrap_or(a.end().0).min(a.end().0), a.end().0),
            right: (b.at.0, onset.unwrap_or(b.at.0).max(b.at.0)),
            cut: false,
        }
    }
}

/// Joins two neighbours where both are quiet; where one word comes too near, the tail before it gives way.
fn close(
    draft: &mut Draft,
    row: usize,
    index: usize,
    joint: Joint,
    context: &Context,
) -> Result<(), Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let (left, right) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    if !joint.cut && left.end() <= right.at {
        return Ok(());
    }
    let (from, to) = (joint.left.0.max(joint.right.0), joint.left.1.min(joint.right.1));
    let least = ms(2.0).max(2);
    if to - from >= least {
        let length = (to - from).min(ms(CROSS_MS));
        return cross(draft, row, index, (from, to, length), context);
    }
    if joint.left.1 < joint.right.0 + least {
        // The hole is wider than what is quiet on both sides together: each side fades, and silence lies between.
        let (end, start) = (joint.left.1, joint.right.0.max(joint.left.1));
        set(
            draft,
            row,
            index - 1,
            &left,
            (left.at.0, end),
            Some((FadeSide::Out, joint.left.1 - joint.left.0)),
        );
        set(
            draft,
            row,
            index,
            &right,
            (start, right.end().0),
            Some((FadeSide::In, joint.right.1 - joint.right.0)),
        );
        return Ok(());
    }
    let length = ms(10.0);
    let to = joint.right.1.max(joint.right.0 + length).min(left.end().0.max(joint.left.1));
    cross(draft, row, index, (to - length, to, length), context)
}

/// Lets two neighbours cross somewhere within a span, where the seam finder says.
fn cross(
    draft: &mut Draft,
    row: usize,
    index: usize,
    (from, to, length): (i64, i64, i64),
    context: &Context,
) -> Result<(), Diagnostic> {
    let (left, right) = (draft.region(row, index - 1).clone(), draft.region(row, index).clone());
    let read = |region: &Region| -> Result<Vec<f32>, Diagnostic> {
        let mut samples = vec![0.0f32; usize::try_from(to - from).unwrap_or(0)];
        let source = from - region.source_origin().0;
        let lead = usize::try_from(-source).unwrap_or(0).min(samples.len());
        context.hearing.samples(region.asset, u64::try_from(source).unwrap_or(0), &mut samples[lead..])?;
        Ok(samples)
    };
    let (before, after) = (read(&left)?, read(&right)?);
    let pair = seam::Pair {
        before: &before,
        after: &after,
        reach: 0,
        rate: context.session.rate,
        length: usize::try_from(length).unwrap_or(1),
    };
    let found = seam::find(&pair);
    let start = from + found.map_or(0, |found| i64::try_from(found.start).unwrap_or(0));
    let end = start + length;
    let (curve, bend) = seam::law(found.map_or(0.0, |found| found.correlation));
    set(draft, row, index - 1, &left, (left.at.0, end), None);
    set(draft, row, index, &right, (start, right.end().0), None);
    let fade = Fade { length: Length(length.unsigned_abs()), curve, bend };
    draft.set_fade(row, index - 1, FadeSide::Out, fade);
    draft.set_fade(row, index, FadeSide::In, fade);
    Ok(())
}

/// Moves a region's edges without moving its sound; the side that is named gets a fade of at most 10 ms.
fn set(
    draft: &mut Draft,
    row: usize,
    index: usize,
    region: &Region,
    (from, to): (i64, i64),
    fade: Option<(FadeSide, i64)>,
) {
    let origin = region.source_origin().0;
    let from = from.max(origin);
    let edges = crate::song::Edges {
        source_in: u64::try_from(from - origin).unwrap_or(0),
        length: Length(u64::try_from(to - from).unwrap_or(0)),
        at: Position(from),
    };
    draft.set_edges(row, index, edges);
    if let Some((side, room)) = fade {
        let length = Length(u64::try_from(room.clamp(0, 480)).unwrap_or(0));
        draft.set_fade(row, index, side, Fade { length, curve: Curve::RaisedCosine, ..Fade::NONE });
    }
}

/// Length of the crossfade where a stretch of held sound was taken out, in ms.
const HELD_MS: f64 = 25.0;
/// Longest pitch period that is looked for, in ms.
const PERIOD_MS: f64 = 12.0;

/// Takes about `length` samples out of a held sound within a span of the timeline and slides what follows in its region
/// there, joined in phase. Gives the correlation at the seam; `None` if there is no room.
pub(super) fn remove_stretch(
    draft: &mut Draft,
    context: &Context,
    row: usize,
    (from, to): (f64, f64),
    length: f64,
) -> Result<Option<f64>, Diagnostic> {
    let ms = |ms: f64| (ms * f64::from(context.session.rate) / 1000.0) as i64;
    let (from, to, length) = (from as i64, to as i64, length.round() as i64);
    let (cross, reach) = (ms(HELD_MS), ms(PERIOD_MS).min(length / 2));
    // The crossfade begins on the left at `start`, and on the right `length` later in the recording.
    let room = to - from - length - 2 * reach;
    let Some(index) = draft.lane(row).index_at(Position(from)) else { return Ok(None) };
    let region = draft.region(row, index).clone();
    let inside = from >= (region.at + region.fade_in.length).0
        && to + cross < (region.end() - region.fade_out.length).0;
    if room < cross || !inside || length < 2 {
        return Ok(None);
    }
    let read = |at: i64, count: i64| -> Result<Vec<f32>, Diagnostic> {
        let mut samples = vec![0.0f32; usize::try_from(count).unwrap_or(0)];
        let source = u64::try_from(at - region.source_origin().0).unwrap_or(0);
        context.hearing.samples(region.asset, source, &mut samples)?;
        Ok(samples)
    };
    let before = read(from, room)?;
    let after = read(from + length - reach, room + 2 * reach)?;
    let pair = seam::Pair {
        before: &before,
        after: &after,
        reach: usize::try_from(reach).unwrap_or(0),
        rate: context.session.rate,
        length: usize::try_from(cross).unwrap_or(1),
    };
    let Some(found) = seam::find(&pair) else { return Ok(None) };
    let start = from + i64::try_from(found.start).unwrap_or(0);
    let taken = length - found.nudge;
    draft.split(row, index, Position(start + cross))?;
    let (left, right) = (draft.region(row, index).clone(), draft.region(row, index + 1).clone());
    // The right part begins in the recording where the left one's crossfade does, plus what is taken out.
    let origin = right.source_origin().0 - taken;
    let edges = crate::song::Edges {
        source_in: u64::try_from(start - origin).unwrap_or(0),
        length: Length(u64::try_from(right.end().0 - taken - start).unwrap_or(0)),
        at: Position(start),
    };
    draft.set_edges(row, index, left.edges());
    draft.set_edges(row, index + 1, edges);
    let (curve, bend) = seam::law(found.correlation);
    let fade = Fade { length: Length(cross.unsigned_abs()), curve, bend };
    draft.set_fade(row, index, FadeSide::Out, fade);
    draft.set_fade(row, index + 1, FadeSide::In, fade);
    Ok(Some(found.correlation))
}
