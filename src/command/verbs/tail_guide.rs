//! `tail to guide`: lets the last words of phrases end with the guide's.
//!
//! A vowel that rings longer is faded; one that ends in a consonant keeps it: a stretch of the held sound before it is
//! taken out and the consonant slid there, joined in phase. What ends early is told, never stretched.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::outcome::{Action, Remark};
use crate::command::table::Call;
use crate::command::timing::stretch::{Stretch, remove_stretch};
use crate::command::timing::{LaneTiming, Timing, WordTiming, measure};
use crate::command::verbs::FadeChange;
use crate::listen::SoundKind;
use crate::listen::timing::Alike;
use crate::song::{AssetId, Bend, Curve, Fade, FadeSide, Length, Position, Region, Shift, Span};

/// Differences up to here stay unless told: common practice, no source.
const WITHIN_MS: f64 = 15.0;
/// Words less sure than this are left alone.
const SURE: f64 = 0.5;
/// A soft consonant is at most so far below the voice, in dB; what is weaker is the end of a vowel.
const CONSONANT_DB: f32 = 30.0;
/// A fade takes at most this share of what is left of the word.
const SHARE: f64 = 0.5;
/// Such a fade holds on longer than a plain one, as a voice does that dies away ...
const BEND: f64 = 0.25;
/// ... and this share of it, at its end, lies more than 32 dB down.
const INAUDIBLE: f64 = 0.04;
/// A pause shorter than this leaves no room to part a word from the next one, in ms.
const REST_MS: f64 = 100.0;
/// Fades in such a pause, in ms.
const FADES_MS: f64 = 10.0;
/// A fade into the guide's end is at least and at most this long, in ms.
const FADE_MS: (f64, f64) = (60.0, 400.0);

pub(super) fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let rate = f64::from(context.session.rate);
    let usual = WITHIN_MS * rate / 1000.0;
    let within = super::length(&call.args, "within-is", context)?.map_or(usual, |length| length.0 as f64);
    let change = FadeChange::from_args(&call.args, context)?;
    let rows = call.scope.lanes(context, call.verb.every)?;
    let chosen = call.scope.words(context)?;
    let timing = measure(context, &rows)?;
    let mut draft = Draft::new(context);
    let (mut remarks, mut ended) = (Vec::new(), 0);
    for lane in timing.lanes.iter().filter(|lane| lane.alike == Alike::Yes) {
        // From the last to the first, so that cuts do not move what is still to come.
        for (index, word) in lane.words.iter().enumerate().rev() {
            let named = chosen.is_none_or(|(first, last)| (first..=last).contains(&(word.word as u64 + 1)));
            if !named || !timing.words[word.word].word.ends_phrase || word.found.confidence < SURE {
                continue;
            }
            let mut late = word.end - word.guide_end;
            let next = lane.words.get(index + 1);
            let lined = match call.args.has("consonants") {
                true => line_up(&mut draft, context, &timing, lane, (word, next), within)?,
                false => None,
            };
            let told = if let Some((off, told)) = lined {
                late = off;
                told
            } else if late > within {
                shorten(&mut draft, context, &timing, lane, (word, next), change)?
            } else if late < -within {
                Told::left("ends early; a tail is never stretched")
            } else {
                continue;
            };
            ended += usize::from(told.done);
            let text = format!("word {}: {:+.1} ms: {}", word.word + 1, timing.ms(late), told.text);
            let at = |samples: f64| Position(samples as i64);
            remarks.push(Remark {
                lane: lane.row + 1,
                from: at(word.guide_end.min(word.end)),
                to: at(word.guide_end.max(word.end)),
                text,
            });
        }
    }
    remarks.sort_by_key(|remark| (remark.lane, remark.from));
    if ended == 0 {
        let why: Vec<String> =
            remarks.iter().take(3).map(|remark| format!("lane {} {}", remark.lane, remark.text)).collect();
        return Err(match why.is_empty() {
            true => Diagnostic::refusal("all last words end within the distance already"),
            false => Diagnostic::refusal(format!("no tail is shortened: {}", why.join("; "))),
        });
    }
    match draft.finish(format!("ended {} with the guide", super::count(ended, "last word")))? {
        Action::Edit { ops, brought_from, summary, .. } => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        other => Ok(other),
    }
}

