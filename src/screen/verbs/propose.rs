//! `propose`, `proposal`: a list of what a command would do, gone through one by one.

use super::super::app::{App, World};
use super::super::log::Weight;
use super::super::proposals::{Verdict, nothing};
use super::super::transport::TransportRequest;
use super::{Acted, ScreenVerb, number, text};
use crate::command::{Args, Diagnostic, Kind, Part, Value};
use crate::screen::Effect;

/// `propose`.
pub static PROPOSE: ScreenVerb = ScreenVerb {
    name: "propose",
    form: &[Part::Value("line", Kind::Quoted)],
    about: "Lists what `tighten` or `trim gaps` would do, to be gone through one by one before anything is changed.",
    also: &["suggest", "preview"],
    act: |app, world, args| {
        let line = text(args, "line").unwrap_or("").to_owned();
        app.propose(world, &line)?;
        Ok(Vec::new())
    },
};

/// `proposal`.
pub static PROPOSAL: ScreenVerb = ScreenVerb {
    name: "proposal",
    form: &[Part::One(&[
        &[Part::Word("next")],
        &[Part::Word("previous")],
        &[
            Part::Word("accept"),
            Part::Maybe(&[Part::One(&[
                &[Part::Word("all")],
                &[Part::Word("sure"), Part::Value("sure-is", Kind::Unit)],
            ])]),
        ],
        &[Part::Word("refuse"), Part::Maybe(&[Part::Word("all")])],
        &[Part::Word("hear")],
        &[Part::Word("nudge"), Part::Value("by", Kind::Shift)],
        &[Part::Word("apply"), Part::Maybe(&[Part::Word("each")])],
    ])],
    about: "Goes through the proposals: next, previous; accepts or refuses one, all, or those surer than a number; hears one \
            before and after in a loop; nudges it; applies what is accepted as one edit, or each as its own.",
    also: &["offer"],
    act,
};

fn act(app: &mut App, world: &World, args: &Args) -> Acted {
    if app.offers.items.is_empty() {
        return Err(nothing());
    }
    if args.has("apply") {
        return app.apply_proposals(world, args.has("each"));
    }
    if args.has("hear") {
        return hear(app, world);
    }
    if let Some(Value::Distance(by)) = args.get("by") {
        let by = app.context(world).shift(*by)?;
        app.nudge_proposal(by)?;
        return again(app, world);
    }
    let last = app.offers.items.len() - 1;
    if args.has("next") || args.has("previous") {
        let now = app.offers.chosen;
        let to = if args.has("next") { now + 1 } else { now.wrapping_sub(1) };
        if to > last {
            return Err(Diagnostic::refusal("the list ends here"));
        }
        return step(app, world, to);
    }
    judge(app, world, args, last)
}

/// Accepts or refuses.
fn judge(app: &mut App, world: &World, args: &Args, last: usize) -> Acted {
    let verdict = if args.has("accept") { Verdict::Accepted } else { Verdict::Refused };
    let settled = |verdict: Verdict| matches!(verdict, Verdict::Doing | Verdict::Done);
    let least = number(args, "sure-is");
    if args.has("all") || least.is_some() {
        let wanted = |sure: f32| least.is_none_or(|least| f64::from(sure) >= least);
        let mut count = 0;
        for item in app.offers.items.iter_mut().filter(|item| !settled(item.verdict)) {
            // What was refused by hand is not accepted by a number.
            let by_hand = least.is_some() && item.verdict == Verdict::Refused;
            if wanted(item.proposal.confidence) && !by_hand {
                item.verdict = verdict;
                count += 1;
            }
        }
        let word = if verdict == Verdict::Accepted { "accepted" } else { "refused" };
        app.say(Weight::Note, &format!("{count} proposals {word}"));
        return Ok(Vec::new());
    }
    let chosen = app.offers.chosen;
    let Some(item) = app.offers.items.get_mut(chosen) else { return Err(nothing()) };
    if settled(item.verdict) {
        return Err(Diagnostic::refusal("that one is done").help("`undo` takes edits back"));
    }
    item.verdict = verdict;
    if chosen < last { step(app, world, chosen + 1) } else { Ok(Vec::new()) }
}

/// Goes on to another one; if one listens, that one is heard now.
fn step(app: &mut App, world: &World, to: usize) -> Acted {
    let after = app.offers.trial.take().is_some();
    app.go_to_proposal(world, to);
    if !app.playing.running {
        return Ok(Vec::new());
    }
    if after {
        app.try_proposal(world)?;
    }
    Ok(app.play_proposal(world))
}

/// What is heard is made anew.
fn again(app: &mut App, world: &World) -> Acted {
    if app.offers.trial.is_some() {
        app.try_proposal(world)?;
    }
    Ok(Vec::new())
}

/// In turns: as it would be, as it is.
fn hear(app: &mut App, world: &World) -> Acted {
    let number = app.offers.chosen + 1;
    let begins = !app.playing.running;
    if app.offers.trial.is_some() && !begins {
        app.offers.trial = None;
        app.say(Weight::Note, &format!("heard: before proposal {number}"));
        return Ok(vec![Effect::Transport(TransportRequest::Hear(app.audible()))]);
    }
    app.try_proposal(world)?;
    app.say(Weight::Note, &format!("heard: after proposal {number}"));
    if begins {
        return Ok(app.play_proposal(world));
    }
    Ok(vec![Effect::Transport(TransportRequest::Hear(app.audible()))])
}
