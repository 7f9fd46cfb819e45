//! The player that makes sound: the audition engine, once the takes are at hand; until then time passes in silence.

use std::collections::HashMap;
use std::sync::Arc;

use super::player::{Paced, Player};
use crate::audition::cache::{DEFAULT_BUDGET, TakeFile};
use crate::audition::{self, Choice, Listening, OutputChoice, OutputOptions, Quiet, Setup, Through};
use crate::edit::Session;
use crate::mix::{Ear, Plan};
use crate::screen::{Audible, Hear, Levels, Playing, ToneEar, ToneHear, TransportRequest, Weight};
use crate::song::{AssetId, Db, LaneId, Song, Span};
use crate::sound::bank::{MOST_SEARCH_DB, Search};

/// Q of the search boost: a sixth of an octave.
const SEARCH_Q: f64 = 8.0;

/// Plays through the audition engine.
pub struct Sounding {
    rate: u32,
    channels: HashMap<AssetId, u16>,
    out: OutputChoice,
    plan: Arc<Plan>,
    audible: Option<Audible>,
    over: Option<Span>,
    /// Keeps time until the engine is there.
    paced: Paced,
    engine: Option<audition::Player>,
    name: String,
    notes: Vec<(Weight, String)>,
    // What sound libraries print would be drawn into the screen. Dropped last.
    _quiet: Option<Quiet>,
}

impl Sounding {
    /// A player for an output; it is opened when the takes are there.
    pub fn new(session: &Session, out: OutputChoice) -> Sounding {
        let channels: HashMap<AssetId, u16> =
            session.assets.iter().map(|asset| (asset.id, asset.channels)).collect();
        let plan = Plan::compile(session.song(), session.rate, &|id| channels.get(&id).copied());
        let quiet = matches!(out, OutputChoice::Device(_)).then(|| Quiet::new(None).ok()).flatten();
        Sounding {
            rate: session.rate,
            channels,
            out,
            plan: Arc::new(plan),
            audible: None,
            over: None,
            paced: Paced::new(session.rate),
            engine: None,
            name: "sound not ready".to_owned(),
            notes: Vec::new(),
            _quiet: quiet,
        }
    }

    fn listening(&self) -> Listening {
        let Some(audible) = self.audible else { return Listening::default() };
        let choice = match (audible.hear, audible.lane) {
            (Hear::Guide, _) => Choice::Guide,
            (Hear::This, Some(lane)) => Choice::Lanes(vec![lane]),
            (Hear::Both, Some(lane)) => Choice::Both(lane),
            (Hear::Split, Some(lane)) => Choice::Apart(lane),
            _ => Choice::Marks,
        };
        let through = audible.lane.zip(audible.tone).map(|(lane, ear)| through(lane, ear));
        Listening { through, ..Listening::to(choice) }
    }

    fn make(&mut self, takes: &[TakeFile]) -> Result<audition::Player, audition::AuditionError> {
        let setup = Setup::new(self.rate);
        let level = self.audible.map_or(setup.level, |audible| Db(audible.level_db).to_linear());
        let setup = Setup { level, ..setup };
        let mut engine =
            audition::Player::new(setup, Arc::clone(&self.plan), self.listening(), takes, DEFAULT_BUDGET)?;
        self.attach(&mut engine, self.out.clone())?;
        Ok(engine)
    }

    /// Plays through an output, or, if it cannot be opened, in silence: the screen is of use without a loudspeaker too.
    fn attach(
        &mut self,
        engine: &mut audition::Player,
        choice: OutputChoice,
    ) -> Result<(), audition::AuditionError> {
        let options = |choice: OutputChoice| OutputOptions { choice, raw: false, buffer: None, once: false };
        let info = match engine.attach(&options(choice)) {
            Ok(info) => info,
            Err(error) => {
                self.notes.push((Weight::Wrong, format!("{error}; going on without sound")));
                engine.attach(&options(OutputChoice::None))?
            }
        };
        self.name = match info.name.as_str() {
            "none" => "no sound".to_owned(),
            name => name.to_owned(),
        };
        Ok(())
    }

    /// What outputs there are.
    fn offer(&self) -> String {
        let list = match audition::devices() {
            Ok(devices) if devices.is_empty() => "no device can play".to_owned(),
            Ok(devices) => {
                let names: Vec<String> =
                    devices.iter().map(|device| format!("\"device:{}\"", device.name)).collect();
                format!("there are {}", names.join(", "))
            }
            Err(error) => error.to_string(),
        };
        format!("the sound goes to {}; {list}", self.name)
    }

    fn set_loop(&mut self, over: Option<Span>) {
        self.over = over;
        let Some(engine) = &mut self.engine else { return };
        if let Err(error) = engine.set_loop(over) {
            self.notes.push((Weight::Wrong, error.to_string()));
        }
    }
}

/// How a lane is heard while its tone is worked on.
fn through(lane: LaneId, ear: ToneEar) -> Through {
    let search =
        ear.search_hz.map(|frequency_hz| Search { frequency_hz, gain_db: MOST_SEARCH_DB, q: SEARCH_Q });
    let hear = match ear.hear {
        ToneHear::Taken => crate::sound::bank::Hear::DeessTakes,
        ToneHear::Detector => crate::sound::bank::Hear::DeessDetector,
        ToneHear::Toned | ToneHear::Plain => crate::sound::bank::Hear::Tone,
    };
    Through { lane, ear: Ear { hear, search, before: ear.hear == ToneHear::Plain }, gain_db: ear.gain_db }
}

