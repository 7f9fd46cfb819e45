//! The loop: waits, takes everything in that has happened, draws once, writes once.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender};
use std::time::{Duration, Instant};

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::hearing::Ears;
use super::super::{CliError, presets, run, tone_presets};
use super::player::Player;
use super::terminal::Terminal;
use super::words::Words;
use super::work::Work;
use super::{Message, input, work};
use crate::command::{Action, Diagnostic, Presets, carry_out, parse};
use crate::edit::Store;
use crate::screen::{App, Effect, Encoder, Event, TransportRequest, View, Weight, World, draw};
use crate::song::{EditId, Span};

/// Time from one place of the playhead to the next.
const TICK: Duration = Duration::from_millis(50);
/// Least time between frames that nobody waits for: peaks that arrive, progress.
const PATIENCE: Duration = Duration::from_millis(40);

/// Why the loop ends.
enum End {
    /// As asked.
    Quit,
    /// The terminal is gone; there is nobody to tell.
    Lost,
}

/// Everything that runs while the screen is up.
pub struct Engine {
    app: App,
    terminal: Terminal,
    player: Box<dyn Player>,
    presets: Presets,
    ears: Arc<Ears>,
    to: Sender<Message>,
    messages: Receiver<Message>,
    encoder: Encoder,
    work: Option<Work>,
    words: Option<Words>,
    /// What the player was given last: the state, and the loop.
    given: Option<(EditId, Option<u64>, Option<Span>)>,
    /// Something has changed since the last frame; somebody waits to see it.
    stale: bool,
    urgent: bool,
    drawn: Instant,
    ticked: Instant,
}

impl Engine {
    /// Ready to run.
    pub fn new(
        app: App,
        terminal: Terminal,
        player: Box<dyn Player>,
        presets: Presets,
        ears: Arc<Ears>,
        to: Sender<Message>,
        messages: Receiver<Message>,
    ) -> Engine {
        let now = Instant::now();
        Engine {
            app,
            terminal,
            player,
            presets,
            ears,
            to,
            messages,
            encoder: Encoder::default(),
            work: None,
            words: None,
            given: None,
            stale: true,
            urgent: true,
            drawn: now.checked_sub(PATIENCE).unwrap_or(now),
            ticked: now,
        }
    }

    /// How one looks at the session.
    pub fn view(&self) -> &View {
        self.app.view()
    }

    /// What was typed.
    pub fn typed(&self) -> &[String] {
        self.app.typed()
    }

    /// Gives the terminal back and stops the sound.
    pub fn leave(&mut self) {
        self.player.request(TransportRequest::Stop);
        self.terminal.leave();
    }

    /// Puts a message into the log, once it runs: an event before would have effects that nobody carries out.
    pub fn tell(&self, weight: Weight, text: &str) {
        // This end holds the other one.
        let _ = self.to.send(Message::Event(Event::Note(weight, text.to_owned())));
    }

    /// Runs until the end.
    ///
    /// # Errors
    /// The terminal cannot be used, or edits cannot be saved.
    pub fn run(&mut self, store: &mut Store) -> Result<(), CliError> {
        let failed = |error: std::io::Error| CliError::output(format!("cannot watch for signals: {error}"));
        input::watch_signals(self.to.clone()).map_err(failed)?;
        let (columns, rows) = self.terminal.size();
        self.words = Some(Words::begin(&self.ears, &self.to));
        self.event(store, Event::Resize(columns, rows));
        self.give_song(store);
        // The first picture comes before anything is read.
        if self.frame(store).is_err() {
            return Ok(());
        }
        input::listen(self.to.clone());
        self.work = Some(Work::begin(store.session(), store.folder(), &self.to));
        work::verify(store.session(), store.folder(), &self.to);
        work::copies(store.session(), store.folder(), &self.to);
        loop {
            let Some(message) = self.wait() else { return Ok(()) };
            let mut next = message;
            loop {
                if let Some(message) = next.take()
                    && let Some(end) = self.message(store, message)?
                {
                    return match end {
                        End::Quit | End::Lost => Ok(()),
                    };
                }
                // All that has come in meanwhile goes into the same picture.
                match self.messages.try_recv() {
                    Ok(message) => next = Some(message),
                    Err(_) => break,
                }
            }
            self.tick(store);
            self.give_song(store);
            let patient = self.drawn.elapsed() >= PATIENCE;
            if self.stale && (self.urgent || patient) && self.frame(store).is_err() {
                return Ok(());
            }
        }
    }

