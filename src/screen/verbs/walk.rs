//! `walk`: through the edit graph, without going anywhere yet.

use super::super::app::{App, World};
use super::super::event::Effect;
use super::super::log::Weight;
use super::super::transport::TransportRequest;
use super::super::view::Pane;
use super::super::views::graph::Rows;
use super::{Acted, ScreenVerb};
use crate::command::{Args, Diagnostic, Part};
use crate::song::EditId;

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "walk",
    form: &[Part::One(&[
        &[Part::Word("back")],
        &[Part::Word("on")],
        &[Part::Word("up")],
        &[Part::Word("down")],
        &[Part::Word("first")],
        &[Part::Word("last")],
        &[Part::Word("here")],
        &[Part::Word("go")],
        &[Part::Word("hear")],
        &[Part::Word("mark")],
        &[Part::Word("bring")],
    ])],
    about: "Walks the edit graph: back and on along a branch, up and down between branches; then goes there, hears it, marks it, or brings this lane from it.",
    also: &["graph", "history"],
    act,
};

fn act(app: &mut App, world: &World, args: &Args) -> Acted {
    let history = &world.session.history;
    let head = history.head();
    if app.view.pane != Pane::Graph {
        app.view.before = app.view.pane;
        app.view.pane = Pane::Graph;
        app.walker = head;
    }
    let at = app.walker;
    let rows = Rows::of(history);
    let to = if args.has("back") {
        history.parent(at)
    } else if args.has("on") {
        // Along the branch that one is on, if it goes on.
        let own = history.children(at).iter().find(|child| rows.row(**child) == rows.row(at));
        own.or(history.children(at).last()).copied()
    } else if args.has("up") {
        rows.beside(at, -1)
    } else if args.has("down") {
        rows.beside(at, 1)
    } else if args.has("first") {
        Some(EditId(0))
    } else if args.has("last") {
        Some(EditId(history.edits().len() as u64))
    } else if args.has("here") {
        Some(head)
    } else {
        return reach(app, world, args, at);
    };
    match to {
        Some(to) => app.walker = to,
        None => return Err(Diagnostic::refusal("the graph ends here")),
    }
    Ok(Vec::new())
}

fn reach(app: &mut App, world: &World, args: &Args, at: EditId) -> Acted {
    let name = if at == EditId(0) { "start".to_owned() } else { format!("edit {at}") };
    if args.has("hear") {
        let head = world.session.history.head();
        app.heard = if app.heard == Some(at) || at == head { None } else { Some(at) };
        let heard =
            app.heard.map_or("the state that is shown".to_owned(), |_| format!("the state of {name}"));
        app.say(Weight::Note, &format!("heard: {heard}"));
        return Ok(vec![Effect::Transport(TransportRequest::Hear(app.audible()))]);
    }
    let line = if args.has("bring") {
        let lane = app.row(world) + 1;
        format!("bring lane {lane} from {name}")
    } else {
        format!("goto {name}")
    };
    let here = at == world.session.history.head();
    if args.has("mark") {
        // A mark names the state that is shown, so one goes there first.
        app.open_prompt(world, &if here { "mark \"".to_owned() } else { format!("{line}; mark \"") });
        return Ok(Vec::new());
    }
    if here {
        return Err(Diagnostic::refusal("this is the state that is shown"));
    }
    app.start(world, &line, 1)
}
