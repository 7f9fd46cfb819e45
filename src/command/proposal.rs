//! Proposals: what could be emptied or softened, span by span, each with its reason. Plain data, so that they can be
//! listed, shown, auditioned, accepted or refused before anything is changed.

use std::collections::HashMap;
use std::sync::Arc;

use serde::Serialize;

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::dip::within_a_fade;
use super::hearing::{Hearing, assets_of};
use super::value::read_time;
use crate::listen::{Heard, Sound, SoundKind};
use crate::song::{AssetId, Db, Lane, LaneId, Length, Position, Region, Role, Shift, Span};

/// What a proposal would do to its span.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Does {
    /// Take the sound off the lane.
    Empty,
    /// Lower it by this many dB.
    Soften(Db),
    /// Slide words of the guide, from one to another by number from 1.
    Slide {
        /// First and last word.
        words: (usize, usize),
        /// By how much later; minus is earlier.
        by: Shift,
        /// By how much they are off before, the middle one of them.
        off: Shift,
    },
}

/// One span that could be emptied or softened.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// On which lane.
    pub lane: LaneId,
    /// Where on the timeline.
    pub span: Span,
    /// What would be done.
    pub does: Does,
    /// Why, in a few words.
    pub reason: String,
    /// How sure it is: 0 to 1.
    pub confidence: f32,
}

/// What is done about breaths.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Breaths {
    /// They stay.
    Keep,
    /// They are lowered by this many dB.
    Soften(Db),
    /// They go with the gaps.
    Drop,
}

impl Breaths {
    /// What is done unless told: guides keep theirs, as do calls and fills; doubles and harmonies breathe softer, so that
    /// one singer seems to breathe (common practice, no source).
    #[must_use]
    pub fn of_role(role: Role) -> Breaths {
        match role {
            Role::Guide | Role::Adlib | Role::Backing => Breaths::Keep,
            Role::Double | Role::Harmony => Breaths::Soften(Db(-12.0)),
        }
    }
}

/// How gaps are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GapRules {
    /// What stays on either side of a sound; unless told, room for its attack and its last decay.
    pub keep: Option<Length>,
    /// Shorter gaps stay.
    pub least: Length,
    /// What is done about breaths, unless as the role has it.
    pub breaths: Option<Breaths>,
}

/// Room that stays before an onset and behind an ending unless told, in ms. The analysis places both where the sound
/// begins to leave the floor and where it has died into it, so that this is room for a fade.
const ROOM_BEFORE_MS: u64 = 20;
const ROOM_BEHIND_MS: u64 = 25;
/// Gaps shorter than this stay unless told, in ms.
const LEAST_MS: u64 = 80;

impl GapRules {
    /// The rules unless told otherwise, at a rate in Hz.
    #[must_use]
    pub fn usual(rate: u32) -> GapRules {
        GapRules { keep: None, least: of_ms(LEAST_MS, rate), breaths: None }
    }

    /// What stays before and behind a sound, in samples at a rate in Hz.
    #[must_use]
    pub fn room(&self, rate: u32) -> (Length, Length) {
        match self.keep {
            Some(keep) => (keep, keep),
            None => (of_ms(ROOM_BEFORE_MS, rate), of_ms(ROOM_BEHIND_MS, rate)),
        }
    }
}

pub(super) fn of_ms(ms: u64, rate: u32) -> Length {
    Length(ms * u64::from(rate) / 1000)
}

/// What is proposed for a lane.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct LaneProposals {
    /// The proposals, in order.
    pub proposals: Vec<Proposal>,
    /// Why there are none.
    pub nothing: Option<String>,
    /// How much of what sounds on the lane would go: 0 to 1.
    pub share: f64,
}

