//! `trim`: keeps only what lies between positions.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::song::rules::FARTHEST;
use crate::song::{Position, Span};

/// The verb.
pub static VERB: Verb = Verb {
    name: "trim",
    form: &[Part::One(&[
        super::trim_gaps::FORM,
        &[Part::Word("to"), Part::Value("span", Kind::Span)],
        &[Part::Word("start"), Part::Word("to"), Part::Value("to-time", Kind::Time)],
        &[Part::Word("end"), Part::Word("to"), Part::Value("to-time", Kind::Time)],
    ])],
    scope: ScopeUse::Lanes,
    every: true,
    about: "Takes off what lies before or after a position, outside of a span, or between the phrases: `gaps` keeps every \
            soft ending and the room of `keep` around each sound, leaves gaps shorter than `least`, and treats breaths as \
            the role has it (doubles and harmonies: softened by 12 dB). `only` and `skip` choose among the proposals, \
            which `run --dry-run` lists.",
    examples: &[
        "trim start to 0.4s on lane 2",
        "trim end to 15s on all",
        "trim to 0.4s..15s on role harmony",
        "trim gaps on all",
        "trim gaps keep 60ms breaths soften 12dB on role double",
        "trim gaps breaths drop skip 2.1s,7.4s on lane 3",
    ],
    also: &["keep", "shorten"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    if call.args.has("gaps") {
        return super::trim_gaps::resolve(call, context);
    }
    let (mut keep_from, mut keep_to) = (Position(-FARTHEST), Position(FARTHEST));
    if let Some(Value::Span(from, to)) = call.args.get("span") {
        let span = context.span(*from, *to)?;
        (keep_from, keep_to) = (span.start, span.end);
    }
    if let Some(time) = super::time(&call.args, "to-time") {
        let at = context.position(time)?;
        if call.args.has("start") { keep_from = at } else { keep_to = at }
    }
    let rows = call.scope.lanes(context, call.verb.every)?;
    let mut draft = Draft::new(context);
    for row in &rows {
        for (start, end) in [(keep_to, Position(FARTHEST)), (Position(-FARTHEST), keep_from)] {
            if start < end {
                draft.clear(*row, Span { start, end })?;
            }
        }
    }
    draft
        .finish(format!("trimmed {}", super::count(rows.len(), "lane")))
        .map_err(|error| error.help("there is no sound outside of that to take off"))
}
