//! Reads a value from the tokens of a line, or says what is wrong with what stands there.

use super::time::{distance, span, time};
use super::{EditRef, LaneRef, Value};
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::Kind;
use crate::command::lexer::{Token, TokenKind};
use crate::song::tone::Stage;
use crate::song::{Curve, Role};

/// No value of the kind stands here.
pub struct Miss {
    /// The token that does not fit.
    pub at: usize,
    /// What is wrong with it, if it is nearly right.
    pub wrong: Option<Diagnostic>,
}

pub(super) type Read<T> = Result<(T, usize), Miss>;

/// Reads a value of `kind` from token `at` on; gives the token after it.
///
/// # Errors
/// No such value stands there.
pub fn read(kind: Kind, tokens: &[Token], at: usize) -> Read<Value> {
    match kind {
        Kind::Time => time(tokens, at).map(|(time, next)| (Value::Times(vec![time]), next)),
        Kind::Times => list(tokens, at, time).map(|(times, next)| (Value::Times(times), next)),
        Kind::Shift => distance(tokens, at, true),
        Kind::Length => distance(tokens, at, false),
        Kind::Span => span(tokens, at),
        Kind::GainChange => gain(tokens, at, true),
        Kind::Gain => gain(tokens, at, false),
        Kind::Unit => unit_interval(tokens, at),
        Kind::Factor => factor(tokens, at),
        Kind::Count => whole(tokens, at).map(|(count, next)| (Value::Count(count), next)),
        Kind::Curve => word_of(tokens, at, &Curve::ALL).map(|(curve, next)| (Value::Curve(curve), next)),
        Kind::Role => role(tokens, at).map(|(role, next)| (Value::Roles(vec![role]), next)),
        Kind::Roles => list(tokens, at, role).map(|(roles, next)| (Value::Roles(roles), next)),
        Kind::Text | Kind::FadePreset | Kind::Tone => text(tokens, at, true),
        Kind::Quoted => text(tokens, at, false),
        Kind::Edit => edit(tokens, at),
        Kind::Lanes => list(tokens, at, lanes).map(|(lanes, next)| (Value::Lanes(lanes), next)),
        Kind::Words => words(tokens, at),
        Kind::Frequency => frequency(tokens, at),
        Kind::Plain => plain(tokens, at),
        Kind::Octaves => octaves(tokens, at),
        Kind::Stage => stage(tokens, at).map(|(stage, next)| (Value::Stages(vec![stage]), next)),
        Kind::Stages => list(tokens, at, stage).map(|(stages, next)| (Value::Stages(stages), next)),
    }
}

pub(super) fn miss<T>(at: usize) -> Read<T> {
    Err(Miss { at, wrong: None })
}

pub(super) fn wrong<T>(at: usize, token: &Token, message: String, help: &str) -> Read<T> {
    Err(Miss { at, wrong: Some(Diagnostic::new(token.span.clone(), message).help(help)) })
}

fn list<T>(tokens: &[Token], at: usize, item: fn(&[Token], usize) -> Read<T>) -> Read<Vec<T>> {
    let (first, mut next) = item(tokens, at)?;
    let mut items = vec![first];
    while matches!(tokens.get(next), Some(Token { kind: TokenKind::Comma, .. })) {
        let (another, after) = item(tokens, next + 1)?;
        items.push(another);
        next = after;
    }
    Ok((items, next))
}

fn word_of<T: Copy>(tokens: &[Token], at: usize, table: &[(T, &str)]) -> Read<T> {
    match tokens.get(at).map(|token| &token.kind) {
        Some(TokenKind::Word(typed)) => match table.iter().find(|(_, word)| word == typed) {
            Some((value, _)) => Ok((*value, at + 1)),
            None => miss(at),
        },
        _ => miss(at),
    }
}

fn role(tokens: &[Token], at: usize) -> Read<Role> {
    word_of(tokens, at, &Role::ALL)
}

fn gain(tokens: &[Token], at: usize, sign: bool) -> Read<Value> {
    match tokens.get(at) {
        Some(token @ Token { kind: TokenKind::Number { value, signed, unit }, .. }) => {
            if unit != "dB" {
                return wrong(
                    at,
                    token,
                    format!("`{value}{unit}` is no gain"),
                    "gains are in dB, as in -3dB",
                );
            }
            if sign && !signed {
                let help = "+ for louder, - for softer, as in -3dB; `to -3dB` sets it";
                return wrong(at, token, "a change of gain needs a sign".into(), help);
            }
            Ok((Value::Number(*value), at + 1))
        }
        _ => miss(at),
    }
}