/// The spans of a lane that could be emptied, and its breaths where they are to be softened.
///
/// # Errors
/// A recording cannot be listened to.
pub fn gaps(
    lane: &Lane,
    rate: u32,
    rules: &GapRules,
    hearing: &dyn Hearing,
) -> Result<LaneProposals, Diagnostic> {
    let mut heard: HashMap<AssetId, Arc<Heard>> = HashMap::new();
    for asset in assets_of([lane]) {
        heard.insert(asset, hearing.heard(asset)?);
    }
    if let Some(why) = heard.values().find_map(|heard| heard.verdict.objection()) {
        return Ok(LaneProposals { nothing: Some(why.into()), ..LaneProposals::default() });
    }
    let breaths = rules.breaths.unwrap_or(Breaths::of_role(lane.role));
    let mut alive = Vec::new();
    let mut soft = Vec::new();
    for (index, region) in lane.regions.iter().enumerate() {
        let Some(heard) = heard.get(&region.asset) else { continue };
        alive.extend(alive_in(region, heard, rules, rate, breaths));
        if let Breaths::Soften(by) = breaths {
            soft.extend(heard.of(SoundKind::Breath).filter_map(|breath| {
                let span = on_timeline(region, breath.start, breath.end)?;
                if softened_already(lane, index, span, by) {
                    return None;
                }
                let reason = format!("breath of {:.0} dBFS", breath.level_db + region.gain_db.0 as f32);
                let confidence = breath.confidence;
                Some(Proposal { lane: lane.id, span, does: Does::Soften(by), reason, confidence })
            }));
        }
    }
    let covered =
        union(lane.regions.iter().map(|region| Span { start: region.at, end: region.end() }).collect());
    let alive = union(alive);
    let sounding: u64 = covered.iter().map(|span| span.end.since(span.start).0).sum();
    let mut proposals: Vec<Proposal> = without(&covered, &alive)
        .into_iter()
        .filter(|span| span.end.since(span.start) >= rules.least)
        .map(|span| empty(lane, &heard, span, &alive))
        .collect();
    let gone: u64 = proposals.iter().map(|proposal| proposal.span.end.since(proposal.span.start).0).sum();
    proposals.extend(soft);
    proposals.sort_by_key(|proposal| proposal.span.start);
    let nothing = proposals.is_empty().then(|| "it has no gap long enough, and nothing to soften".into());
    Ok(LaneProposals { proposals, nothing, share: gone as f64 / sounding.max(1) as f64 })
}

/// True if a part of a region is softened as it stands: the region is that part alone, and what it was cut from beside it is
/// louder by as much; or the part lies in a fade, and what is heard there is the neighbour's.
fn softened_already(lane: &Lane, index: usize, span: Span, by: Db) -> bool {
    let Some(region) = lane.regions.get(index) else { return false };
    if within_a_fade(region, span) {
        return true;
    }
    let whole =
        region.at + region.fade_in.length >= span.start && region.end() - region.fade_out.length <= span.end;
    let beside =
        [index.checked_sub(1), Some(index + 1)].into_iter().flatten().filter_map(|at| lane.regions.get(at));
    // Gains are added and taken away again: not to the last bit.
    let louder = |other: &Region| region.gain_db.0 - other.gain_db.0 <= by.0 + 0.01;
    whole && beside.filter(|other| other.source_origin() == region.source_origin()).any(|other| louder(other))
}

/// Gaps by name: lanes and positions, as in `2:1.5s, 3:96000smp`.
///
/// # Errors
/// One cannot be read; says which and how it is written.
pub fn read_places(text: &str, context: &Context) -> Result<Vec<(usize, Position)>, Diagnostic> {
    let one = |part: &str| {
        let part = part.trim();
        let place = (|| {
            let (lane, at) = part.split_once(':')?;
            let lane = lane.parse::<usize>().ok().filter(|lane| *lane > 0)?;
            Some((lane, context.position(read_time(at).ok()?).ok()?))
        })();
        place.ok_or_else(|| {
            Diagnostic::refusal(format!("`{part}` names no gap"))
                .help("as in: trim gaps places \"2:1.5s, 3:4.25s\": lane and position")
        })
    };
    text.split(',').map(one).collect()
}

