//! `play`, `stop`, `hear`, `follow`: what sounds.

use super::super::app::{App, World};
use super::super::event::Effect;
use super::super::log::Weight;
use super::super::transport::{Hear, ToneHear, TransportRequest};
use super::{Acted, ScreenVerb, number};
use crate::command::{Args, Diagnostic, Kind, Part};
use crate::song::{Position, Span};

/// How far `play around` reaches to either side of the cursor, in seconds.
const AROUND: f64 = 0.75;

/// `play`.
pub static PLAY: ScreenVerb = ScreenVerb {
    name: "play",
    form: &[Part::Maybe(&[Part::One(&[
        &[Part::Word("toggle")],
        &[Part::Word("cursor")],
        &[Part::Word("loop")],
        &[Part::Word("around")],
        &[Part::Word("here")],
    ])])],
    about: "Plays: the loop if there is one, or else from the cursor; around the cursor or the region here, again and again.",
    also: &["start", "listen"],
    act: play,
};

/// `stop`.
pub static STOP: ScreenVerb =
    ScreenVerb { name: "stop", form: &[], about: "Stops the sound.", also: &["pause", "halt"], act: stop };

/// `hear`.
pub static HEAR: ScreenVerb = ScreenVerb {
    name: "hear",
    form: &[Part::One(&[
        &[Part::Word("stack")],
        &[Part::Word("this")],
        &[Part::Word("guide")],
        &[Part::Word("both")],
        &[Part::Word("split")],
        &[Part::Word("before")],
        &[Part::Word("after")],
        &[Part::Word("toned")],
        &[Part::Word("plain")],
        &[Part::Word("taken")],
        &[Part::Word("detector")],
        &[
            Part::Word("level"),
            Part::One(&[
                &[Part::Word("to"), Part::Value("gain", Kind::Gain)],
                &[Part::Value("gain-by", Kind::GainChange)],
            ]),
        ],
    ])],
    about: "Chooses what is heard: the stack, this lane, the guide, both, guide left and lane right, the state before the last edit; in the tone view also the lane plain (before its tone, as loud as behind it), what the de-esser has taken out, what its detector hears; or the level.",
    also: &["monitor", "audition"],
    act: hear,
};

/// `follow`.
pub static FOLLOW: ScreenVerb = ScreenVerb {
    name: "follow",
    form: &[Part::Maybe(&[Part::One(&[&[Part::Word("on")], &[Part::Word("off")]])])],
    about: "Lets the view follow the playhead, or not.",
    also: &["track"],
    act: follow,
};

fn play(app: &mut App, world: &World, args: &Args) -> Acted {
    if args.has("toggle") && app.playing.running {
        return stop(app, world, args);
    }
    let song = world.session.song();
    if song.extent().is_none() {
        return Err(Diagnostic::refusal("there is nothing to play: no lane has a region"));
    }
    let cursor = app.view.at();
    #[expect(clippy::cast_possible_truncation, reason = "under a second")]
    let reach = (AROUND * f64::from(world.session.rate)) as i64;
    let over = if args.has("around") {
        Some(Span { start: Position((cursor.0 - reach).max(0)), end: Position(cursor.0 + reach) })
    } else if args.has("here") {
        let here = app.lane(world).and_then(|lane| lane.index_at(cursor).map(|index| &lane.regions[index]));
        let here = here.ok_or_else(|| Diagnostic::refusal("no region is at the cursor"))?;
        Some(Span { start: here.at, end: here.end() })
    } else if args.has("loop") {
        Some(app.context(world).loop_span()?)
    } else if args.has("cursor") {
        None
    } else {
        song.loop_span
    };
    let from = match over {
        Some(over) if !over.contains(cursor) || args.has("around") => over.start,
        _ => cursor,
    };
    app.playing.running = true;
    app.playing.at = from;
    Ok(vec![
        Effect::Transport(TransportRequest::Hear(app.audible())),
        Effect::Transport(TransportRequest::Play { from, over }),
    ])
}

fn stop(app: &mut App, _: &World, _: &Args) -> Acted {
    app.playing.running = false;
    app.meters.clear();
    app.sum = None;
    Ok(vec![Effect::Transport(TransportRequest::Stop)])
}

fn hear(app: &mut App, world: &World, args: &Args) -> Acted {
    if let Some((choice, _)) = Hear::ALL.iter().find(|(_, word)| args.has(word)) {
        app.view.hear = *choice;
        let text = match choice {
            Hear::Stack => "heard: the stack",
            Hear::This => "heard: this lane alone",
            Hear::Guide => "heard: the guide alone",
            Hear::Both => "heard: this lane and the guide",
            Hear::Split => "heard: the guide on the left, this lane on the right",
        };
        app.say(Weight::Note, text);
    }
    if args.has("before") {
        if app.heard.is_some() {
            app.heard = None;
            app.say(Weight::Note, "heard: the state that is shown");
        } else {
            let head = world.session.history.head();
            let parent = world.session.history.parent(head);
            let parent = parent.ok_or_else(|| Diagnostic::refusal("nothing was edited before this state"))?;
            app.heard = Some(parent);
            app.say(Weight::Note, &format!("heard: the state before edit {head}"));
        }
    }
    if args.has("after") {
        app.heard = None;
        app.say(Weight::Note, "heard: the state that is shown");
    }
    if let Some((hear, _)) = ToneHear::ALL.iter().find(|(_, word)| args.has(word)) {
        app.hear_tone(world, *hear)?;
    }
    if args.has("level") {
        let level =
            number(args, "gain").unwrap_or(app.view.level_db + number(args, "gain-by").unwrap_or(0.0));
        if level > 12.0 {
            return Err(
                Diagnostic::refusal(format!("{level:.0} dB is too loud a monitor level")).help("up to 12 dB")
            );
        }
        app.view.level_db = level.max(-60.0);
        app.say(Weight::Note, &format!("monitor level {:+.1} dB", app.view.level_db));
    }
    Ok(vec![Effect::Transport(TransportRequest::Hear(app.audible()))])
}

fn follow(app: &mut App, _: &World, args: &Args) -> Acted {
    app.view.follow = match (args.has("on"), args.has("off")) {
        (true, _) => true,
        (_, true) => false,
        _ => !app.view.follow,
    };
    app.say(Weight::Note, if app.view.follow { "the view follows the playhead" } else { "the view stays" });
    Ok(Vec::new())
}
