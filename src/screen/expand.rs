//! Placeholders in the command lines of keys.
//!
//! | placeholder | becomes |
//! |---|---|
//! | `{n}` | the count typed before the key, or 1 |
//! | `{stride}`, `{10stride}` | the stride, times the count and the number before it |
//! | `{target}` | `selected` if something is selected, or else `here` |
//! | `{lane}` | the number of the lane of the cursor |
//! | `{phrase}` | from the start to the end of the phrase at the cursor |
//! | `{screen}` | from the left edge of the lanes view to its right edge |

use super::app::{App, World};
use super::steps::split;
use crate::command::Diagnostic;
use crate::song::{Lane, Position};

/// Regions farther apart than this belong to different phrases (ms; our choice).
const PHRASE_GAP_MS: i64 = 300;
/// Largest count that a key takes.
pub const MOST: u32 = 999;

/// A line with its placeholders filled in, and how often it is to run.
pub fn expand(app: &App, world: &World, line: &str, count: Option<u32>) -> (String, u32) {
    let n = count.unwrap_or(1).clamp(1, MOST);
    let mut takes_count = false;
    let text = fill(line, &mut |name| {
        takes_count |= name == "n" || name.ends_with("stride");
        match name {
            "n" => Some(n.to_string()),
            "target" => Some(if app.selected.is_empty() { "here" } else { "selected" }.to_owned()),
            "lane" => Some((app.row(world) + 1).to_string()),
            "phrase" => Some(span(world, phrase(app, world))),
            "screen" => Some(span(world, screen(app, world))),
            _ => {
                let times = name.strip_suffix("stride")?;
                let times: u32 = if times.is_empty() { 1 } else { times.parse().ok()? };
                Some(app.view.stride.times(n.saturating_mul(times.min(MOST))))
            }
        }
    });
    (text, if takes_count { 1 } else { n })
}

/// Checks the command line of a key: every command in it must be one, with placeholders filled in.
///
/// # Errors
/// It is none; says what is wrong.
pub fn check_line(line: &str) -> Result<(), Diagnostic> {
    let mut unknown = None;
    let text = fill(line, &mut |name| {
        let times = name.strip_suffix("stride").map(|times| times.is_empty() || times.parse::<u32>().is_ok());
        match (name, times) {
            ("n" | "lane", _) => Some("1".to_owned()),
            ("target", _) => Some("here".to_owned()),
            ("phrase" | "screen", _) => Some("0s..1s".to_owned()),
            (_, Some(true)) => Some("1ms".to_owned()),
            _ => {
                unknown.get_or_insert_with(|| name.to_owned());
                None
            }
        }
    });
    if let Some(name) = unknown {
        let help = "{n}, {stride}, {10stride}, {target}, {lane}, {phrase} and {screen} can be";
        return Err(Diagnostic::refusal(format!("there is no placeholder {{{name}}}")).help(help));
    }
    match split(&text)?.is_empty() {
        true => Err(Diagnostic::refusal("the line is empty").help("false binds nothing")),
        false => Ok(()),
    }
}

fn fill(line: &str, value: &mut dyn FnMut(&str) -> Option<String>) -> String {
    let mut text = String::with_capacity(line.len());
    let mut rest = line;
    while let Some(open) = rest.find('{') {
        let Some(length) = rest[open..].find('}') else { break };
        text.push_str(&rest[..open]);
        let name = &rest[open + 1..open + length];
        match value(name) {
            Some(value) => text.push_str(&value),
            None => text.push_str(&rest[open..=open + length]),
        }
        rest = &rest[open + length + 1..];
    }
    text + rest
}

fn span(world: &World, (from, to): (i64, i64)) -> String {
    // Whole samples, so that the loop is exactly what is seen.
    let _ = world;
    format!("{from}smp..{}smp", to.max(from + 1))
}

fn screen(app: &App, world: &World) -> (i64, i64) {
    let width = f64::from(app.wave_columns(world));
    #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
    let right = app.position_of(width).round() as i64;
    (app.view.left.max(0), right)
}

fn phrase(app: &App, world: &World) -> (i64, i64) {
    let gap = PHRASE_GAP_MS * i64::from(world.session.rate) / 1000;
    let found = app.lane(world).and_then(|lane| phrase_of(lane, app.view.at(), gap));
    found.unwrap_or_else(|| screen(app, world))
}

/// The run of regions around a position that are no more than `gap` samples apart; the nearest run if the
/// position lies between two.
fn phrase_of(lane: &Lane, at: Position, gap: i64) -> Option<(i64, i64)> {
    let far = |index: usize| {
        let region = &lane.regions[index];
        (region.at - at).0.max((at - region.end()).0).max(0)
    };
    let nearest = (0..lane.regions.len()).min_by_key(|index| far(*index))?;
    let joined = |left: usize| (lane.regions[left + 1].at - lane.regions[left].end()).0 <= gap;
    let mut first = nearest;
    while first > 0 && joined(first - 1) {
        first -= 1;
    }
    let mut last = nearest;
    while last + 1 < lane.regions.len() && joined(last) {
        last += 1;
    }
    Some((lane.regions[first].at.0, lane.regions[last].end().0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_keys_are_checked_with_their_placeholders() {
        for line in [
            "shift +{stride} on {target}",
            "cursor right {n}",
            "loop {phrase}; play",
            "fade out +{10stride} fit on {target}",
        ] {
            check_line(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        }
        let error = |line: &str| check_line(line).unwrap_err().to_string();
        assert!(error("shift +{strde}").contains("no placeholder {strde}"));
        assert!(error("shfit +1ms").contains("shift"));
        assert!(error("").contains("empty"));
        assert!(error("zoom inn").contains("in"));
    }
}