/// What of a region is to stay, with its room.
fn alive_in(region: &Region, heard: &Heard, rules: &GapRules, rate: u32, breaths: Breaths) -> Vec<Span> {
    let (before, behind) = rules.room(rate);
    let phrases = heard.phrases.iter().map(|phrase| (phrase.start, phrase.end));
    let kept = heard
        .of(SoundKind::Breath)
        .filter(|_| breaths != Breaths::Drop)
        .map(|breath| (breath.start, breath.end));
    phrases
        .chain(kept)
        .filter_map(|(start, end)| {
            on_timeline(region, start.saturating_sub(before.0), end.saturating_add(behind.0))
        })
        .collect()
}

/// Where frames of a recording lie on the timeline, as far as a region shows them.
pub(super) fn on_timeline(region: &Region, start: u64, end: u64) -> Option<Span> {
    let (start, end) = (start.max(region.source_in), end.min(region.source_end()));
    let place = |frame: u64| region.at + Length(frame - region.source_in);
    (start < end).then(|| Span { start: place(start), end: place(end) })
}

fn empty(lane: &Lane, heard: &HashMap<AssetId, Arc<Heard>>, span: Span, alive: &[Span]) -> Proposal {
    let place = match (alive.first(), alive.last()) {
        (Some(first), _) if span.end <= first.start => "before the first sound",
        (_, Some(last)) if span.start >= last.end => "behind the last sound",
        (Some(_), _) => "between two sounds",
        _ => "no voice on the lane",
    };
    let mut loudest: Option<Sound> = None;
    let mut floor = -120.0f32;
    for region in lane.regions.iter().filter(|region| region.at < span.end && span.start < region.end()) {
        let Some(heard) = heard.get(&region.asset) else { continue };
        floor = floor.max(heard.floor_db);
        let odd = |sound: &&Sound| !matches!(sound.kind, SoundKind::Click | SoundKind::Pop);
        for sound in heard.sounds.iter().filter(odd) {
            let inside = on_timeline(region, sound.start, sound.end)
                .is_some_and(|there| span.start <= there.start && there.end <= span.end);
            if inside && loudest.is_none_or(|loudest| sound.level_db > loudest.level_db) {
                loudest = Some(*sound);
            }
        }
    }
    let (what, confidence) = match loudest {
        None => (format!("nothing above the floor of {floor:.0} dBFS"), 0.95),
        Some(sound) if sound.kind == SoundKind::Breath => {
            (format!("a breath of {:.0} dBFS", sound.level_db), sound.confidence)
        }
        Some(sound) => {
            let above = (sound.level_db - floor).max(0.0);
            let what = format!("floor {floor:.0} dBFS, a stray sound of {:.0} dBFS", sound.level_db);
            (what, (0.9 - above / 40.0).clamp(0.3, 0.9))
        }
    };
    Proposal { lane: lane.id, span, does: Does::Empty, reason: format!("{place}: {what}"), confidence }
}

/// The same stretches without overlaps, in order.
fn union(mut spans: Vec<Span>) -> Vec<Span> {
    spans.sort_by_key(|span| span.start);
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.start <= last.end => last.end = last.end.max(span.end),
            _ => joined.push(span),
        }
    }
    joined
}

/// What of `from` no stretch of `taken` covers. Both are in order and without overlaps.
fn without(from: &[Span], taken: &[Span]) -> Vec<Span> {
    let mut left = Vec::new();
    let mut first = 0;
    for span in from {
        while taken.get(first).is_some_and(|taken| taken.end <= span.start) {
            first += 1;
        }
        let mut at: Position = span.start;
        for taken in taken.iter().skip(first).take_while(|taken| taken.start < span.end) {
            if taken.start > at {
                left.push(Span { start: at, end: taken.start });
            }
            at = at.max(taken.end);
        }
        if at < span.end {
            left.push(Span { start: at, end: span.end });
        }
    }
    left
}