    /// The next message; `Some(None)` if it is time to do something without one, `None` if none can come.
    fn wait(&self) -> Option<Option<Message>> {
        let playing = self.app.is_playing().then(|| TICK.saturating_sub(self.ticked.elapsed()));
        let waiting = self.stale.then(|| PATIENCE.saturating_sub(self.drawn.elapsed()));
        match playing.into_iter().chain(waiting).min() {
            None => self.messages.recv().ok().map(Some),
            Some(limit) => match self.messages.recv_timeout(limit) {
                Ok(message) => Some(Some(message)),
                Err(RecvTimeoutError::Timeout) => Some(None),
                Err(RecvTimeoutError::Disconnected) => None,
            },
        }
    }

    fn message(&mut self, store: &mut Store, message: Message) -> Result<Option<End>, CliError> {
        use signal_hook::consts::{SIGCONT, SIGTSTP};
        match message {
            Message::Event(event) => {
                self.urgent |= matches!(
                    event,
                    Event::Key(_)
                        | Event::Paste(_)
                        | Event::Mouse(_)
                        | Event::Resize(..)
                        | Event::Samples(..)
                );
                Ok(self.event(store, event))
            }
            Message::Takes(takes) => {
                self.player.takes(takes);
                Ok(self.notes(store))
            }
            Message::Gone => Ok(Some(End::Lost)),
            Message::Signal(SIGTSTP) => self.suspend().map(|()| None),
            Message::Signal(SIGCONT) => {
                self.redraw();
                Ok(None)
            }
            // Every edit is on disk; what is left to do is done by leaving.
            Message::Signal(_) => Ok(Some(End::Quit)),
        }
    }

    /// Takes an event in and carries out what comes of it, until nothing more does.
    fn event(&mut self, store: &mut Store, event: Event) -> Option<End> {
        self.stale = true;
        let mut effects = self.app.update(&world(store, &self.presets, &self.ears), event);
        effects.reverse();
        while let Some(effect) = effects.pop() {
            let answer = match effect {
                Effect::Edit(line) => Some(self.edit(store, &line)),
                Effect::Transport(request) => {
                    self.give_song(store);
                    self.player.request(request);
                    None
                }
                Effect::Output(name) => {
                    self.player.output(&name);
                    let _ = self.notes(store);
                    None
                }
                Effect::Samples(asset, from, to) => {
                    if let Some(work) = &self.work {
                        work.samples(asset, from, to);
                    }
                    None
                }
                Effect::ToneLook(lane) => {
                    if let Some(work) = &self.work {
                        work.tone_look(lane);
                    }
                    None
                }
                Effect::Words(state) => {
                    if let Some(words) = &self.words {
                        words.ask(state, store.session());
                    }
                    None
                }
                Effect::Cancel => {
                    if let Some(work) = &self.work {
                        work.cancel();
                    }
                    None
                }
                Effect::Redraw => {
                    self.redraw();
                    None
                }
                Effect::Suspend => match self.suspend() {
                    Ok(()) => None,
                    Err(_) => return Some(End::Lost),
                },
                Effect::Quit => return Some(End::Quit),
            };
            if let Some(answer) = answer {
                let mut more = self.app.update(&world(store, &self.presets, &self.ears), answer);
                more.reverse();
                effects.extend(more);
            }
        }
        None
    }

