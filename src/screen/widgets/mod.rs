//! Parts of the screen: each draws one area from the state, and nothing else.

pub mod bar;
mod bars;
pub mod facts;
pub mod foot;
pub mod gutter;
pub mod hint;
pub mod palette;
pub mod plot;
pub mod prompt;
pub mod ruler;
pub mod wave;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use unicode_segmentation::UnicodeSegmentation;
use unicode_width::UnicodeWidthStr;

use super::draw::Brush;
use super::log::clean;
use super::theme::Role;

/// Writes text into one line, no wider than `width`; gives the column after it.
pub fn put(buffer: &mut Buffer, x: u16, y: u16, width: u16, text: &str, style: Style) -> u16 {
    let area = buffer.area;
    if y >= area.bottom() || x >= area.right() || width == 0 {
        return x;
    }
    buffer.set_stringn(x, y, text, usize::from(width), style).0
}

/// Text no wider than `width`, with a sign where it was cut.
pub fn fit(text: &str, width: usize, sign: &str) -> String {
    let text = clean(text);
    if text.width() <= width {
        return text;
    }
    let mut kept = String::new();
    let mut used = 0;
    for grapheme in text.graphemes(true) {
        let wide = grapheme.width();
        if used + wide + 1 > width {
            break;
        }
        kept.push_str(grapheme);
        used += wide;
    }
    if width > 0 { kept + sign } else { kept }
}

/// A box with a title over whatever is there; gives its inside.
pub fn frame(brush: &Brush, area: Rect, title: &str, buffer: &mut Buffer) -> Rect {
    let area = area.intersection(buffer.area);
    for y in area.top()..area.bottom() {
        for x in area.left()..area.right() {
            buffer[(x, y)].reset();
        }
    }
    let panel = brush.style(Role::Panel);
    for x in area.left()..area.right() {
        if let Some(cell) = buffer.cell_mut((x, area.y)) {
            cell.set_style(panel);
        }
    }
    put(
        buffer,
        area.x + 1,
        area.y,
        area.width.saturating_sub(2),
        title,
        brush.style(Role::Title).patch(panel),
    );
    let glyphs = brush.app.shapes.glyphs();
    for y in area.top() + 1..area.bottom() {
        put(buffer, area.x, y, 1, glyphs.cursor, brush.style(Role::Faint));
        put(buffer, area.right().saturating_sub(1), y, 1, glyphs.cursor, brush.style(Role::Faint));
    }
    Rect::new(area.x + 2, area.y + 1, area.width.saturating_sub(4), area.height.saturating_sub(1))
}

/// A position as minutes, seconds and milliseconds.
pub fn clock(samples: i64, rate: u32) -> String {
    let ms = i128::from(samples) * 1000 / i128::from(rate.max(1));
    let sign = if ms < 0 { "-" } else { "" };
    let ms = ms.abs();
    format!("{sign}{}:{:02}.{:03}", ms / 60_000, ms / 1000 % 60, ms % 1000)
}

/// A length as milliseconds, as short as it can be.
pub fn millis(samples: u64, rate: u32) -> String {
    let ms = samples as f64 * 1000.0 / f64::from(rate.max(1));
    match ms {
        _ if samples == 0 => "0".to_owned(),
        0.0..1.0 => format!("{ms:.2} ms"),
        1.0..20.0 => format!("{ms:.1} ms"),
        20.0..10_000.0 => format!("{ms:.0} ms"),
        _ => format!("{:.1} s", ms / 1000.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_cut_between_letters_and_never_too_wide() {
        assert_eq!(fit("double-1", 20, "…"), "double-1");
        assert_eq!(fit("double-1", 5, "…"), "doub…");
        assert_eq!(fit("漢字漢字", 5, "…"), "漢字…");
        assert_eq!(fit("e\u{301}e\u{301}e\u{301}", 2, "…"), "e\u{301}…");
        assert_eq!(fit("a\u{1b}[31mb\nc", 20, "…"), "a[31mb c");
        assert_eq!(fit("abc", 0, "…"), "");
    }

    #[test]
    fn positions_read_as_clocks() {
        assert_eq!(clock(48_000 * 83 + 21_888, 48_000), "1:23.456");
        assert_eq!(clock(-24_000, 48_000), "-0:00.500");
        assert_eq!(millis(480, 48_000), "10.0 ms");
        assert_eq!(millis(1, 48_000), "0.02 ms");
    }
}
