//! `word`: corrects the guide's words by hand.

use std::sync::Arc;

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::timing::{GuideWord, guide_words, sung_words};
use crate::command::value::Value;
use crate::edit::Op;
use crate::song::rules::check_words;
use crate::song::{Position, SungWord, SungWords};

/// The verb.
pub static VERB: Verb = Verb {
    name: "word",
    form: &[Part::One(&[
        &[Part::Word("split"), Part::Value("split-at", Kind::Time)],
        &[Part::Word("join"), Part::Value("words", Kind::Words)],
        &[
            Part::Word("move"),
            Part::Value("number", Kind::Count),
            Part::Word("to"),
            Part::Value("to-time", Kind::Time),
        ],
        &[Part::Word("name"), Part::Value("number", Kind::Count), Part::Value("text", Kind::Text)],
        &[
            Part::Word("line"),
            Part::Value("lyric", Kind::Quoted),
            Part::Maybe(&[Part::Word("from"), Part::Value("from-word", Kind::Count)]),
        ],
        &[Part::Word("found")],
    ])],
    scope: ScopeUse::None,
    every: false,
    about: "Corrects the guide's words, which everything else is measured by: splits one at a position, joins several, moves \
            an onset, names one; `line` names one after the other by a line of the lyric; `found` goes back to what listening finds.",
    examples: &[
        "word split 2.35s",
        "word join 3..4",
        "word move 5 to 3.128s",
        "word name 3 \"step\"",
        "word line \"walk in step pass seven clocks\" from 1",
        "word found",
    ],
    also: &["syllable", "lyric"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let mut draft = Draft::new(context);
    let from = context.session.song().words.clone();
    if call.args.has("found") {
        if from.is_some() {
            draft.push(Op::SetWords { from, to: None })?;
        }
        return draft.finish("words as they are found".to_owned());
    }
    let mut list = sung_words(context)?;
    let placed = guide_words(context)?;
    let done = change(call, context, &mut list, &placed)?;
    let mut broken = None;
    check_words(&list, &mut |rule| broken = Some(rule));
    if broken.is_some() {
        return Err(Diagnostic::refusal("the word would not lie between its neighbours")
            .help("words keep their order: join or move the neighbour first"));
    }
    draft.push(Op::SetWords { from, to: Some(Arc::new(list)) })?;
    draft.finish(done)
}

fn change(
    call: &Call,
    context: &Context,
    list: &mut SungWords,
    placed: &[GuideWord],
) -> Result<String, Diagnostic> {
    let in_take = |at: Position, word: &GuideWord| -> u64 {
        let origin = word.at.0 - word.word.onset as i64;
        u64::try_from(at.0 - origin).unwrap_or(0)
    };
    if let Some(time) = super::time(&call.args, "split-at") {
        let at = context.position(time)?;
        let word =
            placed.iter().rev().find(|word| word.at < at).filter(|word| at < word.end).ok_or_else(|| {
                Diagnostic::refusal(format!("no word of the guide sounds at {}", context.show(at)))
                    .help("`tautline timing` lists all words")
            })?;
        let place = in_take(at, word);
        let whole = &mut list.words[word.index];
        let rest = SungWord { onset: place, vowel: whole.vowel.max(place), end: whole.end, name: None };
        whole.vowel = whole.vowel.min(place);
        whole.end = place;
        list.words.insert(word.index + 1, rest);
        return Ok(format!("split a word at {}", context.show(at)));
    }
    if let Some(Value::Words(first, last)) = call.args.get("words") {
        let (from, to) = (numbered(placed, *first)?.index, numbered(placed, *last)?.index);
        if from >= to {
            return Err(Diagnostic::refusal("joining needs two words or more").help("as in: word join 3..4"));
        }
        let end = list.words[to].end;
        list.words[from].end = end;
        list.words.drain(from + 1..=to);
        return Ok(format!("joined words {first} to {last}"));
    }
    if let Some(lyric) = super::text(&call.args, "lyric") {
        return labelled(call, list, placed, lyric);
    }
    let Some(Value::Count(number)) = call.args.get("number") else {
        return Err(Diagnostic::refusal("the number of a word is missing"));
    };
    let word = numbered(placed, *number)?;
    if let Some(time) = super::time(&call.args, "to-time") {
        let at = context.position(time)?;
        let place = in_take(at, word);
        let moved = &mut list.words[word.index];
        moved.onset = place;
        moved.vowel = moved.vowel.max(place);
        moved.end = moved.end.max(moved.vowel);
        return Ok(format!("word {number} begins at {}", context.show(at)));
    }
    let name = match call.args.get("text") {
        Some(Value::Text(text)) => text.trim().to_owned(),
        _ => return Err(Diagnostic::refusal("a name is missing")),
    };
    list.words[word.index].name = (!name.is_empty()).then_some(name.clone());
    Ok(format!("word {number} is \"{name}\""))
}

/// Names words by a line of the lyric, one after the other in the order of the timeline. `-` leaves one without a name.
fn labelled(
    call: &Call,
    list: &mut SungWords,
    placed: &[GuideWord],
    lyric: &str,
) -> Result<String, Diagnostic> {
    let from = match call.args.get("from-word") {
        Some(Value::Count(from)) => *from,
        _ => 1,
    };
    let names: Vec<&str> = lyric.split_whitespace().collect();
    if names.is_empty() {
        return Err(Diagnostic::refusal("the line is empty").help("as in: word line \"walk in step\" from 1"));
    }
    let last = from + names.len() as u64 - 1;
    let (_, _) = (numbered(placed, from)?, numbered(placed, last)?);
    for (offset, name) in names.iter().enumerate() {
        let word = numbered(placed, from + offset as u64)?;
        list.words[word.index].name = (*name != "-").then(|| (*name).to_owned());
    }
    let left = placed.len() as u64 - last;
    let rest = if left == 0 { String::new() } else { format!("; {left} more have none of this line") };
    Ok(format!("named words {from} to {last}{rest}"))
}

fn numbered(placed: &[GuideWord], number: u64) -> Result<&GuideWord, Diagnostic> {
    let index = usize::try_from(number).ok().and_then(|number| number.checked_sub(1));
    index.and_then(|index| placed.get(index)).ok_or_else(|| {
        Diagnostic::refusal(format!("there is no word {number}"))
            .help(format!("the guide has words 1 to {}; `tautline timing` lists them", placed.len()))
    })
}
