//! The player: the engine, its reader, its meters and its output in one hand, for the thread that gives commands.
//!
//! Nothing here is realtime-safe and nothing here waits long: every call but [`Player::attach`], [`Player::detach`] and
//! dropping takes microseconds. Call [`Player::tick`] some ten times a second.

mod watch;

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

use super::AuditionError;
use super::cache::{self, ReaderHandle, TakeFile};
use super::listening::{Listening, Scene};
use super::meters::{Meters, Readings};
use super::outputs::{self, Engine, Lease, Output, OutputInfo, OutputOptions};
use super::renderer::Renderer;
use super::setup::Setup;
use super::wire::{Board, Command, Mark, Remote, Staged};
use crate::mix::Plan;
use crate::song::{Linear, Position, Span};
pub use watch::{Event, Status};

/// How long an output may take to give the engine back.
const LETTING_GO: Duration = Duration::from_secs(3);

/// Plays a plan.
pub struct Player {
    setup: Setup,
    remote: Remote,
    // Dropped before the reader: an output that still runs must not find its samples gone.
    output: Option<Box<dyn Output>>,
    idle: Option<Engine>,
    home: (SyncSender<Engine>, Receiver<Engine>),
    reader: ReaderHandle,
    meters: Meters,
    plan: Arc<Plan>,
    before: Option<Arc<Plan>>,
    hears_before: bool,
    listening: Listening,
    looped: Option<Span>,
    /// Where the head may go next: kept at hand.
    hints: Vec<Position>,
    waiting: VecDeque<Command>,
    marks: VecDeque<Mark>,
    late: u64,
    /// A play was sent that the engine may not have seen yet: its callbacks at that time.
    sent_play: Option<u64>,
}

impl Player {
    /// A player that stands at the start of the plan. `budget` is the block cache's, in bytes.
    ///
    /// # Errors
    /// A take cannot be opened, or the system gives no thread.
    pub fn new(
        setup: Setup,
        plan: Arc<Plan>,
        listening: Listening,
        takes: &[TakeFile],
        budget: u64,
    ) -> Result<Player, AuditionError> {
        let (table, reader) = cache::open(takes, setup.rate, budget)?;
        let scene = Arc::new(Scene::new(Arc::clone(&plan), &listening));
        let at = plan.extent().map_or(Position(0), |extent| extent.start.min(Position(0)));
        let (mut engine, remote, feed) = Renderer::new(setup, table, scene, at);
        let board = Arc::clone(remote.board());
        engine.source_mut().count_on(Arc::clone(&board));
        let reader = reader.start(setup.rate, board)?;
        let meters = Meters::start(setup.rate, feed)?;
        let late = engine.latency() as u64;
        let mut player = Player {
            setup,
            remote,
            output: None,
            idle: Some(engine),
            home: sync_channel(1),
            reader,
            meters,
            plan,
            before: None,
            hears_before: false,
            listening,
            looped: None,
            hints: vec![at],
            waiting: VecDeque::new(),
            marks: VecDeque::new(),
            late,
            sent_play: None,
        };
        player.wish();
        Ok(player)
    }

    /// Opens an output and plays through it from now on; one that was there is closed.
    ///
    /// # Errors
    /// The output cannot be opened; nothing is heard then.
    pub fn attach(&mut self, options: &OutputOptions) -> Result<OutputInfo, AuditionError> {
        self.detach()?;
        let engine = self.idle.take().ok_or(AuditionError::Stuck)?;
        match outputs::open(options, Lease::new(engine, self.home.0.clone())) {
            Ok(output) => {
                let info = output.info();
                self.output = Some(output);
                Ok(info)
            }
            Err(error) => {
                self.come_home()?;
                Err(error)
            }
        }
    }

    /// Closes the output; playing stops where it was heard last.
    ///
    /// # Errors
    /// The output does not let go.
    pub fn detach(&mut self) -> Result<(), AuditionError> {
        if self.output.is_some() {
            let (heard, playing) = (self.heard(), self.is_playing());
            self.output = None;
            self.come_home()?;
            if playing {
                self.send(Command::Locate(heard));
            }
        }
        Ok(())
    }

    fn come_home(&mut self) -> Result<(), AuditionError> {
        let mut engine = self.home.1.recv_timeout(LETTING_GO).map_err(|_| AuditionError::Stuck)?;
        engine.rest();
        self.sent_play = None;
        self.idle = Some(engine);
        Ok(())
    }

