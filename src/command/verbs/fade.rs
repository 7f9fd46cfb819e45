//! `fade`: sets the ramps at the edges of regions.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::{Quantity, Unit};
use crate::command::verbs::FadeChange;
use crate::song::{FadeSide, Length, PresetRamp};

/// The verb.
pub static VERB: Verb = Verb {
    name: "fade",
    form: &[Part::One(&[
        super::fade_save::FORM,
        &[
            Part::Word("preset"),
            Part::Value("preset-name", Kind::FadePreset),
            Part::Maybe(&[Part::Word("fit")]),
        ],
        &[
            Part::Word("missing"),
            Part::Any(
                0,
                &[&[Part::Value("length", Kind::Length)], super::CURVE, super::BEND, &[Part::Word("fit")]],
            ),
        ],
        &[
            Part::One(&[&[Part::Word("in")], &[Part::Word("out")], &[Part::Word("both")]]),
            Part::Any(
                1,
                &[
                    &[Part::One(&[
                        &[Part::Value("length", Kind::Length)],
                        &[Part::Value("by", Kind::Shift)],
                    ])],
                    super::SCALE,
                    super::LONGER,
                    super::SHORTER,
                    super::CURVE,
                    super::BEND_TOO,
                    &[Part::Word("fit")],
                ],
            ),
        ],
    ])],
    scope: ScopeUse::Regions,
    every: true,
    about: "Sets length, curve or bend of fades, changes them from what they are (`scale`, `longer`, `shorter` or a signed length, `bend by`), \
            uses or saves a preset, or gives every edge without a fade one whose length follows the sound unless told; \
            `fit` shortens where a region is too short. Crossfades keep their length.",
    examples: &[
        "fade both 5ms on lane 2",
        "fade out 40ms curve equal-power bend 0.3 on all",
        "fade out +10ms fit on all",
        "fade preset soft-ends on role double",
        "fade missing on all",
        "fade out longer 10ms bend by 0.1 on role double",
        "fade both scale 1.5 fit on lane 2",
        "fade save preset verse-ends on lane 2 at 1.6s",
    ],
    also: &["ramp"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    if let Some(name) = super::text(&call.args, "save-name") {
        return super::fade_save::resolve(name, call, context);
    }
    let found = call.scope.regions(context, call.verb.every)?;
    let changes = changes(call, context)?;
    let missing = call.args.has("missing");
    let mut draft = Draft::new(context);
    let mut kept = 0;
    for (row, index) in &found {
        for (side, change) in changes {
            let Some(change) = change else { continue };
            let change = match edge(&draft, *row, *index, side) {
                Edge::Flowing if missing => continue,
                Edge::Crossfade if missing => continue,
                Edge::Crossfade => {
                    kept += usize::from(change.has_length());
                    change.without_length()
                }
                _ => change,
            };
            let fade = draft.region(*row, *index).fade(side);
            if missing && fade.length != Length::ZERO {
                continue;
            }
            let mut to = change.applied_to(fade);
            let by_rule = missing && change.length.is_none();
            if by_rule {
                to.length = super::fade_rule::natural(draft.region(*row, *index), side, context)?;
            }
            if call.args.has("fit") || by_rule {
                to.length = to.length.min(room(&draft, *row, *index, side, &changes));
            }
            draft.set_fade(*row, *index, side, to);
        }
    }
    let mut summary = format!("set fades of {}", super::regions_on_lanes(&found));
    if kept > 0 {
        summary.push_str(&format!(
            "; {} kept its length (`crossfade` sets it)",
            super::count(kept, "crossfaded edge")
        ));
    }
    let nothing = if missing { "no edge in the scope lacks a fade" } else { "" };
    draft.finish(summary).map_err(|error| match (nothing, kept) {
        ("", 0) => error,
        ("", _) => error.help("crossfades keep their length; `crossfade 15ms` sets it"),
        _ => error.help(nothing),
    })
}

fn changes(call: &Call, context: &Context) -> Result<[(FadeSide, Option<FadeChange>); 2], Diagnostic> {
    if let Some(name) = super::text(&call.args, "preset-name") {
        let preset = context.presets.fades.get(name).ok_or_else(|| {
            let names: Vec<&str> = context.presets.fades.keys().map(String::as_str).collect();
            let refusal = Diagnostic::refusal(format!("there is no fade preset \"{name}\""));
            match crate::command::suggest::nearest(name, names.iter().copied()) {
                Some(near) => refusal.help(format!("did you mean {near}?")),
                None => refusal.help(format!("presets: {}", names.join(", "))),
            }
        })?;
        let ramp = |ramp: Option<PresetRamp>| {
            ramp.map(|ramp| {
                let length = context.length(Quantity { value: ramp.ms, unit: Unit::Milliseconds })?;
                Ok(FadeChange {
                    length: Some(length),
                    curve: Some(ramp.curve),
                    bend: Some(ramp.bend),
                    ..FadeChange::default()
                })
            })
            .transpose()
        };
        return Ok([(FadeSide::In, ramp(preset.fade_in)?), (FadeSide::Out, ramp(preset.fade_out)?)]);
    }
    let change = FadeChange::from_args(&call.args, context)?;
    let on = |word: &str| {
        (call.args.has(word) || call.args.has("both") || call.args.has("missing")).then_some(change)
    };
    Ok([(FadeSide::In, on("in")), (FadeSide::Out, on("out"))])
}

enum Edge {
    /// The neighbour goes on where this region stops: a cut that has not moved.
    Flowing,
    /// The neighbour overlaps.
    Crossfade,
    /// Anything else.
    Free,
}

fn edge(draft: &Draft, row: usize, index: usize, side: FadeSide) -> Edge {
    let lane = draft.lane(row);
    let left = match side {
        FadeSide::Out => Some(index),
        FadeSide::In => index.checked_sub(1),
    };
    let pair = left.and_then(|left| lane.regions.get(left).zip(lane.regions.get(left + 1)));
    match (pair, left) {
        (Some((before, after)), _) if before.flows_into(after) => Edge::Flowing,
        (Some(_), Some(left)) if lane.overlap_after(left) > 0 => Edge::Crossfade,
        _ => Edge::Free,
    }
}

/// The longest fade that fits: where both sides are set they share the region.
fn room(
    draft: &Draft,
    row: usize,
    index: usize,
    side: FadeSide,
    changes: &[(FadeSide, Option<FadeChange>); 2],
) -> Length {
    let region = draft.region(row, index);
    let other = if side == FadeSide::In { FadeSide::Out } else { FadeSide::In };
    let shared = changes.iter().all(|(_, change)| change.is_some_and(|change| change.has_length()));
    let taken = match (shared, side) {
        (true, FadeSide::In) => region.length.0.div_ceil(2),
        _ => region.fade(other).length.0,
    };
    Length(region.length.0.saturating_sub(taken))
}
