//! `zoom` and `scroll`: how much of the song is seen, and which part.

use super::super::app::{App, World};
use super::super::view::{CLOSEST, FARTHEST, Pane, samples_per_column, zoom_for};
use super::{Acted, ScreenVerb, count};
use crate::command::{Args, Diagnostic, Kind, Part, Value};
use crate::song::Span;

const N: &[Part] = &[Part::Value("n", Kind::Count)];

/// `zoom`.
pub static ZOOM: ScreenVerb = ScreenVerb {
    name: "zoom",
    form: &[Part::One(&[
        &[Part::Word("in"), Part::Maybe(N)],
        &[Part::Word("out"), Part::Maybe(N)],
        &[Part::Word("all")],
        &[Part::Word("loop")],
        &[Part::Word("here")],
        &[Part::Word("samples")],
        &[Part::Word("to"), Part::Value("length", Kind::Length)],
    ])],
    about: "Shows more or less of the song around the cursor: all of it, the loop, the region here, a length, single samples.",
    also: &["magnify"],
    act: zoom,
};

/// `scroll`.
pub static SCROLL: ScreenVerb = ScreenVerb {
    name: "scroll",
    form: &[Part::One(&[
        &[Part::Word("left"), Part::Maybe(N)],
        &[Part::Word("right"), Part::Maybe(N)],
        &[Part::Word("up"), Part::Maybe(N)],
        &[Part::Word("down"), Part::Maybe(N)],
        &[Part::Word("cursor")],
    ])],
    about: "Moves what is seen by half a screen, lanes by one, or so that the cursor is in the middle.",
    also: &["page"],
    act: scroll,
};

fn zoom(app: &mut App, world: &World, args: &Args) -> Acted {
    let steps = i16::try_from(count(args).min(100)).unwrap_or(1);
    if app.view.pane == Pane::Close {
        let zoom = &mut app.view.close_zoom;
        *zoom = match (args.has("in"), args.has("out"), args.has("samples")) {
            (true, ..) => *zoom - steps,
            (_, true, _) => *zoom + steps,
            (_, _, true) => 0,
            _ => return Err(Diagnostic::refusal("the close view zooms in, out, or to samples")),
        }
        .clamp(CLOSEST, 24);
        return Ok(Vec::new());
    }
    let song = world.session.song();
    let span = if args.has("all") {
        Some(song.extent().ok_or_else(|| Diagnostic::refusal("the song has no region"))?)
    } else if args.has("loop") {
        Some(app.context(world).loop_span()?)
    } else if args.has("here") {
        let here =
            app.lane(world).and_then(|lane| lane.index_at(app.view.at()).map(|index| &lane.regions[index]));
        let here = here.ok_or_else(|| Diagnostic::refusal("no region is at the cursor"))?;
        Some(Span { start: here.at, end: here.end() })
    } else {
        None
    };
    if let Some(span) = span {
        app.show_span(world, span);
        return Ok(Vec::new());
    }
    let columns = app.wave_columns(world);
    let to = match args.get("length") {
        Some(Value::Distance(length)) => zoom_for(app.context(world).length(*length)?.0, columns),
        _ if args.has("samples") => 0,
        _ if args.has("in") => app.view.zoom - steps,
        _ => app.view.zoom + steps,
    };
    app.zoom_around(app.view.cursor, to);
    app.show_column(world, app.view.cursor);
    Ok(Vec::new())
}

fn scroll(app: &mut App, world: &World, args: &Args) -> Acted {
    let steps = count(args);
    let width = f64::from(app.wave_columns(world));
    let per = samples_per_column(app.view.zoom);
    #[expect(clippy::cast_possible_truncation, reason = "held in reach below")]
    let half = ((width / 2.0 * per).round() as i64).max(1).saturating_mul(steps);
    let most = world.session.song().lanes.len().saturating_sub(2);
    let lanes = usize::try_from(steps).unwrap_or(1);
    if matches!(app.view.pane, Pane::Log | Pane::Help) {
        let page = usize::from(app.size.1.saturating_sub(5)).max(1) * lanes;
        app.scroll_text(args.has("up"), page);
        return Ok(Vec::new());
    }
    let (low, high) = app.reach(world);
    match (args.has("left"), args.has("right"), args.has("up"), args.has("down")) {
        (true, ..) => app.view.left = app.view.left.saturating_sub(half).max(low),
        (_, true, ..) => app.view.left = app.view.left.saturating_add(half).min(high),
        (_, _, true, _) => app.view.top = app.view.top.saturating_sub(lanes),
        (_, _, _, true) => app.view.top = (app.view.top + lanes).min(most),
        #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
        _ => app.view.left = (app.view.cursor as f64 - width / 2.0 * per).round() as i64,
    }
    Ok(Vec::new())
}

impl App {
    /// Scrolls the help from its top, and the messages from their newest.
    pub(in super::super) fn scroll_text(&mut self, up: bool, lines: usize) {
        let back = up == (self.view.pane == Pane::Log);
        self.scrolled = if back {
            self.scrolled.saturating_add(lines).min(20_000)
        } else {
            self.scrolled.saturating_sub(lines)
        };
    }

    /// Zooms so that a position stays in its column.
    pub(in super::super) fn zoom_around(&mut self, at: i64, zoom: i16) {
        let column = self.column_of(at);
        self.view.zoom = zoom.clamp(CLOSEST, FARTHEST);
        #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
        let left = (at as f64 - column * samples_per_column(self.view.zoom)).round() as i64;
        let far = crate::song::rules::FARTHEST;
        self.view.left = left.clamp(-far, far);
    }

    /// Shows a span with a little room on both sides.
    pub(in super::super) fn show_span(&mut self, world: &World, span: Span) {
        let columns = self.wave_columns(world);
        let length = span.end.since(span.start).0;
        self.view.zoom = zoom_for(length + length / 40, columns);
        let shown = f64::from(columns) * samples_per_column(self.view.zoom);
        #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
        let room = ((shown - length as f64) / 2.0).round() as i64;
        self.view.left = span.start.0 - room;
    }
}
