//! `seam`: puts the joint of two regions where it is heard least, or says how each one stands.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::joint::measure;
use crate::command::outcome::{Action, Remark};
use crate::command::proposal::of_ms;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::listen::seam::{Joint, Pair, find, law};
use crate::song::rules::AssetFrames;
use crate::song::{Edges, Fade, FadeSide, Length, Position, Region};

/// How far from where the regions meet now a joint is looked for, unless told.
const WITHIN_MS: u64 = 30;
/// Length of a crossfade, unless told (common practice, no source).
const LENGTH_MS: u64 = 15;
/// By how much the later region may be nudged: half the period of a voice of 100 Hz, far below what is heard as timing.
const NUDGE_MS: u64 = 5;
/// Wider windows are not searched.
const WIDEST_MS: u64 = 500;

/// The verb.
pub static VERB: Verb = Verb {
    name: "seam",
    form: &[Part::One(&[
        &[Part::Word("report")],
        &[Part::Any(
            0,
            &[
                &[Part::Word("within"), Part::Value("within-is", Kind::Length)],
                &[Part::Word("length"), Part::Value("length-is", Kind::Length)],
                &[Part::Word("still")],
            ],
        )],
    ])],
    scope: ScopeUse::Regions,
    every: false,
    about: "Improves joints: within 30 ms each crossfade goes where it is quiet or, inside a held sound, where the waveforms \
            agree; the later piece slips by up to 5 ms for that (`still`: by nothing), and the law follows the measured \
            correlation. Closes gaps up to the window. `report` changes nothing and gives level, correlation and click.",
    examples: &["seam on here", "seam within 50ms length 20ms on lane 2", "seam report on all"],
    also: &["splice", "heal"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let found = call.scope.regions(context, call.verb.every)?;
    let rate = context.session.rate;
    let within = super::length(&call.args, "within-is", context)?.unwrap_or(of_ms(WITHIN_MS, rate));
    if within > of_ms(WIDEST_MS, rate) {
        return Err(Diagnostic::refusal(format!("a joint is looked for within {WIDEST_MS} ms at most")));
    }
    let report = call.args.has("report");
    let reach = if report { Length::ZERO } else { within };
    let joints = super::crossfade::joints_within(context, &found, reach);
    if joints.is_empty() {
        return Err(Diagnostic::refusal("no two regions of the scope meet")
            .help("`seam within 50ms` also closes gaps up to that length"));
    }
    let mut draft = Draft::new(context);
    let mut remarks = Vec::new();
    for (row, left) in joints {
        let nudge = match report {
            true => 0,
            false => improve(&mut draft, row, left, within, call, context)?,
        };
        remarks.push(remark(&draft, row, left, nudge, context)?);
    }
    let seams = super::count(remarks.len(), "seam");
    if report {
        return Ok(Action::Tell { summary: seams, remarks });
    }
    match draft.finish(format!("improved {seams}"))? {
        Action::Edit { ops, brought_from, summary, .. } => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        other => Ok(other),
    }
}

/// Finds the best joint of two regions and puts it there; gives by how much the later one was nudged.
fn improve(
    draft: &mut Draft,
    row: usize,
    left: usize,
    within: Length,
    call: &Call,
    context: &Context,
) -> Result<i64, Diagnostic> {
    let rate = context.session.rate;
    let (before, after) = (draft.region(row, left).clone(), draft.region(row, left + 1).clone());
    let refuse = |why: &str| {
        Diagnostic::refusal(format!("lane {} at {}: {why}", row + 1, context.show(after.at)))
    };
    let length = super::length(&call.args, "length-is", context)?.unwrap_or(of_ms(LENGTH_MS, rate));
    let frames = |region: &Region| context.session.frames(region.asset).unwrap_or(0);
    // Both recordings must reach over the window, and the fades on the far sides must stay clear of it.
    let first = (before.end().min(after.at) - within)
        .max(before.at + before.fade_in.length)
        .max(after.source_origin());
    let last = (before.end().max(after.at) + within)
        .min(after.end() - after.fade_out.length)
        .min(before.source_origin() + Length(frames(&before)));
    let window = last.since(first).0;
    if window < 2 || length == Length::ZERO {
        return Err(refuse("the recordings have no room for a crossfade there"));
    }
    let lead = first.since(after.source_origin()).0;
    let tail = frames(&after).saturating_sub(lead + window);
    let next = draft.lane(row).regions.get(left + 2);
    let flows_on = next.is_some_and(|next| after.flows_into(next));
    let free = if flows_on || call.args.has("still") { 0 } else { of_ms(NUDGE_MS, rate).0 };
    // Where another region follows at once the far end stays where it is, and the recording must reach under it.
    let held = next.is_some_and(|next| next.at <= after.end() + Length(free));
    let behind = if held { frames(&after).saturating_sub(after.source_end()) } else { free };
    let reach = free.min(lead).min(tail).min(behind) as usize;
    let mut a = vec![0.0f32; window as usize];
    let mut b = vec![0.0f32; window as usize + 2 * reach];
    context.hearing.samples(before.asset, first.since(before.source_origin()).0, &mut a)?;
    context.hearing.samples(after.asset, lead - reach as u64, &mut b)?;
    let pair = Pair { before: &a, after: &b, reach, rate, length: length.0 as usize };
    let joint = find(&pair).ok_or_else(|| refuse("the recordings have no room for a crossfade there"))?;
    apply(draft, row, left, first, joint, held);
    Ok(joint.nudge)
}

fn apply(draft: &mut Draft, row: usize, left: usize, first: Position, joint: Joint, held: bool) {
    let (before, after) = (draft.region(row, left).clone(), draft.region(row, left + 1).clone());
    let length = Length(joint.length as u64);
    let start = first + Length(joint.start as u64);
    let source = start.since(after.source_origin()).0.saturating_add_signed(-joint.nudge);
    draft.set_edges(row, left, Edges { length: (start + length).since(before.at), ..before.edges() });
    let long = if held { after.end().since(start) } else { Length(after.source_end().saturating_sub(source)) };
    let to = Edges { source_in: source, length: long, at: start };
    draft.set_edges(row, left + 1, to);
    let (curve, bend) = law(joint.correlation);
    let fade = Fade { length, curve, bend };
    draft.set_fade(row, left, FadeSide::Out, fade);
    draft.set_fade(row, left + 1, FadeSide::In, fade);
}

fn remark(draft: &Draft, row: usize, left: usize, nudge: i64, context: &Context) -> Result<Remark, Diagnostic> {
    let (before, after) = (draft.region(row, left), draft.region(row, left + 1));
    let measured = measure(before, after, context.session.rate, context.hearing)?;
    let kind = if before.end() > after.at { "crossfade" } else { "butt joint" };
    let slipped = match nudge {
        0 => String::new(),
        by => format!(", slipped by {:+.2} ms", by as f64 * 1000.0 / f64::from(context.session.rate)),
    };
    Ok(Remark {
        lane: row + 1,
        from: after.at,
        to: before.end().max(after.at),
        text: format!(
            "{kind}: level {:.0} dBFS, correlation {:.2}, change {:+.1} dB, click {:+.0} dB{slipped}",
            measured.level_db, measured.correlation, measured.change_db, measured.click_db
        ),
    })
}
