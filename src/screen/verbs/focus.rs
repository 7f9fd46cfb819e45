//! `focus`: moves the cursor from lane to lane.

use super::super::app::{App, World};
use super::super::event::Effect;
use super::super::layout::{Layout, lane_height};
use super::super::transport::TransportRequest;
use super::{Acted, ScreenVerb, count, rows};
use crate::command::{Args, Diagnostic, Kind, Part};

const N: &[Part] = &[Part::Value("n", Kind::Count)];

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "focus",
    form: &[Part::One(&[
        &[Part::Word("up"), Part::Maybe(N)],
        &[Part::Word("down"), Part::Maybe(N)],
        &[Part::Word("guide")],
        &[Part::Word("lane"), Part::Value("lanes", Kind::Lanes)],
    ])],
    about: "Moves the cursor to another lane.",
    also: &["row", "track"],
    act,
};

fn act(app: &mut App, world: &World, args: &Args) -> Acted {
    let song = world.session.song();
    if song.lanes.is_empty() {
        return Err(Diagnostic::refusal("the session has no lanes"));
    }
    // The screen has the guide first, wherever it is in the song.
    let guide = song.guide().and_then(|guide| song.number(guide.id)).map(|number| number - 1);
    let order: Vec<usize> =
        guide.into_iter().chain((0..song.lanes.len()).filter(|row| Some(*row) != guide)).collect();
    let place = order.iter().position(|row| *row == app.row(world)).unwrap_or(0);
    let steps = usize::try_from(count(args)).unwrap_or(1);
    let row = if args.has("up") {
        order[place.saturating_sub(steps)]
    } else if args.has("down") {
        order[(place + steps).min(order.len() - 1)]
    } else if args.has("guide") {
        guide
            .ok_or_else(|| Diagnostic::refusal("no lane is the guide").help("as in: role guide on lane 1"))?
    } else {
        rows(args, world)?.first().copied().unwrap_or(0)
    };
    Ok(app.focus_row(world, row))
}

impl App {
    /// Moves the cursor to a lane and the lane onto the screen.
    pub(in super::super) fn focus_row(&mut self, world: &World, row: usize) -> Vec<Effect> {
        let song = world.session.song();
        let Some(lane) = song.lanes.get(row) else { return Vec::new() };
        let changed = self.view.lane != Some(lane.id);
        self.view.lane = Some(lane.id);
        self.show_row(world, row);
        // What is listened to goes with the cursor.
        if changed { vec![Effect::Transport(TransportRequest::Hear(self.audible()))] } else { Vec::new() }
    }

    /// Scrolls until a lane is on the screen whole.
    pub(in super::super) fn show_row(&mut self, world: &World, row: usize) {
        let song = world.session.song();
        let guide = song.guide().and_then(|guide| song.number(guide.id)).map(|number| number - 1);
        if Some(row) == guide {
            return;
        }
        let place = row - usize::from(guide.is_some_and(|guide| guide < row));
        self.view.top = self.view.top.min(place).min(song.lanes.len().saturating_sub(1));
        for _ in 0..song.lanes.len() {
            let layout = Layout::of(self, world);
            let wanted = if self.view.collapsed.contains(&song.lanes[row].id) {
                1
            } else {
                lane_height(self, world, layout.wave.height)
            };
            if layout.strips.iter().any(|strip| strip.row == row && strip.height >= wanted)
                || self.view.top >= place
            {
                return;
            }
            self.view.top += 1;
        }
    }
}
