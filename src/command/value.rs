//! Values as they are written: quantities keep their unit until the session's rate is known.

use super::diagnostic::Diagnostic;
use super::grammar::Kind;
use super::lexer::{Token, TokenKind};
use crate::song::tone::Stage;
use crate::song::{Curve, Role};

/// A distance on the timeline as it was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quantity {
    /// How many.
    pub value: f64,
    /// Of what.
    pub unit: Unit,
}

/// Units of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Seconds.
    Seconds,
    /// Milliseconds.
    Milliseconds,
    /// Samples at the session's rate.
    Samples,
}

impl Quantity {
    /// The distance in milliseconds, where samples are counted at `rate`.
    #[must_use]
    pub fn milliseconds(self, rate: u32) -> f64 {
        match self.unit {
            Unit::Seconds => self.value * 1000.0,
            Unit::Milliseconds => self.value,
            Unit::Samples => self.value * 1000.0 / f64::from(rate),
        }
    }

    /// The distance in samples at `rate`, rounded to the nearest, halves away from zero; `None` beyond
    /// 2^40 samples.
    #[must_use]
    pub fn samples(self, rate: u32) -> Option<i64> {
        let samples = match self.unit {
            Unit::Seconds => self.value * f64::from(rate),
            Unit::Milliseconds => self.value * f64::from(rate) / 1000.0,
            Unit::Samples => self.value,
        };
        #[expect(clippy::cast_possible_truncation, reason = "the range is checked before")]
        (samples.abs() <= crate::song::rules::FARTHEST as f64).then(|| samples.round() as i64)
    }
}

/// A position as it was written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TimeExpr {
    /// Counted from the song's origin.
    At(Quantity),
    /// Where the cursor is.
    Cursor,
    /// Where the last region of the song ends.
    End,
    /// Where a word of the guide begins.
    Word(u64),
    /// A bar and one of its beats, both counted from 1; written `33.2`, or `33` for its first beat.
    Bar {
        /// The bar.
        bar: u64,
        /// The beat.
        beat: u64,
    },
}

/// An edit as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EditRef {
    /// By its mark.
    Mark(String),
    /// By its number.
    Number(u64),
    /// The state in which the session began.
    Start,
}

/// Lanes as they were written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LaneRef {
    /// From one number to another.
    Numbers(u64, u64),
    /// By name.
    Name(String),
}

/// A value as it was written.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A word of the form itself.
    Word,
    /// Positions.
    Times(Vec<TimeExpr>),
    /// A distance.
    Distance(Quantity),
    /// From one position to another.
    Span(TimeExpr, TimeExpr),
    /// A number; gains are in dB, frequencies in Hz.
    Number(f64),
    /// A whole number.
    Count(u64),
    /// A fade curve.
    Curve(Curve),
    /// Roles.
    Roles(Vec<Role>),
    /// Text.
    Text(String),
    /// An edit.
    Edit(EditRef),
    /// Lanes.
    Lanes(Vec<LaneRef>),
    /// From one word of the guide to another.
    Words(u64, u64),
    /// Stages of a tone.
    Stages(Vec<Stage>),
}

/// No value of the kind stands here.
pub struct Miss {
    /// The token that does not fit.
    pub at: usize,
    /// What is wrong with it, if it is nearly right.
    pub wrong: Option<Diagnostic>,
}

type Read<T> = Result<(T, usize), Miss>;

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

/// Reads a text that is one position, as a command line has it: `12.5s`, `1:23.4`, `bar 33.2`, `end`.
///
/// # Errors
/// It is none.
pub fn read_time(text: &str) -> Result<TimeExpr, Diagnostic> {
    let tokens = super::lexer::tokens(text)?;
    match time(&tokens, 0) {
        Ok((time, next)) if next == tokens.len() => Ok(time),
        Err(Miss { wrong: Some(diagnostic), .. }) => Err(diagnostic),
        _ => Err(Diagnostic::new(0..text.len(), "this is no position")
            .help("as in 12.5s, 1:23.4, bar 33.2 or end")),
    }
}

fn miss<T>(at: usize) -> Read<T> {
    Err(Miss { at, wrong: None })
}

fn wrong<T>(at: usize, token: &Token, message: String, help: &str) -> Read<T> {
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

fn time(tokens: &[Token], at: usize) -> Read<TimeExpr> {
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

fn distance(tokens: &[Token], at: usize, sign: bool) -> Read<Value> {
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

fn span(tokens: &[Token], at: usize) -> Read<Value> {
    let (from, next) = time(tokens, at)?;
    if !matches!(tokens.get(next), Some(Token { kind: TokenKind::DotDot, .. })) {
        return miss(next);
    }
    let (to, next) = time(tokens, next + 1)?;
    Ok((Value::Span(from, to), next))
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

fn whole(tokens: &[Token], at: usize) -> Read<u64> {
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
