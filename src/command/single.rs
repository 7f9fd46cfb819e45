//! Single values outside a command, such as options of the command line: written and read as in the language.

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::grammar::Kind;
use super::lexer::tokens;
use super::scope::named_lanes;
use super::value::{Value, read};
use crate::song::{Db, LaneId, Length, Shift, Span};

/// A span, as in `1.5s..4s`; `loop` stands for the loop that is set.
///
/// # Errors
/// The text is no span, or the span is empty or out of reach.
pub fn read_span(text: &str, context: &Context) -> Result<Span, Diagnostic> {
    if text.trim() == "loop" {
        return context.loop_span();
    }
    match value(Kind::Span, text, "a span such as 1.5s..4s")? {
        Value::Span(from, to) => context.span(from, to),
        _ => Err(Diagnostic::refusal("that is no span")),
    }
}

/// A length, as in `10s` or `5ms`.
///
/// # Errors
/// The text is no length, or out of reach.
pub fn read_length(text: &str, context: &Context) -> Result<Length, Diagnostic> {
    match value(Kind::Length, text, "a length such as 10s or 5ms")? {
        Value::Distance(quantity) => context.length(quantity),
        _ => Err(Diagnostic::refusal("that is no length")),
    }
}

/// A distance with its sign, as in `-35.2ms` or `+64smp`.
///
/// # Errors
/// The text is no distance, or out of reach.
pub fn read_shift(text: &str, context: &Context) -> Result<Shift, Diagnostic> {
    match value(Kind::Shift, text, "a distance such as +12ms")? {
        Value::Distance(quantity) => context.shift(quantity),
        _ => Err(Diagnostic::refusal("that is no distance")),
    }
}

/// A gain, as in `-20dB`.
///
/// # Errors
/// The text is no gain.
pub fn read_gain(text: &str) -> Result<Db, Diagnostic> {
    match value(Kind::Gain, text, "a gain such as -20dB")? {
        Value::Number(decibels) => Ok(Db(decibels)),
        _ => Err(Diagnostic::refusal("that is no gain")),
    }
}

/// Lanes by number or name, as in `1,3-5,"high"`.
///
/// # Errors
/// The text is no list of lanes, or there is no such lane.
pub fn read_lanes(text: &str, context: &Context) -> Result<Vec<LaneId>, Diagnostic> {
    let song = context.session.song();
    match value(Kind::Lanes, text, "lanes such as 1,3-5")? {
        Value::Lanes(lanes) => {
            let rows = named_lanes(song, &lanes)?;
            Ok(rows.into_iter().filter_map(|row| song.lanes.get(row)).map(|lane| lane.id).collect())
        }
        _ => Err(Diagnostic::refusal("those are no lanes")),
    }
}

fn value(kind: Kind, text: &str, what: &str) -> Result<Value, Diagnostic> {
    let found = tokens(text).map_err(|error| error.in_line(text))?;
    let unfit = |index: usize| {
        let span = found.get(index).map_or(text.len()..text.len() + 1, |token| token.span.clone());
        let typed = text.get(span.clone()).unwrap_or("the end");
        Diagnostic::new(span, format!("`{typed}` does not fit here")).help(format!("write {what}"))
    };
    match read(kind, &found, 0) {
        Ok((value, next)) if next == found.len() => Ok(value),
        Ok((_, next)) => Err(unfit(next).in_line(text)),
        Err(miss) => Err(miss.wrong.unwrap_or_else(|| unfit(miss.at)).in_line(text)),
    }
}
