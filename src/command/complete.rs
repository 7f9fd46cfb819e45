//! Completion: what could come next at the end of a line, from the same table as everything else.

use super::context::Context;
use super::grammar::{Args, Expected, Kind, Matcher};
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
    let open = line.rfind([';', ' ', ',', '.']).map_or(0, |index| index + 1);
    let quoted = line.matches('"').count() % 2 == 1;
    let (done, partial) = match line.rfind('"').filter(|_| quoted) {
        Some(quote) => line.split_at(quote),
        None => line.split_at(open),
    };
    let Ok(found) = tokens(done) else { return Vec::new() };
    let part = found.rsplit(|token| token.kind == TokenKind::Semicolon).next().unwrap_or(&[]);
    let candidates = match part.first().map(|token| &token.kind) {
        None => VERBS.iter().map(|verb| candidate(verb.name, verb.about)).collect(),
        Some(TokenKind::Word(name)) => match verb(name) {
            Some(verb) => {
                let mut matcher = Matcher::new(&part[1..], done.len());
                let matched = read(verb, &mut matcher, &mut Args::default());
                let (at, expected) = matcher.expectation();
                // Only what could stand at the end of the line goes on from it.
                if matched.is_none() && at < part.len() - 1 { Vec::new() } else { ways(expected, context) }
            }
            None => Vec::new(),
        },
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
