//! All messages, the newest at the bottom.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::log::Weight;
use super::super::theme::Role;
use super::super::widgets::put;

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let body = layout.body;
    let room = usize::from(body.height.saturating_sub(1));
    let width = usize::from(body.width.saturating_sub(4)).max(1);
    put(buffer, 1, body.y, body.width, "messages", brush.style(Role::Title));
    // Long messages take several lines here, since this is where they are read.
    let mut lines: Vec<(String, Weight)> = Vec::new();
    for entry in app.log.entries().rev() {
        let times = if entry.times > 1 { format!("  ({} times)", entry.times) } else { String::new() };
        let text: Vec<char> = format!("{}{times}", entry.text).chars().collect();
        for (index, piece) in text.chunks(width).enumerate().collect::<Vec<_>>().into_iter().rev() {
            let mark = match (index, entry.weight) {
                (0, Weight::Wrong) => "! ",
                (0, Weight::Note) => "- ",
                (0, Weight::Fine) => "+ ",
                _ => "  ",
            };
            lines.push((format!("{mark}{}", piece.iter().collect::<String>()), entry.weight));
        }
        if lines.len() > room + app.scrolled {
            break;
        }
    }
    let back = app.scrolled.min(lines.len().saturating_sub(room));
    let shown: Vec<_> = lines.iter().skip(back).take(room).collect();
    for ((text, weight), y) in shown.into_iter().rev().zip(body.y + 1..body.bottom()) {
        let role = match weight {
            Weight::Wrong => Role::Wrong,
            Weight::Note => Role::Text,
            Weight::Fine => Role::Fine,
        };
        put(buffer, 1, y, body.width, text, brush.style(role));
    }
}
