//! What may follow a half-typed chord.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::draw::Brush;
use super::super::keymap::{Found, chord_text};
use super::super::theme::Role;
use super::{fit, frame, put};

/// Draws the box over the lower right of the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let Found::Half(follow) = app.keymap.find(app.place(), &app.chord) else { return };
    let cut = app.shapes.glyphs().cut;
    let follow: Vec<(String, String)> =
        follow.into_iter().map(|(key, line)| (key.to_string(), plain(&line))).collect();
    let key_width = follow.iter().map(|(key, _)| key.chars().count()).max().unwrap_or(1);
    let text_width = follow.iter().map(|(_, text)| text.chars().count()).max().unwrap_or(1).min(48);
    let width = ((key_width + text_width + 8) as u16).clamp(24, layout.body.width);
    let height = (follow.len() as u16 + 1).min(layout.body.height);
    let area = Rect::new(layout.body.right() - width, layout.body.bottom() - height, width, height);
    let group = app.keymap.group(&app.chord).unwrap_or("");
    let inside = frame(brush, area, &format!("{} …  {group}", chord_text(&app.chord)), buffer);
    for ((key, text), y) in follow.iter().zip(inside.top()..inside.bottom()) {
        let x =
            put(buffer, inside.x, y, inside.width, &format!("{key:>key_width$}"), brush.style(Role::Title));
        let room = usize::from(inside.right().saturating_sub(x + 2));
        put(buffer, x + 2, y, room as u16, &fit(text, room, cut), brush.style(Role::Text));
    }
}

/// A line that only opens the command line reads as what it opens it with.
fn plain(line: &str) -> String {
    match line.strip_prefix("type \"").and_then(|rest| rest.strip_suffix('"')) {
        Some(start) => format!("{}…", start.replace("\\\"", "\"")),
        None => line.to_owned(),
    }
}
