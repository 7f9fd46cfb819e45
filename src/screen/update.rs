//! What each event does to the state.

use super::app::{App, Detail, World};
use super::event::{Effect, Event};
use super::expand::{MOST, expand};
use super::key::Key;
use super::keymap::{Found, chord_text};
use super::layout::{Layout, SMALLEST};
use super::log::Weight;
use super::transport::Playing;
use super::view::{Pane, samples_per_column};
use crate::media::peaks::BASE;
use crate::song::{AssetId, Lane};

/// Meters are shown anew every so many ticks of the playhead: they cost bytes, and eyes are slower.
const METER_TICKS: u64 = 4;
/// Samples of one recording that are kept at hand, at most.
const MOST_SAMPLES: u64 = 1 << 22;

impl App {
    /// Takes an event in; gives what is to be done about it.
    pub fn update(&mut self, world: &World, event: Event) -> Vec<Effect> {
        let mut effects = match event {
            Event::Key(key) => self.key(world, key),
            Event::Paste(text) => {
                self.paste(world, &text);
                Vec::new()
            }
            Event::Mouse(mouse) => self.mouse(world, mouse),
            Event::Resize(columns, rows) => {
                self.size = (columns, rows);
                Vec::new()
            }
            Event::Done(done) => {
                self.waiting = false;
                self.heard = None;
                self.offers.done();
                self.offers.trial = None;
                self.say(Weight::Fine, &format!("{}  (edit {})", done.summary, done.edit));
                self.go_on(world)
            }
            Event::Refused(error) => {
                self.waiting = false;
                self.steps.clear();
                self.offers.refused();
                self.say(Weight::Wrong, &error.to_string());
                Vec::new()
            }
            Event::Peaks(asset, peaks) => {
                self.peaks.insert(asset, peaks);
                Vec::new()
            }
            Event::Starts(asset, starts) => {
                self.starts.insert(asset, starts);
                self.starts_seen += 1;
                Vec::new()
            }
            Event::Words(state, Ok(timing)) => {
                self.no_words = None;
                self.measured(world, state, &timing);
                Vec::new()
            }
            Event::Words(_, Err(why)) => {
                self.no_words = Some(why.to_string());
                // What was measured is of a state that is gone.
                self.lines = super::lines::Lines::default();
                Vec::new()
            }
            Event::Samples(asset, from, samples) => {
                self.details.insert(asset, Detail { from, samples, asked: None });
                Vec::new()
            }
            Event::Toned(lane, look) => self.toned(lane, look),
            Event::Progress(done, all) => {
                self.progress = (done < all).then_some((done, all));
                Vec::new()
            }
            Event::Playing(playing) => {
                self.follow(world, playing);
                Vec::new()
            }
            Event::Sound(name) => {
                self.sound = name;
                Vec::new()
            }
            Event::Note(weight, text) => {
                self.say(weight, &text);
                Vec::new()
            }
        };
        self.settle(world, &mut effects);
        effects
    }

    fn key(&mut self, world: &World, key: Key) -> Vec<Effect> {
        self.fresh = false;
        if self.prompt.is_some() {
            return self.prompt_key(world, key);
        }
        if self.palette.is_some() {
            return self.palette_key(world, key);
        }
        if key.is("esc") && (!self.chord.is_empty() || self.count.is_some()) {
            self.chord.clear();
            self.count = None;
            return Vec::new();
        }
        if let (true, true, Some(digit)) = (self.keymap.counts, self.chord.is_empty(), key.digit())
            && (digit > 0 || self.count.is_some())
        {
            self.count = Some((self.count.unwrap_or(0) * 10 + digit).min(MOST));
            return Vec::new();
        }
        self.chord.push(key);
        match self.keymap.find(self.place(), &self.chord) {
            Found::Half(_) => Vec::new(),
            Found::Nothing => {
                let chord = chord_text(&self.chord);
                self.chord.clear();
                self.count = None;
                let keys = self
                    .keymap
                    .chord_for("view help")
                    .map_or(String::new(), |key| format!("; {key} shows the keys"));
                self.say(Weight::Note, &format!("nothing is bound to {chord}{keys}"));
                Vec::new()
            }
            Found::Command(line) => {
                let count = self.count.take();
                let (text, times) = expand(self, world, &line, count);
                self.chord.clear();
                match self.start(world, &text, times) {
                    Ok(effects) => effects,
                    Err(error) => {
                        self.refuse(&text, &error);
                        Vec::new()
                    }
                }
            }
        }
    }

