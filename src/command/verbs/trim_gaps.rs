//! `trim gaps`: empties what lies between the phrases.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::dip::Dip;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::hearing::assets_of;
use crate::command::outcome::{Action, Remark};
use crate::command::proposal::{self, Breaths, Does, GapRules, Proposal};
use crate::command::table::Call;
use crate::command::value::Value;
use crate::song::{Curve, Db, Fade, FadeSide, Lane, Length, Role, Span};

/// What may stand behind `trim gaps`.
pub(super) const FORM: &[Part] = &[
    Part::Word("gaps"),
    Part::Any(
        0,
        &[
            &[Part::Word("keep"), Part::Value("keep-is", Kind::Length)],
            &[Part::Word("least"), Part::Value("least-is", Kind::Length)],
            &[
                Part::Word("breaths"),
                Part::One(&[
                    &[Part::Word("keep")],
                    &[Part::Word("drop")],
                    &[Part::Word("soften"), Part::Value("soften-by", Kind::Gain)],
                ]),
            ],
            &[Part::Word("only"), Part::Value("only-at", Kind::Times)],
            &[Part::Word("skip"), Part::Value("skip-at", Kind::Times)],
            &[Part::Word("places"), Part::Value("places-are", Kind::Quoted)],
            &[Part::Word("anyway")],
        ],
    ),
];

/// More of a lane than this does not go without being asked again.
const MOST: f64 = 0.8;
/// Ramps of a softened breath, in ms (common practice, no source).
const BREATH_RAMP_MS: u64 = 10;

pub(super) fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let song = context.session.song();
    let mut rows = call.scope.lanes(context, call.verb.every)?;
    if call.scope.is_all() {
        rows.retain(|row| song.lanes[*row].role != Role::Backing);
    }
    context.hearing.prepare(&assets_of(rows.iter().map(|row| song.lanes[*row].as_ref())))?;
    let rules = rules(call, context)?;
    let mut draft = Draft::new(context);
    let (mut remarks, mut objections, mut spans, mut softened) = (Vec::new(), Vec::new(), 0, 0);
    for row in rows {
        let lane = &song.lanes[row];
        let mut found = proposal::gaps(lane, context.session.rate, &rules, context.hearing)?;
        choose(&mut found.proposals, row, call, context)?;
        if found.share > MOST && !call.args.has("anyway") {
            return Err(too_much(row, lane, found.share));
        }
        if let Some(why) = found.nothing {
            objections.push(format!("lane {} ({}): nothing to do, because {why}", row + 1, lane.name));
        }
        apply(&mut draft, row, &found.proposals, &rules, context)?;
        spans += found.proposals.iter().filter(|proposal| proposal.does == Does::Empty).count();
        softened += found.proposals.iter().filter(|proposal| proposal.does != Does::Empty).count();
        remarks.extend(found.proposals.into_iter().map(|proposal| remark(row, &proposal)));
    }
    let breaths =
        if softened > 0 { format!(", softened {}", super::count(softened, "breath")) } else { String::new() };
    let why = objections.join("; ");
    let notes = if why.is_empty() { String::new() } else { format!("; {why}") };
    match draft.finish(format!("emptied {}{breaths}{notes}", super::count(spans, "gap"))) {
        Ok(Action::Edit { ops, brought_from, summary, .. }) => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        Err(_) if !why.is_empty() => Err(Diagnostic::refusal(why)),
        other => other,
    }
}

pub(in crate::command) fn rules(call: &Call, context: &Context) -> Result<GapRules, Diagnostic> {
    let usual = GapRules::usual(context.session.rate);
    let breaths = match super::number(&call.args, "soften-by") {
        Some(by) => Some(Breaths::Soften(Db(-by.abs()))),
        None if call.args.has("drop") => Some(Breaths::Drop),
        None if call.args.has("breaths") => Some(Breaths::Keep),
        None => None,
    };
    Ok(GapRules {
        keep: super::length(&call.args, "keep-is", context)?,
        least: super::length(&call.args, "least-is", context)?.unwrap_or(usual.least),
        breaths,
    })
}

/// Keeps what `only` or `places` names, and not what `skip` names.
fn choose(
    proposals: &mut Vec<Proposal>,
    row: usize,
    call: &Call,
    context: &Context,
) -> Result<(), Diagnostic> {
    for (key, wanted) in [("only-at", true), ("skip-at", false)] {
        let Some(Value::Times(times)) = call.args.get(key) else { continue };
        let mut places = Vec::new();
        for time in times {
            places.push(context.position(*time)?);
        }
        proposals.retain(|proposal| places.iter().any(|at| proposal.span.contains(*at)) == wanted);
    }
    if let Some(text) = super::text(&call.args, "places-are") {
        let places = proposal::read_places(text, context)?;
        let named = |proposal: &Proposal| {
            places.iter().any(|(lane, at)| *lane == row + 1 && proposal.span.contains(*at))
        };
        proposals.retain(named);
    }
    Ok(())
}

fn too_much(row: usize, lane: &Lane, share: f64) -> Diagnostic {
    Diagnostic::refusal(format!(
        "lane {} ({}): {:.0} % of what sounds would go; nothing was changed",
        row + 1,
        lane.name,
        share * 100.0
    ))
    .help("if that is right, write `trim gaps anyway`; `run --dry-run` lists the spans")
}

fn remark(row: usize, proposal: &Proposal) -> Remark {
    let does = match proposal.does {
        Does::Empty => "empty".to_owned(),
        Does::Soften(by) => format!("soften by {:.0} dB", -by.0),
        Does::Slide { .. } => "slide".to_owned(),
    };
    Remark {
        lane: row + 1,
        from: proposal.span.start,
        to: proposal.span.end,
        text: format!("{does}: {}", proposal.reason),
    }
}

/// Carries proposals of one lane out, and fades the edges that arise within the room that stays.
fn apply(
    draft: &mut Draft,
    row: usize,
    proposals: &[Proposal],
    rules: &GapRules,
    context: &Context,
) -> Result<(), Diagnostic> {
    let rate = context.session.rate;
    let (before, behind) = rules.room(rate);
    for proposal in proposals.iter().rev().filter(|proposal| proposal.does == Does::Empty) {
        let Span { start, end } = proposal.span;
        draft.clear(row, proposal.span)?;
        let after = draft.lane(row).regions.partition_point(|region| region.at < end);
        if draft.lane(row).regions.get(after).is_some_and(|region| region.at == end) {
            set(draft, row, after, FadeSide::In, before);
        }
        if let Some(left) = after.checked_sub(1)
            && draft.region(row, left).end() == start
        {
            set(draft, row, left, FadeSide::Out, behind);
        }
    }
    // A breath that stands alone by now is softened as a whole, fades and all.
    for proposal in proposals.iter().rev() {
        if let Does::Soften(by) = proposal.does {
            draft.dip(row, proposal.span, Dip::By(by), proposal::of_ms(BREATH_RAMP_MS, rate))?;
        }
    }
    Ok(())
}

/// Sets a fade as long as fits; one that is there already and longer stays.
fn set(draft: &mut Draft, row: usize, index: usize, side: FadeSide, length: Length) {
    let region = draft.region(row, index);
    let other = region.fade(if side == FadeSide::In { FadeSide::Out } else { FadeSide::In }).length;
    let room = Length(region.length.0.saturating_sub(other.0));
    let old = region.fade(side);
    let to = Fade { length: length.min(room), curve: Curve::RaisedCosine, ..Fade::NONE };
    if old.length < to.length {
        draft.set_fade(row, index, side, to);
    }
}
