//! Proposals of a command while they are gone through: each is accepted or refused, nudged, and heard before and after.

use std::sync::Arc;

use super::app::{App, World};
use super::event::Effect;
use super::transport::TransportRequest;
use super::view::Pane;
use crate::command::{Action, Diagnostic, Does, Proposal, Proposed, parse, proposed};
use crate::edit::apply_all;
use crate::song::{Position, Shift, Song, Span};

/// What a proposal is heard in: so much before and behind it, in ms (our choice).
const AROUND_MS: i64 = 500;

/// What was decided about a proposal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Verdict {
    /// Nothing yet.
    #[default]
    Open,
    /// It is to be done.
    Accepted,
    /// It is not to be done.
    Refused,
    /// It is being done.
    Doing,
    /// It was done.
    Done,
}

/// One proposal.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// As it was made, nudges included.
    pub proposal: Proposal,
    /// By how much it was nudged, in samples.
    pub nudged: i64,
    /// What was decided.
    pub verdict: Verdict,
}

/// A song with one proposal carried out.
#[derive(Debug, Clone)]
pub struct Trial {
    /// Another one for each trial.
    pub number: u64,
    /// The song.
    pub song: Arc<Song>,
}

/// The list.
#[derive(Debug, Clone, Default)]
pub struct Offers {
    /// Where it is from.
    pub from: Option<Proposed>,
    /// The proposals.
    pub items: Vec<Item>,
    /// The one that one is at.
    pub chosen: usize,
    /// What is heard instead of the state that is shown.
    pub trial: Option<Trial>,
    trials: u64,
    /// Whether what is being done is one edit.
    whole: bool,
}

impl Offers {
    /// How many have a verdict.
    #[must_use]
    pub fn count(&self, verdict: Verdict) -> usize {
        self.items.iter().filter(|item| item.verdict == verdict).count()
    }

    /// An edit was made: if it was one of these, it is done.
    pub fn done(&mut self) {
        let doing = self.items.iter_mut().filter(|item| item.verdict == Verdict::Doing);
        let count = if self.whole { usize::MAX } else { 1 };
        doing.take(count).for_each(|item| item.verdict = Verdict::Done);
    }

    /// An edit was refused: what was being done is only accepted.
    pub fn refused(&mut self) {
        let doing = self.items.iter_mut().filter(|item| item.verdict == Verdict::Doing);
        doing.for_each(|item| item.verdict = Verdict::Accepted);
    }
}

impl App {
    /// Gets the proposals of a command and shows them.
    pub(super) fn propose(&mut self, world: &World, line: &str) -> Result<(), Diagnostic> {
        if line.trim_start().starts_with("tighten") && !self.lines.measured && self.no_words.is_none() {
            return Err(Diagnostic::refusal("the words are still being measured").help("a moment more"));
        }
        let found = proposed(line, &self.context(world))?;
        if found.proposals.is_empty() {
            let why: Vec<String> = found
                .refused
                .iter()
                .take(3)
                .map(|remark| format!("lane {}: {}", remark.lane, remark.text))
                .collect();
            return Err(match why.is_empty() {
                true => Diagnostic::refusal("there is nothing to propose: it is so already"),
                false => Diagnostic::refusal(format!("there is nothing to propose: {}", why.join("; "))),
            });
        }
        let item =
            |proposal: &Proposal| Item { proposal: proposal.clone(), nudged: 0, verdict: Verdict::Open };
        let items = found.proposals.iter().map(item).collect();
        let trials = self.offers.trials;
        self.offers = Offers { from: Some(found), items, trials, ..Offers::default() };
        if self.view.pane != Pane::Proposals {
            self.view.before = self.view.pane;
            self.view.pane = Pane::Proposals;
        }
        self.go_to_proposal(world, 0);
        Ok(())
    }

    /// Goes to a proposal: the cursor too, so that every view shows its place.
    pub(super) fn go_to_proposal(&mut self, world: &World, index: usize) {
        let Some(item) = self.offers.items.get(index) else { return };
        let (lane, at) = (item.proposal.lane, item.proposal.span.start);
        self.offers.chosen = index;
        self.view.lane = Some(lane);
        self.set_cursor(world, at.0);
    }