    fn paste(&mut self, world: &World, text: &str) {
        self.fresh = false;
        if let Some(palette) = &mut self.palette {
            // What is looked for is short; the rest of a paste by mistake is not kept.
            for c in text.chars().filter(|c| !c.is_control()).take(60) {
                palette.input.handle(tui_input::InputRequest::InsertChar(c));
            }
            return;
        }
        if self.prompt.is_none() {
            self.open_prompt(world, "");
        }
        self.prompt_paste(world, text);
    }

    fn follow(&mut self, world: &World, playing: Playing) {
        let stopped = self.playing.running && !playing.running;
        let moved = self.playing.at != playing.at;
        if playing.missed > self.playing.missed {
            let text = format!("{} samples came too late and were silent", playing.missed);
            self.log.add(Weight::Note, &text);
        }
        self.playing = playing;
        if stopped {
            self.sum = None;
            self.meters.clear();
        }
        if !self.playing.running || !moved {
            return;
        }
        if self.ticks.is_multiple_of(METER_TICKS) {
            self.sum = self.playing.levels.take();
            self.meters = match &self.sum {
                Some(sum) => sum.lanes.iter().map(|peak| meter(*peak)).collect(),
                None => self.levels(world),
            };
        }
        self.ticks += 1;
        let width = f64::from(self.wave_columns(world));
        let column = self.column_of(self.playing.at.0);
        if self.view.follow && self.view.pane == Pane::Lanes && !(0.0..width - 1.0).contains(&column) {
            // A page at a time: scrolling with every step would send the whole screen each time.
            let room = width / 10.0 * samples_per_column(self.view.zoom);
            #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
            let left = (self.playing.at.0 as f64 - room).round() as i64;
            self.view.left = left;
        }
    }

    /// How loud each lane is at the playhead, from 0 to 8, as far as it is heard.
    fn levels(&self, world: &World) -> Vec<u8> {
        let song = world.session.song();
        let scene = super::scene::Scene::new(self, world);
        let span = f64::from(world.session.rate) / 20.0;
        let at = self.playing.at.0 as f64;
        let level = |(row, lane): (usize, &std::sync::Arc<Lane>)| {
            if !self.is_heard(world, row) {
                return 0;
            }
            let look = scene.look(lane, at, at + span);
            let peak = look.sound.filter(|_| !look.gone).map_or(0.0, |sound| sound.peak());
            meter(peak)
        };
        song.lanes.iter().enumerate().map(level).collect()
    }

    /// Whether a lane is heard with what is listened to.
    pub(super) fn is_heard(&self, world: &World, row: usize) -> bool {
        use super::transport::Hear;
        let song = world.session.song();
        let Some(lane) = song.lanes.get(row) else { return false };
        let own = Some(lane.id) == self.view.lane;
        let guide = song.guide().is_some_and(|guide| guide.id == lane.id);
        match self.view.hear {
            Hear::Stack if song.lanes.iter().any(|lane| lane.solo) => lane.solo,
            Hear::Stack => !lane.mute,
            Hear::This => own,
            Hear::Guide => guide,
            Hear::Both | Hear::Split => own || guide,
        }
    }

    /// Brings the state back in line with the song, whatever has just happened to either.
    fn settle(&mut self, world: &World, effects: &mut Vec<Effect>) {
        let song = world.session.song();
        if self.view.lane.is_none_or(|id| song.lane(id).is_none()) {
            let first = song.guide().or(song.lanes.first()).map(|lane| lane.id);
            self.view.lane = first;
        }
        if !self.view.placed && self.size.0 >= SMALLEST.0 {
            self.view.placed = true;
            if let Some(extent) = song.extent() {
                self.show_span(world, extent);
                self.view.cursor = extent.start.0;
            }
        }
        if !self.selected.is_empty() {
            let there: std::collections::HashSet<_> =
                song.lanes.iter().flat_map(|lane| &lane.regions).map(|region| region.id).collect();
            self.selected.retain(|id| there.contains(id));
        }
        if self.heard.is_some_and(|id| id == world.session.history.head()) {
            self.heard = None;
        }
        // A proposal is only heard where it is seen.
        if !matches!(self.view.pane, Pane::Proposals | Pane::Close) {
            self.offers.trial = None;
        }
        let edits = world.session.history.edits().len() as u64;
        self.walker.0 = self.walker.0.min(edits);
        self.view.collapsed.retain(|id| song.lane(*id).is_some());
        self.view.top = self.view.top.min(song.lanes.len().saturating_sub(1));
        self.refresh_lines(world, effects);
        self.ask_for_samples(world, effects);
        self.settle_tone(world, effects);
    }

