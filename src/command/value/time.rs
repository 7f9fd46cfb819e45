//! Reads positions and distances on the timeline.

use super::read::{Miss, Read, miss, whole, wrong};
use super::{Quantity, TimeExpr, Unit, Value};
use crate::command::diagnostic::Diagnostic;
use crate::command::lexer::{self, Token, TokenKind};

/// Reads a text that is one position, as a command line has it: `12.5s`, `1:23.4`, `bar 33.2`, `end`.
///
/// # Errors
/// It is none.
pub fn read_time(text: &str) -> Result<TimeExpr, Diagnostic> {
    let tokens = lexer::tokens(text)?;
    match time(&tokens, 0) {
        Ok((time, next)) if next == tokens.len() => Ok(time),
        Err(Miss { wrong: Some(diagnostic), .. }) => Err(diagnostic),
        _ => Err(Diagnostic::new(0..text.len(), "this is no position")
            .help("as in 12.5s, 1:23.4, bar 33.2 or end")),
    }
}

fn quantity(tokens: &[Token], at: usize) -> Read<(Quantity, bool)> {
    match tokens.get(at) {
        Some(token @ Token { kind: TokenKind::Number { value, signed, unit }, .. }) => {
            let known = match unit.as_str() {
                "s" => Unit::Seconds,
                "ms" => Unit::Milliseconds,
                "smp" => Unit::Samples,
                "" => {
                    return wrong(at, token, format!("`{value}` needs a unit: ms, s or smp"), "as in 12ms");
                }
                _ => {
                    let message = format!("`{unit}` is no unit of time: ms, s or smp");
                    return wrong(at, token, message, "as in 12ms");
                }
            };
            if known == Unit::Samples && value.fract() != 0.0 {
                return wrong(at, token, "there are no parts of a sample".into(), "write a whole number");
            }
            Ok(((Quantity { value: *value, unit: known }, *signed), at + 1))
        }
        Some(Token { kind: TokenKind::Clock(seconds), .. }) => {
            Ok(((Quantity { value: *seconds, unit: Unit::Seconds }, false), at + 1))
        }
        _ => miss(at),
    }
}

pub(super) fn time(tokens: &[Token], at: usize) -> Read<TimeExpr> {
    match tokens.get(at).map(|token| &token.kind) {
        Some(TokenKind::Word(word)) => match word.as_str() {
            "cursor" => Ok((TimeExpr::Cursor, at + 1)),
            "end" => Ok((TimeExpr::End, at + 1)),
            "word" => whole(tokens, at + 1).map(|(word, next)| (TimeExpr::Word(word), next)),
            "bar" => bar(tokens, at + 1),
            _ => miss(at),
        },
        _ => quantity(tokens, at).map(|((quantity, _), next)| (TimeExpr::At(quantity), next)),
    }
}

/// A bar with its beat after the point. The number of digits comes from the length of the token, since as numbers
/// `12.1` and `12.10` would be the same.
fn bar(tokens: &[Token], at: usize) -> Read<TimeExpr> {
    let Some(token @ Token { kind: TokenKind::Number { value, signed: false, unit }, span }) = tokens.get(at)
    else {
        return miss(at);
    };
    if !unit.is_empty() || !(1.0..1e9).contains(value) {
        return wrong(at, token, "this is no bar".into(), "bars and beats count from 1, as in bar 33.2");
    }
    let whole = value.trunc();
    let digits = span.len().saturating_sub(format!("{whole}.").len());
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the range is checked before"
    )]
    let (bar, fraction) = (whole as u64, ((value - whole) * 10f64.powi(digits.min(3) as i32)).round() as u64);
    let beat = if digits == 0 { 1 } else { fraction };
    if beat == 0 || digits > 3 {
        return wrong(at, token, "this is no beat".into(), "beats count from 1, as in bar 33.2");
    }
    Ok((TimeExpr::Bar { bar, beat }, at + 1))
}

pub(super) fn distance(tokens: &[Token], at: usize, sign: bool) -> Read<Value> {
    let ((quantity, signed), next) = quantity(tokens, at)?;
    let Some(token) = tokens.get(at) else { return miss(at) };
    match (sign, signed) {
        (true, false) => wrong(
            at,
            token,
            "a distance to move by needs a sign".into(),
            "+ for later, - for earlier, as in +12ms; `to TIME` names a position",
        ),
        (false, true) => wrong(at, token, "a length has no sign".into(), "as in 12ms"),
        _ => Ok((Value::Distance(quantity), next)),
    }
}

pub(super) fn span(tokens: &[Token], at: usize) -> Read<Value> {
    let (from, next) = time(tokens, at)?;
    if !matches!(tokens.get(next), Some(Token { kind: TokenKind::DotDot, .. })) {
        return miss(next);
    }
    let (to, next) = time(tokens, next + 1)?;
    Ok((Value::Span(from, to), next))
}
