//! Work on the tone of the cursor's lane: which number is in hand, what is heard, what is known of the lane.

use std::collections::HashMap;
use std::sync::Arc;

use super::app::{App, World};
use super::event::Effect;
use super::log::Weight;
use super::transport::{ToneEar, ToneHear, TransportRequest};
use super::view::Pane;
use crate::command::Diagnostic;
use crate::listen::ToneLook;
use crate::song::{Lane, LaneId, Tone};

/// Looks that are kept.
const MOST_LOOKS: usize = 64;

/// The state of that work. None of it is kept for the next run.
#[derive(Debug, Default)]
pub struct ToneDesk {
    /// The number in hand.
    pub knob: usize,
    /// What is heard.
    pub hear: ToneHear,
    /// Where a narrow boost searches, in Hz.
    pub search_hz: Option<f64>,
    looks: HashMap<LaneId, (Arc<Lane>, Arc<ToneLook>)>,
    asked: Option<Arc<Lane>>,
}

impl ToneDesk {
    /// How a lane is heard, if not as it is set.
    pub fn ear(&self, lane: LaneId) -> Option<ToneEar> {
        if !self.is_on() {
            return None;
        }
        let matched = self.looks.get(&lane).and_then(|(_, look)| look.matched_db);
        let gain_db = if self.hear == ToneHear::Plain { matched.unwrap_or(0.0) } else { 0.0 };
        Some(ToneEar { hear: self.hear, search_hz: self.search_hz, gain_db })
    }

    /// True if something else than the tone as it is set is heard.
    pub fn is_on(&self) -> bool {
        self.hear != ToneHear::Toned || self.search_hz.is_some()
    }

    /// What is known of a lane, and whether it is of the lane as it stands.
    pub fn look(&self, lane: &Arc<Lane>) -> Option<(&ToneLook, bool)> {
        self.looks.get(&lane.id).map(|(of, look)| (&**look, Arc::ptr_eq(of, lane)))
    }
}

impl App {
    /// The tone of the cursor's lane.
    pub(super) fn tone_of(lane: &Lane) -> Tone {
        lane.tone.as_deref().cloned().unwrap_or_default()
    }

    /// Chooses what is heard of the lane.
    pub(super) fn hear_tone(&mut self, world: &World, hear: ToneHear) -> Result<(), Diagnostic> {
        let lane = self.lane(world).ok_or_else(|| Diagnostic::refusal("there is no lane"))?;
        if matches!(hear, ToneHear::Taken | ToneHear::Detector) && Self::tone_of(lane).deess.is_none() {
            return Err(Diagnostic::refusal("the lane has no de-esser").help("as in: tone deess 7500Hz"));
        }
        self.show_tone(world);
        self.tone.hear = if self.tone.hear == hear { ToneHear::Toned } else { hear };
        let text = match self.tone.hear {
            ToneHear::Toned => "heard: the lane with its tone".to_owned(),
            ToneHear::Plain => match self.lane(world).and_then(|lane| self.tone.look(lane)) {
                Some((look, true)) => {
                    let gain = look.matched_db.unwrap_or(0.0);
                    format!("heard: the lane before its tone, {gain:+.1} dB to be as loud")
                }
                _ => "heard: the lane before its tone; its loudness is being measured".to_owned(),
            },
            ToneHear::Taken => "heard: what the de-esser takes out".to_owned(),
            ToneHear::Detector => "heard: what the de-esser's detector hears".to_owned(),
        };
        self.say(Weight::Note, &text);
        Ok(())
    }

    /// Listening to parts of a tone belongs to its view.
    pub(super) fn show_tone(&mut self, _: &World) {
        if self.view.pane != Pane::Tone {
            self.view.before = Pane::Lanes;
            self.view.pane = Pane::Tone;
        }
    }

    /// A look at a lane has come in.
    pub(super) fn toned(&mut self, lane: Arc<Lane>, look: Arc<ToneLook>) -> Vec<Effect> {
        if self.tone.asked.as_ref().is_some_and(|asked| Arc::ptr_eq(asked, &lane)) {
            self.tone.asked = None;
        }
        if self.tone.looks.len() >= MOST_LOOKS {
            self.tone.looks.clear();
        }
        let own = self.view.lane == Some(lane.id);
        self.tone.looks.insert(lane.id, (lane, look));
        // The gain to match by is known now.
        if own && self.tone.hear == ToneHear::Plain {
            vec![Effect::Transport(TransportRequest::Hear(self.audible()))]
        } else {
            Vec::new()
        }
    }

    /// Asks for what the view shows, and hears the lane as it is set again once the view is left.
    pub(super) fn settle_tone(&mut self, world: &World, effects: &mut Vec<Effect>) {
        if self.view.pane != Pane::Tone {
            if self.tone.is_on() && self.view.pane != Pane::Help {
                (self.tone.hear, self.tone.search_hz) = (ToneHear::Toned, None);
                effects.push(Effect::Transport(TransportRequest::Hear(self.audible())));
            }
            return;
        }
        let Some(lane) = self.lane(world) else { return };
        let known = self.tone.look(lane).is_some_and(|(_, same)| same);
        // One at a time: an answer that is stale by then brings the next question.
        if !known && self.tone.asked.is_none() {
            self.tone.asked = Some(Arc::clone(lane));
            effects.push(Effect::ToneLook(Arc::clone(lane)));
        }
    }
}
