//! What makes the sound, or keeps time in its place.

use std::time::Instant;

use super::sounding::Sounding;
use crate::audition::OutputChoice;
use crate::audition::cache::TakeFile;
use crate::cli::CliError;
use crate::edit::Store;
use crate::screen::{Playing, TransportRequest, Weight};
use crate::song::{Position, Song, Span};

/// Makes the sound.
pub trait Player {
    /// What it is, in a few words for the bar.
    fn name(&self) -> String;

    /// Does what is asked.
    fn request(&mut self, request: TransportRequest);

    /// What is to be heard from now on.
    fn song(&mut self, song: &Song);

    /// Where it is.
    fn poll(&mut self) -> Playing;

    /// The takes are at hand, or cannot be.
    fn takes(&mut self, _: Result<Vec<TakeFile>, String>) {}

    /// Sends the sound to another output; without a name, tells what there is.
    fn output(&mut self, name: &str);

    /// What there is to tell.
    fn notes(&mut self) -> Vec<(Weight, String)> {
        Vec::new()
    }
}

/// The player for an output.
///
/// # Errors
/// There is no such output.
pub fn open(out: &str, store: &Store) -> Result<Box<dyn Player>, CliError> {
    match out.parse().map_err(CliError::usage)? {
        OutputChoice::None => Ok(Box::new(Paced::new(store.session().rate))),
        choice => Ok(Box::new(Sounding::new(store.session(), choice))),
    }
}

/// Plays nothing at the right pace.
#[derive(Debug)]
pub struct Paced {
    rate: u32,
    begun: Option<(Instant, Position)>,
    at: Position,
    over: Option<Span>,
    end: Position,
    notes: Vec<(Weight, String)>,
}

impl Paced {
    /// A player at a rate in Hz.
    pub fn new(rate: u32) -> Paced {
        Paced { rate, begun: None, at: Position(0), over: None, end: Position(0), notes: Vec::new() }
    }

    fn now(&self) -> Position {
        let Some((begun, from)) = self.begun else { return self.at };
        #[expect(clippy::cast_possible_truncation, reason = "a session is not that long")]
        let gone = (begun.elapsed().as_secs_f64() * f64::from(self.rate)) as i64;
        let at = from.0.saturating_add(gone);
        match self.over {
            Some(over) if at >= over.end.0 => {
                let length = (over.end - over.start).0.max(1);
                Position(over.start.0 + (at - over.start.0) % length)
            }
            _ => Position(at),
        }
    }
}

impl Player for Paced {
    fn name(&self) -> String {
        "no sound".to_owned()
    }

    fn request(&mut self, request: TransportRequest) {
        match request {
            TransportRequest::Play { from, over } => {
                self.over = over;
                self.begun = Some((Instant::now(), from));
            }
            TransportRequest::Stop => {
                self.at = self.now();
                self.begun = None;
            }
            TransportRequest::Loop(over) => {
                let at = self.now();
                self.over = over;
                if let Some(begun) = &mut self.begun {
                    let from = over.filter(|over| !over.contains(at)).map_or(at, |over| over.start);
                    *begun = (Instant::now(), from);
                }
            }
            TransportRequest::Hear(_) => {}
        }
    }

    fn song(&mut self, song: &Song) {
        self.end = song.extent().map_or(Position(0), |extent| extent.end);
    }

    fn output(&mut self, _: &str) {
        let text = "opened without sound: end, and open again with --out device".to_owned();
        self.notes.push((Weight::Wrong, text));
    }

    fn notes(&mut self) -> Vec<(Weight, String)> {
        std::mem::take(&mut self.notes)
    }

    fn poll(&mut self) -> Playing {
        let at = self.now();
        if self.begun.is_some() && self.over.is_none() && at >= self.end {
            self.at = self.end;
            self.begun = None;
        }
        Playing { running: self.begun.is_some(), at, missed: 0, levels: None, reduction: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn silence_keeps_time_loops_and_ends() {
        let mut player = Paced::new(1_000_000);
        let over = Span { start: Position(10), end: Position(20) };
        player.request(TransportRequest::Play { from: Position(10), over: Some(over) });
        std::thread::sleep(std::time::Duration::from_millis(2));
        let playing = player.poll();
        assert!(playing.running && over.contains(playing.at), "{playing:?}");
        player.request(TransportRequest::Loop(None));
        std::thread::sleep(std::time::Duration::from_millis(2));
        assert!(!player.poll().running, "past the end of an empty song it stops");
    }
}