    fn edit(&mut self, store: &mut Store, line: &str) -> Event {
        let mut carried = || -> Result<crate::command::Done, Diagnostic> {
            let mut last = None;
            for command in parse(line)? {
                let action =
                    command.call.resolve(&self.app.context(&world(store, &self.presets, &self.ears)))?;
                if let Action::SavePreset { name, preset } = &action {
                    presets::save(name, preset).map_err(|error| Diagnostic::refusal(error.text))?;
                    self.presets.fades.insert(name.clone(), preset.clone());
                }
                if let Action::SaveTone { name, preset } = &action {
                    tone_presets::save(name, preset).map_err(|error| Diagnostic::refusal(error.text))?;
                    self.presets.tones.insert(name.clone(), preset.as_ref().clone());
                }
                let done = carry_out(store, action, &command.text, &run::now());
                last = Some(done.map_err(|error| Diagnostic::refusal(error.to_string()))?);
            }
            last.ok_or_else(|| Diagnostic::refusal("the line is empty"))
        };
        carried().map_or_else(Event::Refused, Event::Done)
    }

    /// Tells the player what is to be heard, if that is not what it has.
    fn give_song(&mut self, store: &Store) {
        let session = store.session();
        let state = self.app.heard().unwrap_or(session.history.head());
        let span = session.song().loop_span;
        let trial = self.app.trial();
        let now = (state, trial.map(|(number, _)| number), span);
        if self.given == Some(now) {
            return;
        }
        let old_span = self.given.and_then(|(.., span)| span);
        if self.given.is_none_or(|(old, old_trial, _)| (old, old_trial) != (now.0, now.1)) {
            match (trial, session.history.song_at(state)) {
                (Some((_, song)), _) => self.player.song(song),
                (None, Ok(song)) => self.player.song(&song),
                (None, Err(_)) => self.player.song(session.song()),
            }
        }
        if self.given.is_some() && old_span != span {
            self.player.request(TransportRequest::Loop(span));
        }
        self.given = Some(now);
    }

    /// What the player has to tell, and what it is by now.
    fn notes(&mut self, store: &mut Store) -> Option<End> {
        for (weight, text) in self.player.notes() {
            self.event(store, Event::Note(weight, text));
        }
        self.event(store, Event::Sound(self.player.name()))
    }

    fn tick(&mut self, store: &mut Store) {
        if self.app.is_playing() && self.ticked.elapsed() >= TICK {
            self.ticked = Instant::now();
            let playing = self.player.poll();
            self.event(store, Event::Playing(playing));
            let notes = self.player.notes();
            if !notes.is_empty() {
                for (weight, text) in notes {
                    self.event(store, Event::Note(weight, text));
                }
                self.event(store, Event::Sound(self.player.name()));
            }
            self.urgent = true;
        }
    }

    fn frame(&mut self, store: &Store) -> std::io::Result<()> {
        let (columns, rows) = self.app.size();
        let mut buffer = Buffer::empty(Rect::new(0, 0, columns, rows));
        let cursor = draw(&self.app, &world(store, &self.presets, &self.ears), &mut buffer);
        let bytes = self.encoder.frame(buffer, cursor);
        (self.stale, self.urgent, self.drawn) = (false, false, Instant::now());
        if bytes.is_empty() { Ok(()) } else { self.terminal.write(&bytes) }
    }

    fn redraw(&mut self) {
        self.encoder.forget();
        (self.stale, self.urgent) = (true, true);
    }

    /// Gives the terminal back, stops until the shell wakes the program, and takes it again.
    fn suspend(&mut self) -> Result<(), CliError> {
        self.player.request(TransportRequest::Stop);
        self.terminal.leave();
        // If the system will not stop the program, it simply goes on.
        let _ = signal_hook::low_level::emulate_default_handler(signal_hook::consts::SIGTSTP);
        self.terminal.enter()?;
        let (columns, rows) = self.terminal.size();
        let _ = self.to.send(Message::Event(Event::Resize(columns, rows)));
        self.redraw();
        Ok(())
    }
}

fn world<'w>(store: &'w Store, presets: &'w Presets, ears: &'w Ears) -> World<'w> {
    World { session: store.session(), presets, hearing: ears, writable: store.is_writable() }
}
