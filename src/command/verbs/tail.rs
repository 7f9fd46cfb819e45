//! `tail`: lets what rings too long end at a position.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::{Quantity, Unit};
use crate::command::verbs::FadeChange;
use crate::song::{Curve, Fade, FadeSide, Length};

/// Length of the fade into the new end unless told: common practice, no source.
const TAIL_MS: f64 = 80.0;

/// The verb.
pub static VERB: Verb = Verb {
    name: "tail",
    form: &[
        Part::Word("to"),
        Part::One(&[
            &[
                Part::Word("guide"),
                Part::Any(
                    0,
                    &[
                        &[Part::Word("within"), Part::Value("within-is", Kind::Length)],
                        &[Part::Word("consonants")],
                    ],
                ),
            ],
            &[Part::Value("to-time", Kind::Time)],
        ]),
        Part::Any(
            0,
            &[&[Part::Word("fade"), Part::Value("length", Kind::Length)], super::CURVE, super::BEND],
        ),
    ],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Lets the region that rings at a position fade to silence there (over 80 ms unless told). `to guide` does so for \
            every last word of a phrase that rings longer than the guide's by more than `within` (15 ms); a last consonant is \
            kept and slid, a stretch of the held sound before it is taken out. `consonants` puts the last t or s itself where \
            the guide has it, in the same way. What ends early is told.",
    examples: &[
        "tail to guide on role double",
        "tail to guide within 10ms on lane 2",
        "tail to guide consonants on role double",
        "tail to 3.2s on role double",
        "tail to 3.2s fade 150ms curve exponential on lane 3",
    ],
    also: &["ending", "ringout"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let Some(time) = super::time(&call.args, "to-time") else {
        return super::tail_guide::resolve(call, context);
    };
    let at = context.position(time)?;
    let change = FadeChange::from_args(&call.args, context)?;
    let mut draft = Draft::new(context);
    let mut trimmed = 0;
    for row in call.scope.lanes(context, call.verb.every)? {
        let lane = draft.lane(row);
        let refuse = |why: String| Diagnostic::refusal(format!("lane {} ({}): {why}", row + 1, lane.name));
        let Some(index) = lane.index_at(at) else {
            let last = lane.regions.iter().rev().find(|region| region.end() <= at);
            let ends = last
                .map_or_else(|| "nothing".into(), |region| format!("ends at {}", context.show(region.end())));
            return Err(refuse(format!("no region rings at {}; the one before {ends}", context.show(at)))
                .help("a tail is only ever shortened; leave that lane out of the scope"));
        };
        if lane.overlap_after(index) > 0 {
            return Err(refuse(format!("region {} ends in a crossfade", lane.regions[index].id))
                .help("`remove` what follows first, or choose a position in the last region"));
        }
        let region = lane.regions[index].clone();
        if at <= region.at + region.fade_in.length {
            return Err(refuse(format!(
                "nothing of region {} would be left before {}",
                region.id,
                context.show(at)
            )));
        }
        let fade = ending(region.fade_out, change, at.since(region.at + region.fade_in.length), context)?;
        // The fade must fit before the edges move: the shorter of the two orders is always valid.
        draft.set_fade(row, index, FadeSide::Out, Fade { length: Length::ZERO, ..fade });
        draft.set_edges(row, index, region.between(region.at, at).edges());
        draft.set_fade(row, index, FadeSide::Out, fade);
        trimmed += 1;
    }
    draft.finish(format!("ended {} at {}", super::count(trimmed, "tail"), context.show(at)))
}

fn ending(old: Fade, change: FadeChange, room: Length, context: &Context) -> Result<Fade, Diagnostic> {
    let usual = context.length(Quantity { value: TAIL_MS, unit: Unit::Milliseconds })?;
    let length = change.length.unwrap_or_else(|| usual.max(old.length).min(room));
    if length > room {
        return Err(Diagnostic::refusal(format!(
            "the fade is longer than what is left of the region ({} samples)",
            room.0
        ))
        .help("write a shorter one, as in `fade 50ms`"));
    }
    let curve = if old.length == Length::ZERO { Curve::RaisedCosine } else { old.curve };
    Ok(FadeChange { length: Some(length), ..change }.applied_to(Fade { curve, ..old }))
}
