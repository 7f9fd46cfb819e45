//! Forms of arguments as data, and the matcher that reads a line by them.
//!
//! A form is matched from left to right: a choice takes the first alternative whose first part fits.
//! The matcher remembers the farthest place that it reached and all that could have stood there; error
//! hints and completion are that list.

use super::diagnostic::Diagnostic;
use super::lexer::{Token, TokenKind};
use super::suggest::nearest;
use super::value::{self, Value};

/// One part of a form.
#[derive(Debug, Clone, Copy)]
pub enum Part {
    /// This very word.
    Word(&'static str),
    /// A value of a kind, kept under a key.
    Value(&'static str, Kind),
    /// These parts or nothing.
    Maybe(&'static [Part]),
    /// One of these sequences.
    One(&'static [&'static [Part]]),
    /// Any of these sequences, each at most once, in any order; at least `usize` of them.
    Any(usize, &'static [&'static [Part]]),
}

/// A kind of value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A position: `1.5s`, `1:23.4`, `64smp`, `cursor`, `end`, `word 3`, `bar 5.2`.
    Time,
    /// One or more positions with commas between them.
    Times,
    /// A distance with its sign: `+12ms`.
    Shift,
    /// A distance without a sign: `5ms`.
    Length,
    /// From one position to another: `1s..2.5s`.
    Span,
    /// A gain in dB with its sign, a change.
    GainChange,
    /// A gain in dB.
    Gain,
    /// From -1 to 1.
    Unit,
    /// A factor from 0.01 to 100.
    Factor,
    /// A whole number from 1.
    Count,
    /// A fade curve.
    Curve,
    /// A role.
    Role,
    /// Text in quotes, or one word.
    Text,
    /// The name of a fade preset, written as text.
    FadePreset,
    /// Text in quotes.
    Quoted,
    /// An edit: a mark's name in quotes, `edit 5`, `start`.
    Edit,
    /// Lanes: `2`, `2,4-6`, `"lead"`.
    Lanes,
    /// One or more roles with commas between them.
    Roles,
    /// From one word of the guide to another: `3..5`.
    Words,
    /// A frequency: `300Hz`, `7.5kHz`.
    Frequency,
    /// A number without a unit or sign: a ratio, a Q, a mix.
    Plain,
    /// A width in octaves: `1oct`.
    Octaves,
    /// Stages of a tone with commas between them.
    Stages,
    /// One stage of a tone.
    Stage,
    /// The name of a tone preset.
    Tone,
}

impl Kind {
    /// How a value of this kind is written, for help and hints.
    #[must_use]
    pub fn shape(self) -> &'static str {
        match self {
            Kind::Time => "TIME",
            Kind::Times => "TIME,…",
            Kind::Shift => "±DISTANCE",
            Kind::Length => "LENGTH",
            Kind::Span => "TIME..TIME",
            Kind::GainChange => "±GAIN",
            Kind::Gain => "GAIN",
            Kind::Unit => "-1…1",
            Kind::Factor => "FACTOR",
            Kind::Count => "COUNT",
            Kind::Curve => "CURVE",
            Kind::Role => "ROLE",
            Kind::Text | Kind::FadePreset => "NAME",
            Kind::Quoted => "\"TEXT\"",
            Kind::Edit => "EDIT",
            Kind::Lanes => "LANES",
            Kind::Roles => "ROLES",
            Kind::Words => "N..M",
            Kind::Frequency => "FREQUENCY",
            Kind::Plain => "NUMBER",
            Kind::Octaves => "OCTAVES",
            Kind::Stages => "STAGE,…",
            Kind::Stage => "STAGE",
            Kind::Tone => "NAME",
        }
    }

    /// An example of a value, for hints.
    #[must_use]
    pub fn example(self) -> &'static str {
        match self {
            Kind::Time => "a position such as 1.5s, 1:23.4 or cursor",
            Kind::Times => "positions such as 1.5s,2.25s",
            Kind::Shift => "a signed distance such as +12ms",
            Kind::Length => "a length such as 5ms",
            Kind::Span => "a span such as 1s..2.5s",
            Kind::GainChange => "a signed gain such as -3dB",
            Kind::Gain => "a gain such as -3dB",
            Kind::Unit => "a number from -1 to 1",
            Kind::Factor => "a factor such as 1.5",
            Kind::Count => "a whole number from 1",
            Kind::Curve => "a curve",
            Kind::Role => "a role",
            Kind::Text | Kind::FadePreset => "a name",
            Kind::Quoted => "a text in \"quotes\"",
            Kind::Edit => "an edit such as \"first try\", edit 5 or start",
            Kind::Lanes => "lanes such as 2 or 2,4-6",
            Kind::Roles => "a role",
            Kind::Words => "words such as 3..5",
            Kind::Frequency => "a frequency such as 300Hz or 7.5kHz",
            Kind::Plain => "a number such as 1.4",
            Kind::Octaves => "a width such as 1oct",
            Kind::Stages => "stages such as deess,eq,compress,drive",
            Kind::Stage => "a stage",
            Kind::Tone => "the name of a tone preset",
        }
    }

    /// The words that this kind knows, for completion.
    #[must_use]
    pub fn words(self) -> Vec<&'static str> {
        match self {
            Kind::Curve => crate::song::Curve::ALL.iter().map(|(_, word)| *word).collect(),
            Kind::Role | Kind::Roles => crate::song::Role::ALL.iter().map(|(_, word)| *word).collect(),
            Kind::Time | Kind::Times | Kind::Span => vec!["cursor", "end"],
            Kind::Edit => vec!["edit", "start"],
            Kind::Stage | Kind::Stages => {
                crate::song::tone::Stage::ALL.iter().map(|(_, word)| *word).collect()
            }
            _ => Vec::new(),
        }
    }
}

