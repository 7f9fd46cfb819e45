//! One file per verb. What several of them need stands here.

pub mod bring;
pub mod crossfade;
pub mod cut;
pub mod edge;
pub mod fade;
mod fade_rule;
mod fade_save;
pub mod gain;
pub mod hold;
pub mod join;
pub mod lane;
pub mod loop_span;
pub mod match_level;
pub mod mute;
pub mod note;
pub mod pan;
pub mod polarity;
pub mod remove;
pub mod restore;
pub mod role;
pub mod seam;
pub mod shift;
pub mod soften;
pub mod solo;
pub mod tail;
mod tail_guide;
pub mod tighten;
pub mod tone;
mod tone_find;
mod tone_keep;
mod tone_set;
pub mod travel;
pub mod trim;
pub(super) mod trim_gaps;
pub mod word;

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::grammar::{Args, Kind, Part};
use super::outcome::Action;
use super::table::Call;
use super::value::{TimeExpr, Value};
use crate::edit::LaneValue;
use crate::song::tone::Limit;
use crate::song::{Bend, Curve, Fade, Lane, Length, Shift};

/// The options that shape a fade.
const CURVE: &[Part] = &[Part::Word("curve"), Part::Value("curve-is", Kind::Curve)];
const BEND: &[Part] = &[Part::Word("bend"), Part::Value("bend-is", Kind::Unit)];
/// The options that change a fade from what it is.
const BEND_TOO: &[Part] = &[
    Part::Word("bend"),
    Part::One(&[
        &[Part::Word("by"), Part::Value("bend-by", Kind::Unit)],
        &[Part::Value("bend-is", Kind::Unit)],
    ]),
];
const SCALE: &[Part] = &[Part::Word("scale"), Part::Value("scale-by", Kind::Factor)];
const LONGER: &[Part] = &[Part::Word("longer"), Part::Value("longer-by", Kind::Length)];
const SHORTER: &[Part] = &[Part::Word("shorter"), Part::Value("shorter-by", Kind::Length)];

/// `one` or `many` after a count: "1 region", "3 regions".
fn count(number: usize, one: &str) -> String {
    if number == 1 { format!("1 {one}") } else { format!("{number} {one}s") }
}

fn regions_on_lanes(found: &[(usize, usize)]) -> String {
    let mut rows: Vec<usize> = found.iter().map(|(row, _)| *row).collect();
    rows.dedup();
    format!("{} on {}", count(found.len(), "region"), count(rows.len(), "lane"))
}

/// The rows that regions lie in, each once.
fn rows_of(found: &[(usize, usize)]) -> Vec<usize> {
    let mut rows: Vec<usize> = found.iter().map(|(row, _)| *row).collect();
    rows.sort_unstable();
    rows.dedup();
    rows
}

fn time(args: &Args, key: &str) -> Option<TimeExpr> {
    match args.get(key) {
        Some(Value::Times(times)) => times.first().copied(),
        _ => None,
    }
}

fn number(args: &Args, key: &str) -> Option<f64> {
    match args.get(key) {
        Some(Value::Number(number)) => Some(*number),
        _ => None,
    }
}

/// The refusal of a number that is out of its range.
pub(super) fn out_of_range(limit: &Limit, value: f64) -> Diagnostic {
    let Limit { what, low, high, unit } = limit;
    Diagnostic::refusal(format!("a {what} of {value}{unit} is out of range"))
        .help(format!("from {low}{unit} to {high}{unit}"))
}

fn text<'a>(args: &'a Args, key: &str) -> Option<&'a str> {
    match args.get(key) {
        Some(Value::Text(text)) => Some(text),
        _ => None,
    }
}

fn length(args: &Args, key: &str, context: &Context) -> Result<Option<Length>, Diagnostic> {
    match args.get(key) {
        Some(Value::Distance(quantity)) => context.length(*quantity).map(Some),
        _ => Ok(None),
    }
}

/// What a command says about a fade; what it leaves out stays as it is.
#[derive(Debug, Clone, Copy, Default)]
struct FadeChange {
    length: Option<Length>,
    curve: Option<Curve>,
    bend: Option<Bend>,
    bend_by: f64,
    scale: Option<f64>,
    longer: Option<Length>,
    shorter: Option<Length>,
    /// Longer (+) or shorter (-), after all else.
    by: Shift,
}

impl FadeChange {
    fn from_args(args: &Args, context: &Context) -> Result<FadeChange, Diagnostic> {
        let curve = match args.get("curve-is") {
            Some(Value::Curve(curve)) => Some(*curve),
            _ => None,
        };
        let bend = number(args, "bend-is").map(Bend);
        let by = match args.get("by") {
            Some(Value::Distance(by)) => context.shift(*by)?,
            _ => Shift(0),
        };
        Ok(FadeChange {
            length: length(args, "length", context)?,
            curve,
            bend,
            bend_by: number(args, "bend-by").unwrap_or(0.0),
            scale: number(args, "scale-by"),
            longer: length(args, "longer-by", context)?,
            shorter: length(args, "shorter-by", context)?,
            by,
        })
    }

    fn applied_to(self, fade: Fade) -> Fade {
        let length = self.length.unwrap_or_else(|| self.changed(fade.length));
        let bend = self.bend.unwrap_or(fade.bend);
        // Steps of a tenth must come back to where they began.
        let bowed = |by: f64| Bend((((bend.0 + by) * 1000.0).round() / 1000.0).clamp(-1.0, 1.0));
        Fade {
            length: Length(length.0.saturating_add_signed(self.by.0)),
            curve: self.curve.unwrap_or(fade.curve),
            bend: if self.bend_by == 0.0 { bend } else { bowed(self.bend_by) },
        }
    }

    /// True if it touches the length.
    fn has_length(self) -> bool {
        self.length.is_some()
            || self.scale.is_some()
            || self.longer.is_some()
            || self.shorter.is_some()
            || self.by != Shift(0)
    }

    /// The same without what it says about the length.
    fn without_length(self) -> FadeChange {
        FadeChange { length: None, scale: None, longer: None, shorter: None, by: Shift(0), ..self }
    }

    /// A length scaled, lengthened and shortened. No fade stays none, and none is shortened away.
    fn changed(self, length: Length) -> Length {
        if length == Length::ZERO {
            return length;
        }
        let scaled = self.scale.map_or(length.0, |by| (length.0 as f64 * by).round() as u64);
        let longer = scaled.saturating_add(self.longer.unwrap_or(Length::ZERO).0);
        Length(longer.saturating_sub(self.shorter.unwrap_or(Length::ZERO).0).max(1))
    }
}

/// Sets one value on every lane of the scope.
fn set_lanes(
    call: &Call,
    context: &Context,
    summary: &str,
    change: impl Fn(&Lane) -> (LaneValue, LaneValue),
) -> Result<Action, Diagnostic> {
    let mut draft = super::draft::Draft::new(context);
    let rows = call.scope.lanes(context, call.verb.every)?;
    for row in &rows {
        let (from, to) = change(draft.lane(*row));
        draft.set_lane(*row, from, to)?;
    }
    draft.finish(format!("{summary} {}", count(rows.len(), "lane")))
}

/// The one lane of the scope.
fn only_lane(call: &Call, context: &Context, why: &str) -> Result<usize, Diagnostic> {
    match call.scope.lanes(context, true)?.as_slice() {
        [row] => Ok(*row),
        rows => Err(Diagnostic::refusal(format!("{why}, but the scope has {} lanes", rows.len()))
            .help("name one, as in `on lane 2`")),
    }
}