/// What became of one last word.
struct Told {
    /// It was changed.
    done: bool,
    /// How, or why not.
    text: String,
}

impl Told {
    fn done(text: String) -> Told {
        Told { done: true, text }
    }

    fn left(text: &str) -> Told {
        Told { done: false, text: text.to_owned() }
    }
}

/// Ends one word with the guide's; says how.
fn shorten(
    draft: &mut Draft,
    context: &Context,
    timing: &Timing,
    lane: &LaneTiming,
    (word, next): (&WordTiming, Option<&WordTiming>),
    change: FadeChange,
) -> Result<Told, Diagnostic> {
    let rate = f64::from(context.session.rate);
    let ms = |ms: f64| ms * rate / 1000.0;
    let late = word.end - word.guide_end;
    if let Some(start) = consonant(context, draft, lane, word)? {
        return remove_before(draft, context, lane, (word, next), (start, late));
    }
    // A fade is silence to the ear somewhat before its end: that place is put on the guide's end.
    let length = change.length.map_or(late.clamp(ms(FADE_MS.0), ms(FADE_MS.1)), |length| length.0 as f64);
    let end = Position((word.guide_end + (INAUDIBLE * length).min(late)) as i64);
    let Some(index) = draft.lane(lane.row).index_at(Position((word.guide_end - 1.0) as i64)) else {
        return Ok(Told::left("no region rings there"));
    };
    let until = next.map_or(f64::INFINITY, |next| next.at - ms(5.0));
    let rest = (word.end + ms(40.0)).min(until);
    let stop = draft.region(lane.row, index).end().min(Position(rest.min(9e15) as i64));
    if draft.lane(lane.row).overlap_after(index) > 0 && stop > draft.lane(lane.row).regions[index + 1].at {
        return Ok(Told::left("ends in a crossfade; shorten that first"));
    }
    draft.clear(lane.row, Span { start: end, end: stop.max(end + Length(1)) })?;
    let region = draft.region(lane.row, index).clone();
    let left = region.end().since((region.at + region.fade_in.length).max(Position(word.at as i64))).0 as f64;
    let usual = late.clamp(ms(FADE_MS.0), ms(FADE_MS.1)).min(left * SHARE);
    let length = change.length.unwrap_or(Length(usual.max(0.0) as u64)).min(Length(left.max(0.0) as u64));
    let fade = Fade { length, curve: Curve::RaisedCosine, bend: Bend(BEND) };
    let fade = FadeChange { length: Some(length), ..change }.applied_to(fade);
    draft.set_fade(lane.row, index, FadeSide::Out, fade);
    if let Some(after) = draft.lane(lane.row).regions.get(index + 1).cloned()
        && after.at == stop
        && after.fade_in.length == Length::ZERO
    {
        let length =
            Length(ms(10.0) as u64).min(Length(after.length.0.saturating_sub(after.fade_out.length.0)));
        draft.set_fade(
            lane.row,
            index + 1,
            FadeSide::In,
            Fade { length, curve: Curve::RaisedCosine, ..Fade::NONE },
        );
    }
    Ok(Told::done(format!("faded over {:.0} ms", timing.ms(length.0 as f64))))
}

/// Where the consonant begins in which a word of a lane ends, on the timeline; none if it ends in a voiced sound.
fn consonant(
    context: &Context,
    draft: &Draft,
    lane: &LaneTiming,
    word: &WordTiming,
) -> Result<Option<f64>, Diagnostic> {
    let found = last_consonant(context, word.asset, word.at - word.found.onset, word.end)?;
    let inside = |at: &f64| draft.lane(lane.row).index_at(Position(*at as i64)).is_some();
    Ok(found.filter(inside))
}

/// The same of any recording whose frame 0 lies at `origin` on the timeline, for a word that ends at `end`.
fn last_consonant(
    context: &Context,
    asset: AssetId,
    origin: f64,
    end: f64,
) -> Result<Option<f64>, Diagnostic> {
    let heard = context.hearing.heard(asset)?;
    let rate = f64::from(context.session.rate);
    let end = end - origin;
    let hisses = heard.sounds.iter().filter(|sound| {
        let strong = sound.kind == SoundKind::Sibilant
            || (sound.kind == SoundKind::Fricative && sound.level_db > heard.voice_db - CONSONANT_DB);
        strong
            && (sound.end as f64) > end - 0.06 * rate
            && (sound.start as f64) > end - 0.45 * rate
            && (sound.start as f64) < end + 0.03 * rate
    });
    Ok(hisses.map(|sound| sound.start as f64 + origin).reduce(f64::min))
}