/// What could stand at a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    /// This word.
    Word(&'static str),
    /// A value of this kind.
    Value(Kind),
}

/// The values that a form matched, under their keys; a matched word stands under itself.
#[derive(Debug, Clone, Default)]
pub struct Args(Vec<(&'static str, Value)>);

impl Args {
    /// The value under `key`.
    #[must_use]
    pub fn get(&self, key: &str) -> Option<&Value> {
        self.0.iter().find(|(name, _)| *name == key).map(|(_, value)| value)
    }

    /// True if `key` was matched.
    #[must_use]
    pub fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }
}

/// Reads tokens by forms.
pub struct Matcher<'a> {
    tokens: &'a [Token],
    /// Bytes of the line before which all tokens end.
    end: usize,
    farthest: usize,
    expected: Vec<Expected>,
    /// A value that was nearly right says more than a list of what could stand there.
    specific: Option<Diagnostic>,
}

impl<'a> Matcher<'a> {
    /// A matcher over the tokens of one command, which ends at byte `end` of its line.
    #[must_use]
    pub fn new(tokens: &'a [Token], end: usize) -> Matcher<'a> {
        Matcher { tokens, end, farthest: 0, expected: Vec::new(), specific: None }
    }

    /// Matches a form from token `at` on; gives the token after it.
    pub fn form(&mut self, parts: &[Part], at: usize, args: &mut Args) -> Option<usize> {
        parts.iter().try_fold(at, |at, part| self.part(part, at, args))
    }

    /// True if all tokens up to `at` are all there are.
    pub fn ends(&mut self, at: usize) -> bool {
        at == self.tokens.len()
    }

    /// Notes that the command should end at `at`.
    pub fn nothing_more(&mut self, at: usize) {
        if at > self.farthest {
            self.farthest = at;
            self.expected.clear();
            self.specific = None;
        }
    }

    /// True if the token at `at` is this word; otherwise the word is one that could stand there.
    pub fn word(&mut self, word: &'static str, at: usize) -> bool {
        let is =
            matches!(self.tokens.get(at), Some(Token { kind: TokenKind::Word(found), .. }) if found == word);
        if !is {
            self.expect(at, Expected::Word(word));
        }
        is
    }

    /// All that could stand at the farthest place reached, with that place.
    #[must_use]
    pub fn expectation(&self) -> (usize, &[Expected]) {
        (self.farthest, &self.expected)
    }

    /// What to say about the farthest place reached.
    #[must_use]
    pub fn error(&self) -> Diagnostic {
        if let Some(specific) = &self.specific {
            return specific.clone();
        }
        let mut could = Vec::new();
        for expected in &self.expected {
            let text = match expected {
                Expected::Word(word) => format!("`{word}`"),
                Expected::Value(kind) if kind.words().is_empty() || *kind == Kind::Time => {
                    kind.example().to_owned()
                }
                Expected::Value(kind) => format!("{} ({})", kind.example(), kind.words().join(", ")),
            };
            if !could.contains(&text) {
                could.push(text);
            }
        }
        let could = match could.as_slice() {
            [] => "nothing more can stand here".to_owned(),
            [only] => format!("{only} can stand here"),
            [most @ .., last] => format!("{} or {last} can stand here", most.join(", ")),
        };
        let Some(token) = self.tokens.get(self.farthest) else {
            return Diagnostic::new(self.end..self.end + 1, "the command ends too soon").help(could);
        };
        let read = describe(token);
        let mut error = Diagnostic::new(token.span.clone(), format!("{read} cannot stand here")).help(could);
        if let TokenKind::Word(typed) = &token.kind {
            let words = self.expected.iter().flat_map(|expected| match expected {
                Expected::Word(word) => vec![*word],
                Expected::Value(kind) => kind.words(),
            });
            if let Some(word) = nearest(typed, words.collect::<Vec<_>>()) {
                error.help = Some(format!("did you mean `{word}`?"));
            }
        }
        error
    }

    fn expect(&mut self, at: usize, expected: Expected) {
        if at > self.farthest {
            self.farthest = at;
            self.expected.clear();
            self.specific = None;
        }
        if at == self.farthest && !self.expected.contains(&expected) {
            self.expected.push(expected);
        }
    }

    fn part(&mut self, part: &Part, at: usize, args: &mut Args) -> Option<usize> {
        match part {
            Part::Word(word) => self.word(word, at).then(|| {
                args.0.push((word, Value::Word));
                at + 1
            }),
            Part::Value(key, kind) => self.value(key, *kind, at, args),
            Part::Maybe(parts) => self.optional(parts, at, args),
            Part::One(choices) => choices.iter().find_map(|parts| self.attempt(parts, at, args)),
            Part::Any(least, choices) => self.any(*least, choices, at, args),
        }
    }

    fn attempt(&mut self, parts: &[Part], at: usize, args: &mut Args) -> Option<usize> {
        let kept = args.0.len();
        let end = self.form(parts, at, args);
        if end.is_none() {
            args.0.truncate(kept);
        }
        end
    }

    /// Once the first part of an optional sequence fits, the rest must: half of one is an error.
    fn optional(&mut self, parts: &[Part], at: usize, args: &mut Args) -> Option<usize> {
        let kept = args.0.len();
        let Some(first) = parts.first() else { return Some(at) };
        match self.part(first, at, args) {
            None => {
                args.0.truncate(kept);
                Some(at)
            }
            Some(next) => self.form(&parts[1..], next, args),
        }
    }

    fn any(
        &mut self,
        least: usize,
        choices: &'static [&'static [Part]],
        mut at: usize,
        args: &mut Args,
    ) -> Option<usize> {
        let mut used = vec![false; choices.len()];
        loop {
            let mut moved = false;
            for (index, parts) in choices.iter().enumerate() {
                if used[index] {
                    continue;
                }
                let next = self.optional(parts, at, args)?;
                if next > at {
                    (used[index], moved, at) = (true, true, next);
                    break;
                }
            }
            if !moved {
                return (used.iter().filter(|used| **used).count() >= least).then_some(at);
            }
        }
    }

