//! `fade save preset`: keeps the fades of a region under a name.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::Action;
use crate::command::table::Call;
use crate::song::{Fade, FadePreset, FadeSide, Length, PresetRamp};

/// What may stand behind `fade save`.
pub(super) const FORM: &[Part] = &[
    Part::Word("save"),
    Part::Word("preset"),
    Part::Value("save-name", Kind::Text),
    Part::Maybe(&[Part::Word("about"), Part::Value("about-is", Kind::Quoted)]),
];

/// Longest name, in characters.
const LONGEST_NAME: usize = 64;

pub(super) fn resolve(name: &str, call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_');
    if name.trim().is_empty() || name.chars().count() > LONGEST_NAME || !name.chars().all(plain) {
        return Err(Diagnostic::refusal(format!("\"{name}\" is no name for a preset"))
            .help("letters, digits, spaces, `-` and `_`, at most 64 of them"));
    }
    let found = call.scope.regions(context, call.verb.every)?;
    let song = context.session.song();
    let mut fades: Vec<(Fade, Fade)> = found
        .iter()
        .map(|(row, index)| {
            let region = &song.lanes[*row].regions[*index];
            (region.fade(FadeSide::In), region.fade(FadeSide::Out))
        })
        .collect();
    fades.dedup();
    let [(fade_in, fade_out)] = fades.as_slice() else {
        return Err(Diagnostic::refusal("the regions of the scope have different fades")
            .help("name one region, as in `on lane 2 at 1.6s`"));
    };
    if fade_in.length == Length::ZERO && fade_out.length == Length::ZERO {
        return Err(Diagnostic::refusal("there is no fade to keep: the region has none"));
    }
    let ms = |length: Length| length.0 as f64 * 1000.0 / f64::from(context.session.rate);
    let ramp = |fade: &Fade| {
        (fade.length != Length::ZERO).then(|| PresetRamp { ms: ms(fade.length), curve: fade.curve, bend: fade.bend })
    };
    let about = super::text(&call.args, "about-is").unwrap_or_default().to_owned();
    Ok(Action::SavePreset {
        name: name.to_owned(),
        preset: FadePreset { about, fade_in: ramp(fade_in), fade_out: ramp(fade_out) },
    })
}