/// Puts the consonant in which a word ends where the guide has it; says how, or `None` where one of the two has none.
fn line_up(
    draft: &mut Draft,
    context: &Context,
    timing: &Timing,
    lane: &LaneTiming,
    (word, next): (&WordTiming, Option<&WordTiming>),
    within: f64,
) -> Result<Option<(f64, Told)>, Diagnostic> {
    let Some(guide) = context.session.song().guide().map(|guide| guide.asset) else { return Ok(None) };
    let of_guide = &timing.words[word.word];
    let origin = of_guide.at.0 as f64 - of_guide.word.onset as f64;
    let there = last_consonant(context, guide, origin, word.guide_end)?;
    let (Some(there), Some(here)) = (there, consonant(context, draft, lane, word)?) else { return Ok(None) };
    let late = here - there;
    if late < -within {
        return Ok(Some((late, Told::left("its last consonant is early; a sound is never stretched"))));
    }
    if late <= within {
        return Ok(None);
    }
    let done = remove_before(draft, context, lane, (word, next), (here, late))?;
    Ok(Some((late, done)))
}

/// Takes so much too much out of the held sound before a consonant; says how. Words behind it stay where they are.
fn remove_before(
    draft: &mut Draft,
    context: &Context,
    lane: &LaneTiming,
    (word, next): (&WordTiming, Option<&WordTiming>),
    (start, late): (f64, f64),
) -> Result<Told, Diagnostic> {
    let ms = |ms: f64| ms * f64::from(context.session.rate) / 1000.0;
    let from = (word.at + ms(60.0)).max(start - late - ms(250.0));
    let Some(index) = draft.lane(lane.row).index_at(Position(from as i64)) else {
        return Ok(Told::left("no region rings there"));
    };
    let whole = draft.region(lane.row, index).clone();
    let next = next.filter(|next| (next.at as i64) < whole.end().0);
    if next.is_some_and(|next| next.at - word.end < ms(REST_MS)) {
        return Ok(Told::left("the next word follows at once: left as it is"));
    }
    let level = match remove_stretch(draft, context, lane.row, (from, start - ms(8.0)), late)? {
        Stretch::Out(level) => level,
        Stretch::UnderFade => {
            return Ok(Told::left("its fade-out reaches over the last consonant: shorten that first"));
        }
        Stretch::TooShort => {
            let why = "ends in a consonant, and the sound before it is too short to give way: left as it is";
            return Ok(Told::left(why));
        }
    };
    if let Some(next) = next {
        let cut = word.end + ((next.at - word.end) / 2.0).min(ms(REST_MS / 2.0));
        stay_behind(draft, lane.row, index + 1, (cut as i64, &whole), ms(FADES_MS) as u64)?;
    }
    let text =
        format!("a stretch of the held sound taken out, joined in phase ({level:.2}); the consonant stays");
    Ok(Told::done(text))
}

/// Parts a region that was taken along by a stretch from what lies behind `cut`, a place in the pause as it was in the
/// `whole`, and puts that back to where it was.
fn stay_behind(
    draft: &mut Draft,
    row: usize,
    index: usize,
    (cut, whole): (i64, &Region),
    fade: u64,
) -> Result<(), Diagnostic> {
    let by = whole.source_origin().0 - draft.region(row, index).source_origin().0;
    draft.split(row, index, Position(cut - by))?;
    draft.slide(row, index + 1, Shift(by));
    for (index, side) in [(index, FadeSide::Out), (index + 1, FadeSide::In)] {
        let region = draft.region(row, index);
        let other = if side == FadeSide::Out { region.fade_in.length } else { region.fade_out.length };
        let length = Length(fade.min(region.length.0.saturating_sub(other.0)));
        draft.set_fade(row, index, side, Fade { length, curve: Curve::RaisedCosine, ..Fade::NONE });
    }
    Ok(())
}
