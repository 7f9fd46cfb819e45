//! `loop`: sets what plays in a loop.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::scope::Scope;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::value::Value;
use crate::edit::Op;
use crate::song::Span;

/// The verb.
pub static VERB: Verb = Verb {
    name: "loop",
    form: &[Part::One(&[
        &[Part::Word("off")],
        &[Part::Word("here")],
        &[Part::Word("word"), Part::Value("words", Kind::Words)],
        &[Part::Value("span", Kind::Span)],
    ])],
    scope: ScopeUse::None,
    every: false,
    about: "Sets what plays in a loop: a span, or the region at the cursor.",
    examples: &["loop 1s..3.5s", "loop here", "loop off"],
    also: &["cycle", "repeat"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let to = match call.args.get("span") {
        Some(Value::Span(from, to)) => Some(context.span(*from, *to)?),
        _ if let Some(Value::Words(first, last)) = call.args.get("words") => {
            Some(context.word_span(*first, *last)?)
        }
        _ if call.args.has("here") => {
            let (row, index) = Scope::HERE.regions(context, true)?[0];
            let region = &context.session.song().lanes[row].regions[index];
            Some(Span { start: region.at, end: region.end() })
        }
        _ => None,
    };
    let mut draft = Draft::new(context);
    let from = draft.song().loop_span;
    if from != to {
        draft.push(Op::SetLoop { from, to })?;
    }
    draft.finish(match to {
        Some(span) => format!("loop {}..{}", context.show(span.start), context.show(span.end)),
        None => "no loop".to_owned(),
    })
}
