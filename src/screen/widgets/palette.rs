//! The palette.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use unicode_width::UnicodeWidthStr;

use super::super::draw::Brush;
use super::super::theme::Role;
use super::{fit, frame, put};

/// Draws the palette over the view; gives the cursor.
pub fn draw(brush: &Brush, buffer: &mut Buffer) -> Option<(u16, u16)> {
    let Brush { app, layout, .. } = brush;
    let palette = app.palette.as_ref()?;
    let cut = app.shapes.glyphs().cut;
    let width = layout.body.width.saturating_sub(4).min(104);
    let height = layout.body.height.saturating_sub(1).min(24);
    let area = Rect::new((layout.body.width - width) / 2, layout.body.y, width, height);
    let title = format!("find  {} of {}", palette.hits.len(), palette.offers.len());
    let inside = frame(brush, area, &title, buffer);
    let text = palette.input.value();
    let x = put(buffer, inside.x, inside.y, 2, "= ", brush.style(Role::Cursor));
    put(buffer, x, inside.y, inside.width.saturating_sub(2), text, brush.style(Role::Text));
    let rows = usize::from(inside.height.saturating_sub(2));
    let first = palette.chosen.saturating_sub(rows.saturating_sub(1));
    let chosen_offer = palette.hits.get(palette.chosen).and_then(|index| palette.offers.get(*index));
    let half = usize::from(inside.width) * 2 / 5;
    for ((place, index), y) in
        palette.hits.iter().enumerate().skip(first).zip(inside.y + 1..inside.bottom() - 1)
    {
        let Some(offer) = palette.offers.get(*index) else { continue };
        let chosen = place == palette.chosen;
        if chosen {
            put(buffer, inside.x - 1, y, 1, app.shapes.glyphs().focus, brush.style(Role::Selected));
        }
        let role = if chosen { Role::Selected } else { Role::Text };
        put(buffer, inside.x, y, half as u16, &fit(&offer.title, half, cut), brush.style(role));
        let key = app.keymap.chord_for(&offer.line).filter(|_| !offer.open).unwrap_or_default();
        let room = usize::from(inside.width).saturating_sub(half + 3 + key.width());
        put(
            buffer,
            inside.x + half as u16 + 1,
            y,
            room as u16,
            &fit(&offer.about, room, cut),
            brush.style(Role::Faint),
        );
        let x = inside.right().saturating_sub(key.width() as u16);
        put(buffer, x, y, inside.width, &key, brush.style(Role::Title));
    }
    if let Some(offer) = chosen_offer {
        let y = inside.bottom() - 1;
        let what = if offer.open { "enter begins: " } else { "enter runs: " };
        let x = put(buffer, inside.x, y, inside.width, what, brush.style(Role::Faint));
        put(buffer, x, y, inside.right().saturating_sub(x), &offer.line, brush.style(Role::Title));
    }
    Some((inside.x + 2 + text.width() as u16, inside.y))
}
