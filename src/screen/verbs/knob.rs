//! `knob`, `sweep`: the numbers of a tone by key, and a narrow boost that looks for what disturbs.

use super::super::app::{App, World};
use super::super::event::Effect;
use super::super::log::Weight;
use super::super::tone_knobs::{Knob, knobs};
use super::super::transport::TransportRequest;
use super::{Acted, ScreenVerb, count, number};
use crate::command::{Args, Diagnostic, Kind, Part};
use crate::song::tone::{Stage, limits};
use crate::sound::biquad::HIGHEST;

const N: &[Part] = &[Part::Value("n", Kind::Count)];
/// Where a search begins, in Hz.
const SEARCH_HZ: f64 = 3000.0;

/// `knob`.
pub static KNOB: ScreenVerb = ScreenVerb {
    name: "knob",
    form: &[Part::One(&[
        &[Part::Word("next"), Part::Maybe(N)],
        &[Part::Word("previous"), Part::Maybe(N)],
        &[Part::Word("more"), Part::Maybe(N)],
        &[Part::Word("less"), Part::Maybe(N)],
        &[Part::Word("off")],
        &[Part::Word("type")],
        &[Part::Word("bypass"), Part::Maybe(&[Part::Word("all")])],
    ])],
    about: "Turns the numbers of this lane's tone: to the next one, up, down, off; by hand; or leaves out the stage of the number in hand, or all of the tone, until the same again.",
    also: &["tweak", "parameter"],
    act: knob,
};

/// `sweep`.
pub static SWEEP: ScreenVerb = ScreenVerb {
    name: "sweep",
    form: &[Part::One(&[
        &[Part::Word("up"), Part::Maybe(N)],
        &[Part::Word("down"), Part::Maybe(N)],
        &[Part::Word("to"), Part::Value("frequency", Kind::Frequency)],
        &[Part::Word("off")],
    ])],
    about: "Moves a narrow boost through this lane to find what disturbs. It is only heard, never bounced, and adds 12 dB at most.",
    also: &["probe", "seek"],
    act: sweep,
};

fn knob(app: &mut App, world: &World, args: &Args) -> Acted {
    let lane = app.lane(world).ok_or_else(|| Diagnostic::refusal("there is no lane"))?;
    let tone = App::tone_of(lane);
    let all = knobs(&tone, world.session.rate);
    app.show_tone(world);
    let steps = count(args);
    let last = all.len().saturating_sub(1);
    let here = app.tone.knob.min(last);
    if args.has("next") || args.has("previous") {
        let by = usize::try_from(steps).unwrap_or(1);
        app.tone.knob = if args.has("next") { (here + by).min(last) } else { here.saturating_sub(by) };
        return Ok(Vec::new());
    }
    let Some(in_hand) = all.get(here) else { return Ok(Vec::new()) };
    let scope = format!(" on lane {}", app.row(world) + 1);
    let line = if args.has("bypass") {
        bypass(&tone, in_hand, args.has("all"))?
    } else if args.has("off") {
        in_hand.off.clone()
    } else if args.has("type") {
        app.open_prompt(world, &in_hand.begin);
        return Ok(Vec::new());
    } else {
        in_hand.turned(if args.has("less") { -1.0 } else { 1.0 } * steps as f64)
    };
    app.start(world, &format!("{line}{scope}"), 1)
}

/// The command that leaves a stage out, or takes it in again.
fn bypass(tone: &crate::song::Tone, knob: &Knob, all: bool) -> Result<String, Diagnostic> {
    let switch = |on: bool| if on { "off" } else { "on" };
    if all {
        return Ok(format!("tone bypass {}", switch(tone.bypass)));
    }
    let stage = knob.stage.ok_or_else(|| Diagnostic::refusal("the gain is no stage that can be left out"))?;
    let word = Stage::ALL.iter().find(|(own, _)| *own == stage).map_or("", |(_, word)| *word);
    Ok(format!("tone bypass {word} {}", switch(tone.skip.contains(&stage))))
}

fn sweep(app: &mut App, world: &World, args: &Args) -> Acted {
    if app.lane(world).is_none() {
        return Err(Diagnostic::refusal("there is no lane"));
    }
    let (low, high) = (limits::BAND_FREQUENCY.low, HIGHEST * f64::from(world.session.rate));
    let steps = count(args) as f64 / 12.0;
    let to = match (args.has("off"), number(args, "frequency"), app.tone.search_hz) {
        (true, ..) => None,
        (_, Some(hz), _) => Some(hz),
        // The first key only brings it up.
        (.., None) => Some(SEARCH_HZ),
        (.., Some(hz)) => Some(hz * 2f64.powf(if args.has("down") { -steps } else { steps })),
    };
    if to.is_some() {
        app.show_tone(world);
    }
    app.tone.search_hz = to.map(|hz| hz.clamp(low, high));
    let text = app
        .tone
        .search_hz
        .map_or("the search is over".to_owned(), |hz| format!("searching at {hz:.0} Hz, +12 dB, only heard"));
    app.say(Weight::Note, &text);
    Ok(vec![Effect::Transport(TransportRequest::Hear(app.audible()))])
}