    fn is_after_dots(&self, at: usize) -> bool {
        at.checked_sub(1)
            .and_then(|before| self.tokens.get(before))
            .is_some_and(|token| token.kind == TokenKind::DotDot)
    }

    fn value(&mut self, key: &'static str, kind: Kind, start: usize, args: &mut Args) -> Option<usize> {
        match value::read(kind, self.tokens, start) {
            Ok((value, next)) => {
                args.0.push((key, value));
                Some(next)
            }
            Err(value::Miss { at, wrong }) => {
                // Past its first position, a span lacks only its dots.
                let dots = kind == Kind::Span && at > start && !self.is_after_dots(at);
                self.expect(at, if dots { Expected::Word("..") } else { Expected::Value(kind) });
                if at == self.farthest && wrong.is_some() {
                    self.specific = wrong;
                }
                None
            }
        }
    }
}

fn describe(token: &Token) -> String {
    match &token.kind {
        TokenKind::Word(word) => format!("`{word}`"),
        TokenKind::Number { value, signed, unit } => {
            format!("`{}{value}{unit}`", if *signed && *value >= 0.0 { "+" } else { "" })
        }
        TokenKind::Clock(_) => "a time in minutes and seconds".into(),
        TokenKind::Text(text) => format!("\"{text}\""),
        TokenKind::DotDot => "`..`".into(),
        TokenKind::Comma => "`,`".into(),
        TokenKind::Dash => "`-`".into(),
        TokenKind::Semicolon => "`;`".into(),
    }
}
