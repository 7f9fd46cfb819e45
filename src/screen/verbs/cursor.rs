//! `cursor`: moves the cursor along the timeline.

use super::super::app::{App, World};
use super::super::view::samples_per_column;
use super::{Acted, ScreenVerb, count};
use crate::command::{Args, Diagnostic, Kind, Part, Value};
use crate::song::Position;

const N: &[Part] = &[Part::Value("n", Kind::Count)];
const WHAT: &[&[Part]] = &[&[Part::Word("line")], &[Part::Word("edge")], &[Part::Word("word")]];

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "cursor",
    form: &[Part::One(&[
        &[Part::Word("left"), Part::Maybe(N)],
        &[Part::Word("right"), Part::Maybe(N)],
        &[Part::Word("next"), Part::Maybe(&[Part::One(WHAT)])],
        &[Part::Word("previous"), Part::Maybe(&[Part::One(WHAT)])],
        &[Part::Word("start")],
        &[Part::Word("finish")],
        &[Part::Word("playhead")],
        &[Part::Word("to"), Part::Value("to-time", Kind::Time)],
        &[Part::Value("by", Kind::Shift)],
    ])],
    about: "Moves the cursor: by columns, by a distance, to a time, or to the next guide line or region edge.",
    also: &["move", "jump"],
    act,
};

fn act(app: &mut App, world: &World, args: &Args) -> Acted {
    let steps = count(args) as f64;
    let column = samples_per_column(app.zoom_in_front()).max(1.0);
    #[expect(clippy::cast_possible_truncation, reason = "held in reach below")]
    let columns = (steps * column).round() as i64;
    let now = app.view.cursor;
    let extent = world.session.song().extent();
    let to = if args.has("left") {
        now.saturating_sub(columns)
    } else if args.has("right") {
        now.saturating_add(columns)
    } else if args.has("next") || args.has("previous") {
        stop(app, world, args)?
    } else if args.has("start") {
        extent.map_or(0, |extent| extent.start.0)
    } else if args.has("finish") {
        extent.map_or(0, |extent| extent.end.0)
    } else if args.has("playhead") {
        app.playing.at.0
    } else if let Some(Value::Distance(by)) = args.get("by") {
        now.saturating_add(app.context(world).shift(*by)?.0)
    } else if let Some(Value::Times(times)) = args.get("to-time") {
        match times.first() {
            Some(time) => app.context(world).position(*time)?.0,
            None => now,
        }
    } else {
        now
    };
    app.set_cursor(world, to);
    Ok(Vec::new())
}

/// The next place worth stopping at, in the direction that was asked for.
fn stop(app: &App, world: &World, args: &Args) -> Result<i64, Diagnostic> {
    let (lines, edges) = match (args.has("line") || args.has("word"), args.has("edge")) {
        (false, false) => (true, true),
        both => both,
    };
    let mut stops: Vec<Position> = Vec::new();
    if lines {
        stops.extend(&app.lines.guide);
    }
    if let Some(lane) = app.lane(world).filter(|_| edges) {
        stops.extend(lane.regions.iter().flat_map(|region| [region.at, region.end()]));
    }
    let now = app.view.at();
    let found = if args.has("next") {
        stops.into_iter().filter(|at| *at > now).min()
    } else {
        stops.into_iter().filter(|at| *at < now).max()
    };
    found.map(|at| at.0).ok_or_else(|| {
        let way = if args.has("next") { "after" } else { "before" };
        Diagnostic::refusal(format!("no line or edge lies {way} the cursor"))
    })
}

impl App {
    /// The zoom of the view in front.
    pub(in super::super) fn zoom_in_front(&self) -> i16 {
        match self.view.pane {
            super::super::view::Pane::Close | super::super::view::Pane::Proposals => self.view.close_zoom,
            _ => self.view.zoom,
        }
    }

    /// Moves the cursor, and the view after it where it would leave the screen.
    pub(in super::super) fn set_cursor(&mut self, world: &World, to: i64) {
        let (low, high) = self.reach(world);
        self.view.cursor = to.clamp(low, high);
        self.show_column(world, self.view.cursor);
    }

    /// How far the cursor may go: half a minute beyond the song on either side.
    pub(in super::super) fn reach(&self, world: &World) -> (i64, i64) {
        let beyond = i64::from(world.session.rate) * 30;
        let extent = world.session.song().extent();
        extent.map_or((0, beyond), |extent| ((extent.start.0 - beyond).min(0), extent.end.0 + beyond))
    }

    /// Scrolls as little as it takes to have a position on the screen, with some room around it.
    pub(in super::super) fn show_column(&mut self, world: &World, at: i64) {
        let width = f64::from(self.wave_columns(world));
        let room = (width / 8.0).min(8.0);
        let column = self.column_of(at);
        let per = samples_per_column(self.view.zoom);
        #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
        if column < room {
            self.view.left = (at as f64 - (width / 4.0).max(room) * per).round() as i64;
        } else if column > width - 1.0 - room {
            self.view.left = (at as f64 - (width * 0.75).min(width - 1.0 - room) * per).round() as i64;
        }
    }
}