    /// Asks for the samples that a close look needs and that are not at hand.
    fn ask_for_samples(&mut self, world: &World, effects: &mut Vec<Effect>) {
        let song = world.session.song();
        let layout = Layout::of(self, world);
        let (lanes, left, right): (Vec<&Lane>, f64, f64) = match self.view.pane {
            Pane::Lanes if samples_per_column(self.view.zoom) / 2.0 < 2.0 * BASE as f64 => {
                let lanes = layout.strips.iter().map(|strip| song.lanes[strip.row].as_ref());
                (lanes.collect(), self.position_of(0.0), self.position_of(f64::from(layout.wave.width)))
            }
            Pane::Close | Pane::Proposals => {
                let both = [self.view.lane, self.partner(world)].into_iter().flatten();
                let half = f64::from(self.size.0) / 2.0 * samples_per_column(self.view.close_zoom);
                let at = self.view.cursor as f64;
                let lanes = both.filter_map(|id| song.lane(id)).map(AsRef::as_ref);
                (lanes.collect(), at - half, at + half)
            }
            _ => return,
        };
        for lane in lanes {
            for (asset, from, to) in shown(lane, left, right) {
                let frames =
                    world.session.asset(asset).map_or(0, |asset| asset.frames_at(world.session.rate));
                self.ask_for(asset, from, to.min(frames), effects);
            }
        }
    }

    fn ask_for(&mut self, asset: AssetId, from: u64, to: u64, effects: &mut Vec<Effect>) {
        if from >= to || to - from > MOST_SAMPLES {
            return;
        }
        let empty = || Detail { from: 0, samples: [].into(), asked: None };
        let detail = self.details.entry(asset).or_insert_with(empty);
        let have = (detail.from, detail.from + detail.samples.len() as u64);
        let covers = |span: (u64, u64)| span.0 <= from && to <= span.1;
        if covers(have) || detail.asked.is_some_and(covers) {
            return;
        }
        // As much again on either side, so that scrolling finds it there.
        let room = to - from;
        let (from, to) = (from.saturating_sub(room), to.saturating_add(room));
        detail.asked = Some((from, to));
        effects.push(Effect::Samples(asset, from, to));
    }
}

/// A peak (linear) as a step from 0 to 8: 6 dB a step, from -42 dB up.
/// Eighths of a meter of 48 dB.
pub(super) fn meter(peak: f32) -> u8 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held in range")]
    let steps = (8.0 + 20.0 * peak.max(1e-6).log10() / 6.0).round().clamp(0.0, 8.0) as u8;
    steps
}

/// Which frames of which recordings a stretch of a lane shows.
fn shown(lane: &Lane, left: f64, right: f64) -> Vec<(AssetId, u64, u64)> {
    #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
    let (left, right) = (left.floor() as i64, right.ceil() as i64);
    let near = |index: usize| {
        let region = &lane.regions[index];
        let before = index.checked_sub(1).map_or(i64::MIN, |before| lane.regions[before].end().0);
        let after = lane.regions.get(index + 1).map_or(i64::MAX, |after| after.at.0);
        // A region shows its cut-away sound up to its neighbours.
        (before.min(region.at.0) < right && left < after.max(region.end().0)).then_some(region)
    };
    let mut spans: Vec<(AssetId, u64, u64)> = Vec::new();
    for region in (0..lane.regions.len()).filter_map(near) {
        let origin = region.source_origin().0;
        let frame = |at: i64| u64::try_from(at.saturating_sub(origin)).unwrap_or(0);
        let (from, to) = (frame(left), frame(right));
        match spans.iter_mut().find(|(asset, ..)| *asset == region.asset) {
            Some(span) => (span.1, span.2) = (span.1.min(from), span.2.max(to)),
            None => spans.push((region.asset, from, to)),
        }
    }
    spans
}
