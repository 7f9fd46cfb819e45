//! What listening knows of the lanes, for the timeline and the sheet of a hand-off.

use std::collections::HashMap;
use std::path::Path;

use super::hearing::Ears;
use crate::command::timing::{self, LaneTiming, Timing};
use crate::command::{Context, Diagnostic, Presets};
use crate::edit::Session;
use crate::handoff::{LaneFacts, WordFact};
use crate::song::{LaneId, Position, Song, tone_words};

/// Facts of every lane of a state. What cannot be measured, as without a guide, is left out and told in words.
pub fn gather(session: &Session, song: &Song, folder: &Path) -> (Vec<LaneFacts>, Option<String>) {
    let mut facts: Vec<LaneFacts> = song
        .lanes
        .iter()
        .map(|lane| LaneFacts {
            tone: Some(lane.tone.as_deref().map(tone_words).unwrap_or_default()),
            ..LaneFacts::default()
        })
        .collect();
    // Of both states the same recordings are listened to, once.
    let ears = Ears::new(session, folder);
    let now = match measured(session, song, &ears) {
        Ok(now) => now,
        Err(why) => return (facts, Some(why.to_string())),
    };
    // As sung: a lane that was not there then has no "before".
    let began = session.history.start();
    let before = measured(session, began, &ears).ok();
    let before = before.as_ref().map(|timing| by_lane(timing, began)).unwrap_or_default();
    for lane in &now.lanes {
        let (Some(facts), Some(of)) = (facts.get_mut(lane.row), song.lanes.get(lane.row)) else { continue };
        let sung = before.get(&of.id);
        for word in &lane.words {
            let ms = now.ms(word.offset);
            let index = now.words.get(word.word).map(|word| word.index);
            facts.words.push(fact(&now, word));
            // A word that was not found as it was sung counts as one that has not moved.
            let was = index.and_then(|index| sung?.get(&index).copied()).unwrap_or(ms);
            facts.offsets_before_ms.push(was);
        }
    }
    (facts, None)
}

fn fact(timing: &Timing, word: &timing::WordTiming) -> WordFact {
    #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
    let at = |place: f64| Position(place.round() as i64);
    WordFact {
        at: at(word.at),
        end: Some(at(word.end)),
        offset_ms: timing.ms(word.offset),
        end_offset_ms: Some(timing.ms(word.end - word.guide_end)),
    }
}

fn measured(session: &Session, song: &Song, ears: &Ears) -> Result<Timing, Diagnostic> {
    let (state, presets) = (session.over_same(song.clone()), Presets::default());
    let context = Context { session: &state, cursor: None, presets: &presets, hearing: ears };
    timing::measure(&context, &timing::rows_of(song))
}

/// Offsets in ms of each lane's words, by the number of the word in the guide's recording.
fn by_lane(timing: &Timing, song: &Song) -> HashMap<LaneId, HashMap<usize, f64>> {
    let offsets = |lane: &LaneTiming| {
        let of =
            |word: &timing::WordTiming| Some((timing.words.get(word.word)?.index, timing.ms(word.offset)));
        lane.words.iter().filter_map(of).collect()
    };
    let lane = |lane: &LaneTiming| Some((song.lanes.get(lane.row)?.id, offsets(lane)));
    timing.lanes.iter().filter_map(lane).collect()
}