fn frequency(tokens: &[Token], at: usize) -> Read<Value> {
    match tokens.get(at) {
        Some(token @ Token { kind: TokenKind::Number { value, signed, unit }, .. }) => {
            let factor = match unit.as_str() {
                "Hz" => 1.0,
                "kHz" => 1000.0,
                "" => return wrong(at, token, format!("`{value}` needs a unit: Hz or kHz"), "as in 300Hz"),
                _ => {
                    let message = format!("`{value}{unit}` is no frequency");
                    return wrong(at, token, message, "frequencies are in Hz or kHz, as in 7.5kHz");
                }
            };
            if *signed {
                return wrong(at, token, "a frequency has no sign".into(), "as in 300Hz");
            }
            Ok((Value::Number(value * factor), at + 1))
        }
        _ => miss(at),
    }
}

fn plain(tokens: &[Token], at: usize) -> Read<Value> {
    match tokens.get(at).map(|token| &token.kind) {
        Some(TokenKind::Number { value, signed: false, unit }) if unit.is_empty() => {
            Ok((Value::Number(*value), at + 1))
        }
        _ => miss(at),
    }
}

fn octaves(tokens: &[Token], at: usize) -> Read<Value> {
    match tokens.get(at) {
        Some(Token { kind: TokenKind::Number { value, signed: false, unit }, .. }) if unit == "oct" => {
            Ok((Value::Number(*value), at + 1))
        }
        Some(token @ Token { kind: TokenKind::Number { value, unit, .. }, .. }) => {
            wrong(at, token, format!("`{value}{unit}` is no width"), "widths are in octaves, as in 1oct")
        }
        _ => miss(at),
    }
}

fn stage(tokens: &[Token], at: usize) -> Read<Stage> {
    word_of(tokens, at, &Stage::ALL)
}

fn unit_interval(tokens: &[Token], at: usize) -> Read<Value> {
    match tokens.get(at) {
        Some(token @ Token { kind: TokenKind::Number { value, unit, .. }, .. }) if unit.is_empty() => {
            if (-1.0..=1.0).contains(value) {
                Ok((Value::Number(*value), at + 1))
            } else {
                wrong(at, token, format!("{value} is out of range"), "from -1 to 1")
            }
        }
        _ => miss(at),
    }
}

fn factor(tokens: &[Token], at: usize) -> Read<Value> {
    match tokens.get(at) {
        Some(token @ Token { kind: TokenKind::Number { value, signed: false, unit }, .. })
            if unit.is_empty() =>
        {
            if (0.01..=100.0).contains(value) {
                Ok((Value::Number(*value), at + 1))
            } else {
                wrong(at, token, format!("{value} is out of range"), "from 0.01 to 100")
            }
        }
        _ => miss(at),
    }
}

pub(super) fn whole(tokens: &[Token], at: usize) -> Read<u64> {
    match tokens.get(at).map(|token| &token.kind) {
        Some(TokenKind::Number { value, signed: false, unit })
            if unit.is_empty() && value.fract() == 0.0 && (1.0..=1e9).contains(value) =>
        {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked above")]
            let count = *value as u64;
            Ok((count, at + 1))
        }
        _ => miss(at),
    }
}

fn text(tokens: &[Token], at: usize, bare: bool) -> Read<Value> {
    match tokens.get(at).map(|token| &token.kind) {
        Some(TokenKind::Text(text)) => Ok((Value::Text(text.clone()), at + 1)),
        Some(TokenKind::Word(word)) if bare && word != "on" => Ok((Value::Text(word.clone()), at + 1)),
        _ => miss(at),
    }
}

fn edit(tokens: &[Token], at: usize) -> Read<Value> {
    match tokens.get(at).map(|token| &token.kind) {
        Some(TokenKind::Text(name)) => Ok((Value::Edit(EditRef::Mark(name.clone())), at + 1)),
        Some(TokenKind::Word(word)) if word == "start" => Ok((Value::Edit(EditRef::Start), at + 1)),
        Some(TokenKind::Word(word)) if word == "edit" => {
            whole(tokens, at + 1).map(|(id, next)| (Value::Edit(EditRef::Number(id)), next))
        }
        _ => miss(at),
    }
}

fn lanes(tokens: &[Token], at: usize) -> Read<LaneRef> {
    if let Some(Token { kind: TokenKind::Text(name), .. }) = tokens.get(at) {
        return Ok((LaneRef::Name(name.clone()), at + 1));
    }
    let (first, next) = whole(tokens, at)?;
    if !matches!(tokens.get(next), Some(Token { kind: TokenKind::Dash, .. })) {
        return Ok((LaneRef::Numbers(first, first), next));
    }
    let (last, after) = whole(tokens, next + 1)?;
    match tokens.get(next + 1) {
        Some(token) if last < first => {
            wrong(next + 1, token, format!("{first}-{last} runs backwards"), "write the smaller number first")
        }
        _ => Ok((LaneRef::Numbers(first, last), after)),
    }
}

fn words(tokens: &[Token], at: usize) -> Read<Value> {
    let (first, next) = whole(tokens, at)?;
    if !matches!(tokens.get(next), Some(Token { kind: TokenKind::DotDot, .. })) {
        return Ok((Value::Words(first, first), next));
    }
    let (last, next) = whole(tokens, next + 1)?;
    Ok((Value::Words(first, last), next))
}
