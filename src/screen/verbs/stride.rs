//! `stride`: by how much one keystroke moves.

use super::super::app::{App, World};
use super::super::view::Stride;
use super::{Acted, ScreenVerb};
use crate::command::{Args, Kind, Part, Unit, Value};

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "stride",
    form: &[Part::One(&[
        &[Part::Word("finer")],
        &[Part::Word("coarser")],
        &[Part::Value("length", Kind::Length)],
    ])],
    about: "Sets by how much one keystroke slides, lengthens or shortens.",
    also: &["nudge", "grid"],
    act,
};

fn act(app: &mut App, world: &World, args: &Args) -> Acted {
    let rate = world.session.rate;
    let now = app.view.stride.samples(rate);
    let ladder = Stride::LADDER;
    app.view.stride = match args.get("length") {
        Some(Value::Distance(length)) => {
            let samples = app.context(world).length(*length)?.0;
            match length.unit {
                Unit::Samples => Stride::Samples(u32::try_from(samples).unwrap_or(u32::MAX).max(1)),
                Unit::Milliseconds => Stride::Ms(length.value.clamp(0.001, 60_000.0)),
                Unit::Seconds => Stride::Ms((length.value * 1000.0).clamp(0.001, 60_000.0)),
            }
        }
        _ if args.has("finer") => {
            ladder.into_iter().rev().find(|stride| stride.samples(rate) < now).unwrap_or(ladder[0])
        }
        _ => ladder.into_iter().find(|stride| stride.samples(rate) > now).unwrap_or(app.view.stride),
    };
    Ok(Vec::new())
}