fn levels(readings: &audition::Readings) -> Levels {
    let [left, right] = readings.peak;
    let true_peak = readings.true_peak[0].max(readings.true_peak[1]);
    Levels {
        peaks: (left, right),
        true_peak_db: (true_peak > 1e-6).then(|| 20.0 * true_peak.log10()),
        short_term: readings.short_term,
        correlation: readings.correlation,
        lanes: readings.lanes.iter().map(|lane| lane.peak).collect(),
    }
}

impl Player for Sounding {
    fn name(&self) -> String {
        self.name.clone()
    }

    fn takes(&mut self, takes: Result<Vec<TakeFile>, String>) {
        let made = takes.and_then(|takes| self.make(&takes).map_err(|error| error.to_string()));
        match made {
            Ok(engine) => {
                let playing = self.paced.poll();
                self.engine = Some(engine);
                self.set_loop(self.over);
                if playing.running {
                    self.request(TransportRequest::Play { from: playing.at, over: self.over });
                }
            }
            Err(why) => {
                self.name = "no sound".to_owned();
                self.notes.push((Weight::Wrong, format!("no sound: {why}")));
            }
        }
    }

    fn request(&mut self, request: TransportRequest) {
        if let TransportRequest::Hear(audible) = request {
            self.audible = Some(audible);
        }
        let listening = self.listening();
        if let TransportRequest::Play { over, .. } | TransportRequest::Loop(over) = request {
            self.set_loop(over);
        }
        let end = self.plan.extent().map(|extent| extent.end);
        let Some(engine) = &mut self.engine else { return self.paced.request(request) };
        match request {
            TransportRequest::Play { from, over } => {
                engine.play(Some(from), end.filter(|_| over.is_none()), None);
            }
            TransportRequest::Stop => engine.stop(),
            TransportRequest::Loop(_) => {}
            TransportRequest::Hear(audible) => {
                engine.set_listening(listening);
                engine.set_level(Db(audible.level_db).to_linear());
            }
        }
    }

    fn song(&mut self, song: &Song) {
        self.paced.song(song);
        let channels = |id| self.channels.get(&id).copied();
        let before = Arc::clone(&self.plan);
        self.plan = Arc::new(self.plan.recompile(song, &channels));
        if let Some(engine) = &mut self.engine {
            // Kept at hand: the state before is what one goes back to and forth from.
            engine.set_before(Some(before));
            engine.set_plan(Arc::clone(&self.plan));
        }
    }

    fn poll(&mut self) -> Playing {
        let Some(engine) = &mut self.engine else { return self.paced.poll() };
        let mut lost = false;
        for event in engine.tick() {
            lost |= !matches!(event, audition::Event::Trouble(_));
            match event {
                audition::Event::Ended => self.notes.push((Weight::Note, "the output has ended".to_owned())),
                audition::Event::Failed(error) => {
                    self.notes.push((Weight::Wrong, format!("{error}; `output NAME` goes on there")));
                }
                audition::Event::Trouble(text) => {
                    self.notes.push((Weight::Wrong, format!("{text}; silence stands in its place")));
                }
            }
        }
        let (status, levels) = (engine.status(), levels(&engine.readings()));
        let own = self.audible.and_then(|audible| audible.lane);
        let row = own.and_then(|own| self.plan.lanes().iter().position(|lane| lane.id == own));
        let reduction = row.map(|row| engine.reduction(row));
        if lost && let Some(mut engine) = self.engine.take() {
            // In silence, so that one can work on until there is a device again.
            if let Err(error) = self.attach(&mut engine, OutputChoice::None) {
                self.notes.push((Weight::Wrong, error.to_string()));
            }
            self.engine = Some(engine);
            return Playing { at: status.heard, missed: status.missing, ..Playing::default() };
        }
        let levels = Some(levels);
        Playing { running: status.playing, at: status.heard, missed: status.missing, levels, reduction }
    }

    fn output(&mut self, name: &str) {
        if name.is_empty() {
            let offer = self.offer();
            return self.notes.push((Weight::Note, offer));
        }
        // A plain name is a device's: that is what one reads off the list.
        let choice = name.parse::<OutputChoice>().unwrap_or(OutputChoice::Device(Some(name.to_owned())));
        if matches!(choice, OutputChoice::Pipe | OutputChoice::File(_)) {
            let text = "on the screen the sound goes to a device, or to none".to_owned();
            return self.notes.push((Weight::Wrong, text));
        }
        self.out = choice.clone();
        let Some(mut engine) = self.engine.take() else {
            return self
                .notes
                .push((Weight::Note, format!("the sound will go to {name} when the takes are read")));
        };
        match self.attach(&mut engine, choice) {
            Ok(()) => self.notes.push((Weight::Fine, format!("the sound goes to {}", self.name))),
            Err(error) => self.notes.push((Weight::Wrong, error.to_string())),
        }
        self.engine = Some(engine);
    }

    fn notes(&mut self) -> Vec<(Weight, String)> {
        std::mem::take(&mut self.notes)
    }
}
