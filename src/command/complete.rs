//! Completion: what could come next at the end of a line, from the same table as everything else.

use super::context::Context;
use super::grammar::{Args, Expected, Kind, Matcher, Part};
use super::lexer::{TokenKind, tokens};
use super::parse::read;
use super::table::{VERBS, verb};

/// One way to go on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// What the last, unfinished word of the line becomes.
    pub text: String,
    /// What it is, in a few words.
    pub about: String,
}

/// What could come next at the end of `line`, best first. The unfinished last word narrows the list.
#[must_use]
pub fn complete(line: &str, context: Option<&Context>) -> Vec<Candidate> {
    complete_with(line, context, &[])
}

/// [`complete`] with more verbs than the table has: each a name, what it does, and the form that follows
/// it. They have no scope.
#[must_use]
pub fn complete_with(
    line: &str,
    context: Option<&Context>,
    more: &[(&'static str, &'static str, &'static [Part])],
) -> Vec<Candidate> {
    let open = line.rfind([';', ' ', ',', '.']).map_or(0, |index| index + 1);
    let quoted = line.matches('"').count() % 2 == 1;
    let (done, partial) = match line.rfind('"').filter(|_| quoted) {
        Some(quote) => line.split_at(quote),
        None => line.split_at(open),
    };
    let Ok(found) = tokens(done) else { return Vec::new() };
    let part = found.rsplit(|token| token.kind == TokenKind::Semicolon).next().unwrap_or(&[]);
    let candidates = match part.first().map(|token| &token.kind) {
        None => {
            let verbs = VERBS.iter().map(|verb| candidate(verb.name, verb.about));
            verbs.chain(more.iter().map(|(name, about, _)| candidate(name, about))).collect()
        }
        Some(TokenKind::Word(name)) => {
            let mut matcher = Matcher::new(&part[1..], done.len());
            let mut args = Args::default();
            let matched = match (verb(name), more.iter().find(|(more, ..)| more == name)) {
                (Some(verb), _) => read(verb, &mut matcher, &mut args).is_some(),
                (None, Some((_, _, form))) => matcher.form(form, 0, &mut args).is_some(),
                (None, None) => return Vec::new(),
            };
            let (at, expected) = matcher.expectation();
            // Only what could stand at the end of the line goes on from it.
            if !matched && at < part.len() - 1 { Vec::new() } else { ways(expected, context) }
        }
        Some(_) => Vec::new(),
    };
    candidates.into_iter().filter(|candidate| candidate.text.starts_with(partial)).collect()
}

fn candidate(text: &str, about: &str) -> Candidate {
    Candidate { text: text.to_owned(), about: about.split_whitespace().collect::<Vec<_>>().join(" ") }
}

fn ways(expected: &[Expected], context: Option<&Context>) -> Vec<Candidate> {
    let mut ways = Vec::new();
    for expected in expected {
        match expected {
            Expected::Word(word) => ways.push(candidate(word, "")),
            Expected::Value(kind) => {
                ways.extend(kind.words().into_iter().map(|word| candidate(word, kind.shape())));
                ways.extend(context.map(|context| names(*kind, context)).unwrap_or_default());
            }
        }
    }
    ways
}

/// Names that the session and the presets know.
fn names(kind: Kind, context: &Context) -> Vec<Candidate> {
    let quote = |name: &str| format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\""));
    let lanes = &context.session.song().lanes;
    match kind {
        Kind::Edit => context
            .session
            .marks
            .iter()
            .map(|(name, edit)| candidate(&quote(name), &format!("edit {edit}")))
            .collect(),
        Kind::Lanes => lanes
            .iter()
            .enumerate()
            .map(|(row, lane)| candidate(&(row + 1).to_string(), &lane.name))
            .chain(lanes.iter().map(|lane| candidate(&quote(&lane.name), lane.role.word())))
            .collect(),
        Kind::FadePreset => {
            let fades = context.presets.fades.iter().map(|(name, preset)| candidate(name, &preset.about));
            fades.collect()
        }
        Kind::Tone => {
            let tones = context.presets.tones.iter().map(|(name, preset)| candidate(name, &preset.about));
            tones.collect()
        }
        _ => Vec::new(),
    }
}