    /// Another plan: an edit. It is heard as soon as its samples are at hand, usually in the next callback.
    pub fn set_plan(&mut self, plan: Arc<Plan>) {
        self.plan = plan;
        if !self.hears_before {
            self.send_scene();
        }
        self.wish();
    }

    /// Another choice of lanes.
    pub fn set_listening(&mut self, listening: Listening) {
        if self.listening != listening {
            self.listening = listening;
            self.send_scene();
            self.wish();
        }
    }

    /// The plan to compare with, kept at hand so that switching has no gap; `None` ends the comparison.
    pub fn set_before(&mut self, before: Option<Arc<Plan>>) {
        self.before = before;
        if self.hears_before {
            self.hear_before(self.before.is_some());
        }
        self.wish();
    }

    /// Switches between the plan to compare with and the present one.
    pub fn hear_before(&mut self, before: bool) {
        self.hears_before = before && self.before.is_some();
        self.send_scene();
        self.wish();
    }

    /// Plays from a position, or on from where it stands, to the end of a span or without end.
    pub fn play(&mut self, from: Option<Position>, until: Option<Position>, frames: Option<u64>) {
        if let Some(at) = from {
            self.hint(at);
        }
        self.sent_play = Some(self.remote.board().callbacks());
        self.send(Command::Play { from, until, frames });
    }

    /// Falls silent and keeps its place.
    pub fn stop(&mut self) {
        self.sent_play = None;
        self.send(Command::Stop);
    }

    /// Goes elsewhere, playing on if it plays.
    pub fn locate(&mut self, at: Position) {
        self.hint(at);
        self.send(Command::Locate(at));
    }

    /// Loops a span or none.
    ///
    /// # Errors
    /// The span is too short to be heard as anything but a tone; nothing has changed then.
    pub fn set_loop(&mut self, span: Option<Span>) -> Result<(), AuditionError> {
        let least = self.setup.seam * 2;
        if let Some(span) = span
            && span.end.since(span.start).0 < least
        {
            let seam_ms = self.setup.seam as f64 * 1000.0 / f64::from(self.setup.rate);
            return Err(AuditionError::ShortLoop { frames: span.end.since(span.start).0, least, seam_ms });
        }
        self.looped = span;
        self.wish();
        self.send(Command::Loop(span));
        Ok(())
    }

    /// Another monitor level; it glides there.
    pub fn set_level(&mut self, level: Linear) {
        self.send(Command::Level(level));
    }

    /// Tells where the head may go next, such as the cursor: its samples are kept at hand.
    pub fn hint(&mut self, at: Position) {
        if self.hints.first() != Some(&at) {
            self.hints.retain(|hint| *hint != at);
            self.hints.insert(0, at);
            self.hints.truncate(3);
            self.wish();
        }
    }

    /// What the meters show.
    #[must_use]
    pub fn readings(&self) -> Readings {
        self.meters.readings()
    }

    /// The meters.
    #[must_use]
    pub fn meters(&self) -> &Meters {
        &self.meters
    }

    /// What the de-esser and the compressor of the lane at an index take away at the head, in dB.
    #[must_use]
    pub fn reduction(&self, index: usize) -> (f32, f32) {
        self.remote.board().reduction(index)
    }

    /// The engine's numbers.
    #[must_use]
    pub fn board(&self) -> &Arc<Board> {
        self.remote.board()
    }

    fn scene(&self, plan: &Arc<Plan>) -> Arc<Scene> {
        Arc::new(Scene::new(Arc::clone(plan), &self.listening))
    }

    fn shown(&self) -> &Arc<Plan> {
        self.before.as_ref().filter(|_| self.hears_before).unwrap_or(&self.plan)
    }

    fn send_scene(&mut self) {
        let scene = self.scene(self.shown());
        self.send(Command::Scene(Staged::new(scene)));
    }

    fn send(&mut self, command: Command) {
        // In order, also behind those that found no room.
        if self.waiting.is_empty() {
            if let Err(command) = self.remote.send(command) {
                self.waiting.push_back(command);
            }
        } else {
            self.waiting.push_back(command);
        }
    }

    /// Tells the reader what is heard and what may be.
    fn wish(&mut self) {
        let shown = Arc::clone(self.shown());
        let mut plans = vec![shown];
        for plan in std::iter::once(&self.plan).chain(&self.before) {
            if !plans.iter().any(|other| Arc::ptr_eq(other, plan)) {
                plans.push(Arc::clone(plan));
            }
        }
        let scenes = plans.iter().map(|plan| self.scene(plan)).collect();
        self.reader.wish().set(scenes, self.hints.clone(), self.looped, self.setup.seam);
    }
}