    /// Moves a proposed slide.
    pub(super) fn nudge_proposal(&mut self, by: Shift) -> Result<(), Diagnostic> {
        let chosen = self.offers.chosen;
        let item = self.offers.items.get_mut(chosen).ok_or_else(nothing)?;
        match &mut item.proposal.does {
            Does::Slide { by: slide, .. } => {
                slide.0 = slide.0.saturating_add(by.0);
                item.nudged = item.nudged.saturating_add(by.0);
                Ok(())
            }
            _ => Err(Diagnostic::refusal("a gap stands where it is: only slides can be nudged")),
        }
    }

    /// Makes the song with the chosen proposal carried out.
    pub(super) fn try_proposal(&mut self, world: &World) -> Result<(), Diagnostic> {
        let item = self.offers.items.get(self.offers.chosen).ok_or_else(nothing)?;
        let from = self.offers.from.as_ref().ok_or_else(nothing)?;
        let context = self.context(world);
        let line = from.command(std::slice::from_ref(&item.proposal), &context)?;
        let mut song = world.session.song().clone();
        for command in parse(&line)? {
            if let Action::Edit { ops, .. } = command.call.resolve(&context)? {
                apply_all(&mut song, &ops).map_err(|(_, error)| Diagnostic::refusal(error.to_string()))?;
            }
        }
        self.offers.trials += 1;
        self.offers.trial = Some(Trial { number: self.offers.trials, song: Arc::new(song) });
        Ok(())
    }

    /// Plays the place of the chosen proposal again and again.
    pub(super) fn play_proposal(&mut self, world: &World) -> Vec<Effect> {
        let Some(item) = self.offers.items.get(self.offers.chosen) else { return Vec::new() };
        let around = AROUND_MS * i64::from(world.session.rate) / 1000;
        let Span { start, end } = item.proposal.span;
        let over = Span { start: Position((start.0 - around).max(0)), end: Position(end.0 + around) };
        self.playing.running = true;
        self.playing.at = over.start;
        vec![
            Effect::Transport(TransportRequest::Hear(self.audible())),
            Effect::Transport(TransportRequest::Play { from: over.start, over: Some(over) }),
        ]
    }

    /// Carries out what is accepted: as one edit, or each as an edit of its own.
    pub(super) fn apply_proposals(&mut self, world: &World, each: bool) -> Result<Vec<Effect>, Diagnostic> {
        let accepted = |item: &&Item| item.verdict == Verdict::Accepted;
        let chosen: Vec<Proposal> =
            self.offers.items.iter().filter(accepted).map(|item| item.proposal.clone()).collect();
        if chosen.is_empty() {
            let key = self.keymap.chord_for("proposal accept");
            let help = key.map_or_else(|| "accept some first".to_owned(), |key| format!("{key} accepts one"));
            return Err(Diagnostic::refusal("nothing is accepted").help(help));
        }
        let from = self.offers.from.as_ref().ok_or_else(nothing)?;
        let context = self.context(world);
        let line = match each {
            false => from.command(&chosen, &context)?,
            true => {
                let one = |proposal: &Proposal| from.command(std::slice::from_ref(proposal), &context);
                chosen.iter().map(one).collect::<Result<Vec<_>, _>>()?.join("; ")
            }
        };
        self.offers.whole = !each;
        self.offers.trial = None;
        let accepted = self.offers.items.iter_mut().filter(|item| item.verdict == Verdict::Accepted);
        accepted.for_each(|item| item.verdict = Verdict::Doing);
        let started = self.start(world, &line, 1);
        if started.is_err() {
            self.offers.refused();
        }
        started
    }
}

/// The refusal where there are no proposals.
pub(super) fn nothing() -> Diagnostic {
    Diagnostic::refusal("there are no proposals").help("get some, as in: propose \"tighten on all\"")
}
