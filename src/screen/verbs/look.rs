//! `view`, `height`, `collapse`: what the screen is used for.

use super::super::app::{App, World};
use super::super::view::Pane;
use super::{Acted, ScreenVerb};
use crate::command::{Args, Diagnostic, Kind, Part, Value};

/// `view`.
pub static VIEW: ScreenVerb = ScreenVerb {
    name: "view",
    form: &[Part::One(&[
        &[Part::Word("lanes")],
        &[Part::Word("close")],
        &[Part::Word("tone")],
        &[Part::Word("proposals")],
        &[Part::Word("graph")],
        &[Part::Word("log")],
        &[Part::Word("help")],
        &[Part::Word("back")],
    ])],
    about: "Shows the lanes, two of them close and mirrored, the tone of one, the edit graph, all messages, or the keys; the same again goes back.",
    also: &["show", "open", "window"],
    act: view,
};

/// `height`.
pub static HEIGHT: ScreenVerb = ScreenVerb {
    name: "height",
    form: &[Part::One(&[
        &[Part::Word("more")],
        &[Part::Word("less")],
        &[Part::Word("fit")],
        &[Part::Value("n", Kind::Count)],
    ])],
    about: "Makes lanes taller or lower, or as tall as fits.",
    also: &["size"],
    act: height,
};

/// `collapse`.
pub static COLLAPSE: ScreenVerb = ScreenVerb {
    name: "collapse",
    form: &[Part::One(&[&[Part::Word("here")], &[Part::Word("others")], &[Part::Word("none")]])],
    about: "Shows the lane of the cursor, or all others but the guide, as one row; the same again opens it.",
    also: &["fold", "hide"],
    act: collapse,
};

fn view(app: &mut App, world: &World, args: &Args) -> Acted {
    let asked = Pane::ALL.iter().find(|(_, word)| args.has(word)).map(|(pane, _)| *pane);
    let now = app.view.pane;
    let to = match asked {
        Some(pane) if pane == now => app.view.before,
        Some(pane) => pane,
        None => app.view.before,
    };
    if to != now {
        // Going back from one always ends among the lanes.
        app.view.before =
            if asked.is_some_and(|pane| pane != now) && now == Pane::Close { now } else { Pane::Lanes };
        app.view.pane = to;
        app.scrolled = 0;
    } else if asked.is_none() {
        app.view.pane = Pane::Lanes;
    }
    if app.view.pane == Pane::Graph {
        app.walker = world.session.history.head();
    }
    Ok(Vec::new())
}

fn height(app: &mut App, world: &World, args: &Args) -> Acted {
    let lines = super::super::layout::Layout::of(app, world).wave.height;
    let now = super::super::layout::lane_height(app, world, lines);
    app.view.height = match args.get("n") {
        Some(Value::Count(rows)) => u16::try_from(*rows).unwrap_or(24).min(24),
        _ if args.has("more") => (now + 1).min(24),
        _ if args.has("less") => now.saturating_sub(1).max(1),
        _ => 0,
    };
    app.show_row(world, app.row(world));
    Ok(Vec::new())
}

fn collapse(app: &mut App, world: &World, args: &Args) -> Acted {
    let song = world.session.song();
    let own = app.lane(world).map(|lane| lane.id).ok_or_else(|| Diagnostic::refusal("there is no lane"))?;
    if args.has("here") {
        match app.view.collapsed.iter().position(|id| *id == own) {
            Some(index) => drop(app.view.collapsed.remove(index)),
            None => app.view.collapsed.push(own),
        }
    } else {
        let guide = song.guide().map(|guide| guide.id);
        let others: Vec<_> =
            song.lanes.iter().map(|lane| lane.id).filter(|id| *id != own && Some(*id) != guide).collect();
        let closed = others.iter().all(|id| app.view.collapsed.contains(id));
        app.view.collapsed = if args.has("none") || closed { Vec::new() } else { others };
    }
    app.show_row(world, app.row(world));
    Ok(Vec::new())
}
