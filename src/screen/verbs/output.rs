//! `output`: where the sound goes.

use super::super::app::{App, World};
use super::super::event::Effect;
use super::{Acted, ScreenVerb, text};
use crate::command::{Args, Kind, Part};

/// The verb.
pub static VERB: ScreenVerb = ScreenVerb {
    name: "output",
    form: &[Part::Maybe(&[Part::Value("output-name", Kind::Text)])],
    about: "Sends the sound to another output, such as \"device:NAME\", \"device\" or none; alone, tells what there is.",
    also: &["device", "soundcard", "interface"],
    act,
};

fn act(_: &mut App, _: &World, args: &Args) -> Acted {
    Ok(vec![Effect::Output(text(args, "output-name").unwrap_or("").to_owned())])
}
