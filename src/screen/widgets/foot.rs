//! The last line: the newest message while it is new, or else a few keys to begin with.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::log::Weight;
use super::super::theme::Role;
use super::super::view::Pane;
use super::{fit, put};

/// Draws the last line.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let area = layout.foot;
    let glyphs = app.shapes.glyphs();
    let mut room = area.width.saturating_sub(2);
    if let Some((done, all)) = app.progress {
        let text = format!("reading takes {}%", done * 100 / all.max(1));
        let x = area.right().saturating_sub(text.len() as u16 + 1);
        put(buffer, x, area.y, area.width, &text, brush.style(Role::Faint));
        room = room.saturating_sub(text.len() as u16 + 2);
    }
    if let Some(entry) = app.log.last().filter(|_| app.fresh) {
        let role = match entry.weight {
            Weight::Fine => Role::Fine,
            Weight::Note => Role::Text,
            Weight::Wrong => Role::Wrong,
        };
        let mark = if entry.weight == Weight::Wrong { "! " } else { "" };
        let times = if entry.times > 1 { format!("  ({} times)", entry.times) } else { String::new() };
        let text = fit(&format!("{mark}{}{times}", entry.text), usize::from(room), glyphs.cut);
        put(buffer, area.x + 1, area.y, room, &text, brush.style(role));
        return;
    }
    let mut x = area.x + 1;
    for (line, name) in hints(app.view.pane) {
        let Some(chord) = app.keymap.chord_for(line) else { continue };
        let wide = (chord.chars().count() + name.chars().count() + 3) as u16;
        if x + wide > area.x + room {
            break;
        }
        x = put(buffer, x, area.y, room, &chord, brush.style(Role::Title));
        x = put(buffer, x + 1, area.y, room, name, brush.style(Role::Faint)) + 2;
    }
}

fn hints(pane: Pane) -> &'static [(&'static str, &'static str)] {
    match pane {
        Pane::Graph => &[
            ("walk go", "go there"),
            ("walk hear", "hear it"),
            ("walk mark", "mark it"),
            ("walk bring", "bring this lane from it"),
            ("cancel", "back"),
        ],
        Pane::Tone => &[
            ("knob next", "next"),
            ("knob more", "more"),
            ("knob less", "less"),
            ("knob bypass", "bypass"),
            ("hear plain", "before"),
            ("hear taken", "taken out"),
            ("sweep up", "search"),
            ("cancel", "back"),
        ],
        Pane::Proposals => &[
            ("proposal accept", "accept"),
            ("proposal refuse", "refuse"),
            ("proposal hear", "hear before/after"),
            ("proposal nudge -{stride}", "earlier"),
            ("proposal nudge +{stride}", "later"),
            ("proposal accept sure 0.9", "accept the sure ones"),
            ("proposal apply", "apply as one edit"),
            ("proposal apply each", "one edit each"),
            ("cancel", "back"),
        ],
        Pane::Log | Pane::Help => &[("cancel", "back"), ("find", "find"), ("scroll down", "on")],
        _ => &[
            ("type", "command"),
            ("find", "find"),
            ("view help", "keys"),
            ("play toggle", "play"),
            ("cut at cursor", "cut"),
            ("shift -{stride}", "earlier"),
            ("shift +{stride}", "later"),
            ("undo", "take back"),
            ("loop {phrase}", "loop"),
            ("view close", "close"),
            ("view graph", "graph"),
            ("quit", "end"),
        ],
    }
}
