//! `hold`: keeps the offset of a word as it is meant to be.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::timing::{GuideWord, measure};
use crate::command::value::Value;
use crate::edit::LaneValue;
use crate::listen::timing::Alike;
use crate::song::{Hold, Position, Shift};

/// The verb.
pub static VERB: Verb = Verb {
    name: "hold",
    form: &[
        Part::Maybe(&[Part::One(&[&[Part::Word("off")], &[Part::Value("by", Kind::Shift)]])]),
        Part::Maybe(&[Part::Word("at"), Part::Value("at-time", Kind::Time)]),
    ],
    scope: ScopeUse::Lanes,
    every: false,
    about: "Takes the offset that words have, or the one that is written, for what is meant: a word sung late on purpose counts \
            as in time at that offset, for `timing`, `tighten` and `check`. The words of the scope, or the one at a position; \
            `off` means the guide again.",
    examples: &[
        "hold on lane 2 word 3..5",
        "hold at 3.1s on lane 2",
        "hold +18ms on lane 3 word 7",
        "hold off on role double",
    ],
    also: &["intend", "loose", "keep"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let rows = call.scope.lanes(context, call.verb.every)?;
    let chosen = call.scope.words(context)?;
    let timing = measure(context, &rows)?;
    let at = match super::time(&call.args, "at-time") {
        Some(time) => Some(nearest(&timing.words, context.position(time)?)),
        None => None,
    };
    let by = match call.args.get("by") {
        Some(Value::Distance(by)) => Some(context.shift(*by)?),
        _ => None,
    };
    let wanted = |word: usize| {
        let named = chosen.is_none_or(|(first, last)| (first..=last).contains(&(word as u64 + 1)));
        named && at.is_none_or(|at| at == word)
    };
    let mut draft = Draft::new(context);
    let mut count = 0;
    for lane in &timing.lanes {
        if lane.alike != Alike::Yes && !call.args.has("off") {
            return Err(Diagnostic::refusal("it does not hold the guide's words").on_lane(lane.row));
        }
        let old = draft.lane(lane.row).holds.clone();
        // A word is known by its onset in the guide, so that it keeps its offset when others are split or joined.
        let touched: Vec<u64> = (0..timing.words.len())
            .filter(|word| wanted(*word))
            .map(|word| timing.words[word].word.onset as u64)
            .collect();
        let near = timing.near();
        let mut holds: Vec<Hold> = old
            .iter()
            .copied()
            .filter(|hold| !touched.iter().any(|onset| onset.abs_diff(hold.word) <= near))
            .collect();
        count += old.len() - holds.len();
        if !call.args.has("off") {
            count -= old.len() - holds.len();
            for word in lane.words.iter().filter(|word| wanted(word.word)) {
                #[expect(clippy::cast_possible_truncation, reason = "offsets are less than a song")]
                let by = by.unwrap_or(Shift(word.offset.round() as i64));
                holds.push(Hold { word: timing.words[word.word].word.onset as u64, by });
                count += 1;
            }
        }
        holds.sort_by_key(|hold| hold.word);
        holds.dedup_by_key(|hold| hold.word);
        draft.set_lane(lane.row, LaneValue::Holds(old), LaneValue::Holds(holds))?;
    }
    let words = super::count(count, "word");
    draft.finish(match call.args.has("off") {
        true => format!("{words} meant on the guide again"),
        false => format!("holds the offset of {words}"),
    })
}

/// The word that sounds at a position, or the one that begins nearest to it.
fn nearest(words: &[GuideWord], at: Position) -> usize {
    let sounds = words.iter().rposition(|word| word.at <= at && at < word.end);
    let near = || (0..words.len()).min_by_key(|index| (words[*index].at - at).0.unsigned_abs());
    sounds.or_else(near).unwrap_or(0)
}
