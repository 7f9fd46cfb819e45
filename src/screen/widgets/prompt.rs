//! The command line and the ways to go on from it.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use unicode_width::UnicodeWidthStr;

use super::super::draw::Brush;
use super::super::theme::Role;
use super::{fit, frame, put};

/// Draws the line over the last one, and above it what could follow or what is wrong; gives the cursor.
pub fn draw(brush: &Brush, buffer: &mut Buffer) -> Option<(u16, u16)> {
    let Brush { app, layout, .. } = brush;
    let prompt = app.prompt.as_ref()?;
    let area = layout.foot;
    let cut = app.shapes.glyphs().cut;
    for x in area.left()..area.right() {
        buffer.cell_mut((x, area.y))?.reset();
    }
    put(buffer, area.x, area.y, 2, "= ", brush.style(Role::Cursor));
    let room = usize::from(area.width.saturating_sub(3));
    let text = prompt.input.value();
    let before: String = text.chars().take(prompt.input.cursor()).collect();
    // A long line slides so that the cursor stays in sight.
    let (mut hidden, mut width) = (0, before.width());
    for c in before.chars() {
        if width <= room {
            break;
        }
        width -= c.to_string().width();
        hidden += 1;
    }
    let visible: String = text.chars().skip(hidden).take(room).collect();
    put(buffer, area.x + 2, area.y, room as u16, &visible, brush.style(Role::Text));
    match &prompt.error {
        Some(error) => {
            let column = error.column.unwrap_or(1).saturating_sub(1 + hidden).min(room.saturating_sub(1));
            let from = text.chars().skip(hidden).take(column).collect::<String>().width() as u16;
            let long = text.get(error.span.clone()).map_or(1, UnicodeWidthStr::width).max(1);
            let y = layout.facts.y;
            blank(buffer, layout.facts);
            let mark = "^".repeat(long.min(room.saturating_sub(usize::from(from))).max(1));
            let x = put(buffer, area.x + 2 + from, y, area.width, &mark, brush.style(Role::Wrong)) + 1;
            let message = error.to_string();
            let after = usize::from(area.right().saturating_sub(x));
            if message.width() <= after {
                put(buffer, x, y, after as u16, &message, brush.style(Role::Wrong));
            } else {
                let above = Rect { y: y - 1, ..layout.facts };
                blank(buffer, above);
                put(
                    buffer,
                    area.x + 1,
                    y - 1,
                    area.width,
                    &fit(&message, room, cut),
                    brush.style(Role::Wrong),
                );
            }
        }
        None => list(brush, buffer),
    }
    Some((area.x + 2 + width as u16, area.y))
}

fn blank(buffer: &mut Buffer, area: Rect) {
    for x in area.left()..area.right() {
        if let Some(cell) = buffer.cell_mut((x, area.y)) {
            cell.reset();
        }
    }
}

fn list(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let Some(prompt) = app.prompt.as_ref().filter(|prompt| !prompt.candidates.is_empty()) else { return };
    let cut = app.shapes.glyphs().cut;
    let rows = prompt.candidates.len().min(10).min(usize::from(layout.body.height.saturating_sub(3)));
    let first = prompt.chosen.map_or(0, |chosen| chosen.saturating_sub(rows.saturating_sub(1)));
    let word_width =
        prompt.candidates.iter().map(|candidate| candidate.text.width()).max().unwrap_or(1).min(30);
    let width = 76.min(layout.body.width);
    let height = rows as u16 + 1;
    let area = Rect::new(0, layout.facts.y.saturating_sub(height) + 1, width, height);
    let title = match prompt.candidates.len() {
        1 => "tab takes it".to_owned(),
        many => format!("tab goes through {many}"),
    };
    let inside = frame(brush, area, &title, buffer);
    for ((index, candidate), y) in
        prompt.candidates.iter().enumerate().skip(first).zip(inside.top()..inside.bottom())
    {
        let chosen = prompt.chosen == Some(index);
        let role = if chosen { Role::Selected } else { Role::Text };
        let mark = if chosen { app.shapes.glyphs().focus } else { " " };
        put(buffer, inside.x - 1, y, 1, mark, brush.style(Role::Selected));
        let text = fit(&candidate.text, word_width, cut);
        put(buffer, inside.x, y, inside.width, &text, brush.style(role));
        let x = inside.x + word_width as u16 + 2;
        let room = inside.right().saturating_sub(x);
        put(buffer, x, y, room, &fit(&candidate.about, usize::from(room), cut), brush.style(Role::Faint));
    }
}
