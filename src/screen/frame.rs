//! From one picture to the next in as few bytes as are needed, as one synchronised update.
//!
//! Changed cells are written in the order that takes the fewest bytes: row by row where much has changed,
//! or style by style down the columns where a line through all lanes has moved.

use std::io::Write;

use ratatui::buffer::{Buffer, Cell};
use ratatui::style::{Color, Modifier};
use unicode_width::UnicodeWidthStr;

/// With more changed cells than this, lines are kept together: jumping about would cost more than it saves.
const FEW: usize = 1500;

/// Remembers what the terminal shows.
#[derive(Debug, Default)]
pub struct Encoder {
    shown: Option<Buffer>,
    cursor: Option<(u16, u16)>,
}

impl Encoder {
    /// Forgets what the terminal shows, so that the next frame sends all of it.
    pub fn forget(&mut self) {
        self.shown = None;
        self.cursor = None;
    }

    /// The bytes that turn what is shown into `new`, with the terminal's cursor where it is wanted; none if
    /// nothing has changed.
    pub fn frame(&mut self, mut new: Buffer, cursor: Option<(u16, u16)>) -> Vec<u8> {
        whole_glyphs(&mut new);
        let same_size = self.shown.as_ref().is_some_and(|shown| shown.area == new.area);
        let bytes = match &self.shown {
            Some(shown) if same_size => {
                let body = encode_frame(shown, &new);
                if body.is_empty() && cursor == self.cursor {
                    Vec::new()
                } else {
                    self.bracket(body, cursor, false)
                }
            }
            _ => self.bracket(encode_frame(&Buffer::empty(new.area), &new), cursor, true),
        };
        self.shown = Some(new);
        self.cursor = cursor;
        bytes
    }

    fn bracket(&self, body: Vec<u8>, cursor: Option<(u16, u16)>, clear: bool) -> Vec<u8> {
        let mut bytes = b"\x1b[?2026h".to_vec();
        if self.cursor.is_some() || clear {
            bytes.extend_from_slice(b"\x1b[?25l");
        }
        if clear {
            bytes.extend_from_slice(b"\x1b[0m\x1b[2J");
        }
        bytes.extend_from_slice(&body);
        if let Some((x, y)) = cursor {
            // Writing to a vector cannot fail.
            let _ = write!(bytes, "\x1b[{};{}H\x1b[?25h", y + 1, x + 1);
        }
        bytes.extend_from_slice(b"\x1b[?2026l");
        bytes
    }
}

/// The bytes that turn the picture `old` into `new`, of one size; none if they are the same. The terminal
/// is in raw mode, has the plain style before, and has it again after.
#[must_use]
pub fn encode_frame(old: &Buffer, new: &Buffer) -> Vec<u8> {
    let mixed = without_wide_lines(old, new);
    let old = mixed.as_ref().unwrap_or(old);
    let changed: Vec<(u16, u16, &Cell)> = old.diff(new);
    if changed.is_empty() {
        return Vec::new();
    }
    let width = new.area.width;
    let rows = write(&changed, width);
    // Half a wide glyph takes its other half along when it is written over: then only reading order is safe.
    let wide = |cell: &Cell| cell.symbol().len() > 1 && cell.symbol().width() != 1;
    if changed.iter().any(|(x, y, cell)| wide(cell) || wide(&old[(*x, *y)])) {
        return rows;
    }
    let mut best = rows;
    let mut styles: Vec<Look> = Vec::new();
    let mut keyed: Vec<(usize, u16, u16, &Cell)> = Vec::with_capacity(changed.len());
    for (x, y, cell) in &changed {
        let look = Look::of(cell);
        let index = styles.iter().position(|known| *known == look).unwrap_or_else(|| {
            styles.push(look);
            styles.len() - 1
        });
        keyed.push((index, *x, *y, cell));
    }
    // Line by line each style once, or each style once down the columns or along the lines.
    let orders: &[Order] = if changed.len() > FEW { &[Order::Lines] } else { &[Order::Down, Order::Along] };
    for order in orders {
        keyed.sort_by_key(|(style, x, y, _)| match order {
            Order::Lines => (usize::from(*y), *style, usize::from(*x)),
            Order::Down => (*style, usize::from(*x), usize::from(*y)),
            Order::Along => (*style, usize::from(*y), usize::from(*x)),
        });
        let cells: Vec<(u16, u16, &Cell)> = keyed.iter().map(|(_, x, y, cell)| (*x, *y, *cell)).collect();
        let bytes = write(&cells, width);
        if bytes.len() < best.len() {
            best = bytes;
        }
    }
    best
}

fn is_wide(cell: &Cell) -> bool {
    cell.symbol().len() > 1 && cell.symbol().width() > 1
}

/// A wide glyph of which the right half is covered by another cannot be shown: it gives way.
fn whole_glyphs(buffer: &mut Buffer) {
    let width = usize::from(buffer.area.width);
    for at in 0..buffer.content.len() {
        let last = width > 0 && at % width == width - 1;
        let covered = last || buffer.content.get(at + 1).is_some_and(|next| next.symbol() != " ");
        if is_wide(&buffer.content[at]) && covered {
            buffer.content[at].set_symbol(" ");
        }
    }
}

/// What is shown, but with every changed line that holds wide glyphs forgotten, so that it is sent whole: writing
/// over half of such a glyph takes the other half away, in each terminal in its own manner.
fn without_wide_lines(old: &Buffer, new: &Buffer) -> Option<Buffer> {
    let width = usize::from(new.area.width).max(1);
    let lines = old.content.chunks(width).zip(new.content.chunks(width));
    let forgotten: Vec<usize> = lines
        .enumerate()
        .filter(|(_, (old, new))| old != new && old.iter().chain(*new).any(is_wide))
        .map(|(line, _)| line)
        .collect();
    if forgotten.is_empty() {
        return None;
    }
    let mut mixed = old.clone();
    for line in forgotten {
        for cell in &mut mixed.content[line * width..(line + 1) * width] {
            // Nothing is ever drawn like this, so everything differs from it.
            cell.set_symbol("\u{e000}").set_fg(Color::Rgb(1, 2, 3));
        }
    }
    Some(mixed)
}

/// What changed cells are sorted by.
#[derive(Debug, Clone, Copy)]
enum Order {
    Lines,
    Down,
    Along,
}

/// What a cell looks like besides its glyph.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Look {
    fg: Color,
    bg: Color,
    modifier: Modifier,
}

impl Look {
    const PLAIN: Look = Look { fg: Color::Reset, bg: Color::Reset, modifier: Modifier::empty() };

    fn of(cell: &Cell) -> Look {
        Look { fg: cell.fg, bg: cell.bg, modifier: cell.modifier }
    }
}

fn write(cells: &[(u16, u16, &Cell)], width: u16) -> Vec<u8> {
    let mut pen = Pen { bytes: Vec::with_capacity(cells.len() * 4), at: None, look: Look::PLAIN, width };
    for (x, y, cell) in cells {
        pen.put(*x, *y, cell);
    }
    pen.wear(Look::PLAIN);
    pen.bytes
}

struct Pen {
    bytes: Vec<u8>,
    /// Where the terminal's cursor is, while that is certain.
    at: Option<(u16, u16)>,
    look: Look,
    width: u16,
}

impl Pen {
    fn put(&mut self, x: u16, y: u16, cell: &Cell) {
        self.go(x, y);
        let mut look = Look::of(cell);
        let symbol = cell.symbol();
        let lines = Modifier::UNDERLINED | Modifier::REVERSED | Modifier::CROSSED_OUT;
        if symbol == " " && !look.modifier.intersects(lines) && !self.look.modifier.intersects(lines) {
            // A blank has no ink: whatever colour the pen has will do.
            look = Look { bg: look.bg, ..self.look };
        }
        self.wear(look);
        self.bytes.extend_from_slice(symbol.as_bytes());
        let sure = symbol.chars().count() == 1 && symbol.width() == 1;
        // At the last column terminals differ about where the cursor is.
        self.at = (sure && x + 1 < self.width).then_some((x + 1, y));
    }

    fn go(&mut self, x: u16, y: u16) {
        if self.at == Some((x, y)) {
            return;
        }
        let mut best = Vec::with_capacity(10);
        let _ = write!(best, "\x1b[{};{}H", y + 1, x + 1);
        if let Some(relative) = self.at.and_then(|at| relative(at, (x, y)))
            && relative.len() < best.len()
        {
            best = relative;
        }
        self.bytes.extend_from_slice(&best);
    }

    fn wear(&mut self, look: Look) {
        if look == self.look {
            return;
        }
        // Taking single attributes off is often shorter than beginning anew, and sometimes longer.
        let anew = codes(Look::PLAIN, look, true);
        let on = codes(self.look, look, false);
        let codes = if look == Look::PLAIN || anew.len() < on.len() { anew } else { on };
        self.bytes.extend_from_slice(b"\x1b[");
        // A lone 0 is what an empty list means.
        if codes != b"0" {
            self.bytes.extend_from_slice(&codes);
        }
        self.bytes.push(b'm');
        self.look = look;
    }
}

/// The numbers that turn one look into another, after a reset if that is asked for.
fn codes(from: Look, to: Look, reset: bool) -> Vec<u8> {
    const ON: [(Modifier, u8, u8); 6] = [
        (Modifier::BOLD, 1, 22),
        (Modifier::DIM, 2, 22),
        (Modifier::ITALIC, 3, 23),
        (Modifier::UNDERLINED, 4, 24),
        (Modifier::REVERSED, 7, 27),
        (Modifier::CROSSED_OUT, 9, 29),
    ];
    let mut codes: Vec<u8> = Vec::with_capacity(24);
    if reset {
        codes.extend_from_slice(b"0;");
    }
    let mut have = from.modifier;
    for (modifier, _, off) in ON {
        if (have - to.modifier).contains(modifier) {
            let _ = write!(codes, "{off};");
            // Bold and dim go together.
            have -= if off == 22 { Modifier::BOLD | Modifier::DIM } else { modifier };
        }
    }
    for (modifier, on, _) in ON {
        if (to.modifier - have).contains(modifier) {
            let _ = write!(codes, "{on};");
        }
    }
    for (to, had, base) in [(to.fg, from.fg, 30u8), (to.bg, from.bg, 40)] {
        if to != had {
            colour(&mut codes, to, base);
        }
    }
    codes.pop();
    codes
}

/// A move without an address: line feeds go down, backspaces left. In raw mode neither does more.
fn relative((x, y): (u16, u16), (to_x, to_y): (u16, u16)) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(10);
    let down = to_y.checked_sub(y)?;
    match down {
        0 => {}
        1..=4 => bytes.resize(usize::from(down), b'\n'),
        _ => drop(write!(bytes, "\x1b[{down}B")),
    }
    match (to_x.checked_sub(x), x.checked_sub(to_x)) {
        (Some(0), _) => {}
        (Some(1), _) => bytes.extend_from_slice(b"\x1b[C"),
        (Some(right), _) => drop(write!(bytes, "\x1b[{right}C")),
        (_, Some(left @ 1..=4)) => bytes.extend(std::iter::repeat_n(8, usize::from(left))),
        (_, Some(left)) => drop(write!(bytes, "\x1b[{left}D")),
        _ => {}
    }
    Some(bytes)
}

fn colour(codes: &mut Vec<u8>, colour: Color, base: u8) {
    let _ = match colour {
        Color::Rgb(r, g, b) => write!(codes, "{};2;{r};{g};{b};", base + 8),
        Color::Indexed(index @ 0..8) => write!(codes, "{};", base + index),
        Color::Indexed(index @ 8..16) => write!(codes, "{};", base + 60 + index - 8),
        Color::Indexed(index) => write!(codes, "{};5;{index};", base + 8),
        _ => write!(codes, "{};", base + 9),
    };
}

#[cfg(test)]
mod tests {
    use ratatui::layout::Rect;
    use ratatui::style::Style;

    use super::*;

    fn buffer(lines: &[&str]) -> Buffer {
        Buffer::with_lines(lines.to_vec())
    }

    #[test]
    fn nothing_changed_sends_nothing() {
        let mut encoder = Encoder::default();
        assert!(!encoder.frame(buffer(&["abc"]), None).is_empty());
        assert!(encoder.frame(buffer(&["abc"]), None).is_empty());
        let moved = encoder.frame(buffer(&["abc"]), Some((1, 0)));
        assert_eq!(moved, b"\x1b[?2026h\x1b[1;2H\x1b[?25h\x1b[?2026l");
    }

    #[test]
    fn a_line_down_all_rows_costs_a_few_bytes_a_cell() {
        let area = Rect::new(0, 0, 100, 40);
        let (mut old, mut new) = (Buffer::empty(area), Buffer::empty(area));
        let style = Style::new().fg(Color::Indexed(214));
        for y in 0..40 {
            for x in 0..100 {
                let ink = Style::new().fg(Color::Indexed(60 + (y % 3) as u8));
                old[(x, y)].set_symbol("⣿").set_style(ink);
                new[(x, y)].set_symbol("⣿").set_style(ink);
            }
            old[(50, y)].set_symbol("│").set_style(style);
            new[(51, y)].set_symbol("│").set_style(style);
        }
        let bytes = encode_frame(&old, &new).len();
        assert!(bytes < 80 * 9, "{bytes}");
    }

    /// A terminal of our own would prove little: another's parser must see the same picture.
    #[test]
    fn a_terminal_shows_what_was_drawn() {
        let area = Rect::new(0, 0, 12, 6);
        let mut encoder = Encoder::default();
        let mut terminal = vt100::Parser::new(6, 12, 0);
        let mut seed = 12345u32;
        let mut random = move |below: u32| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 8) % below
        };
        let mut now = Buffer::empty(area);
        for step in 0..400 {
            for _ in 0..random(20) {
                let (x, y) = (random(11) as u16, random(6) as u16);
                let text = ["a", "漢", " ", "⣿", "e\u{301}", "Z"][random(6) as usize];
                // A terminal has one weight at a time: bold or dim, not both.
                let style = Style::new()
                    .fg(Color::Indexed(random(20) as u8))
                    .remove_modifier(Modifier::all())
                    .add_modifier(
                        [Modifier::empty(), Modifier::BOLD, Modifier::UNDERLINED, Modifier::DIM]
                            [random(4) as usize],
                    );
                now.set_stringn(x, y, text, 2, style);
            }
            terminal.process(&encoder.frame(now.clone(), None));
            let mut now = now.clone();
            whole_glyphs(&mut now);
            for y in 0..6 {
                let mut skip = 0;
                for x in 0..12u16 {
                    if skip > 0 {
                        skip -= 1;
                        continue;
                    }
                    let cell = terminal.screen().cell(y, x).unwrap();
                    let wanted = now[(x, y)].symbol();
                    let seen = if cell.contents().is_empty() { " " } else { cell.contents() };
                    assert_eq!(seen, wanted, "step {step} at {x},{y}");
                    if wanted != " " {
                        let modifier = now[(x, y)].modifier;
                        let attributes = (cell.bold(), cell.italic(), cell.underline());
                        let wanted = (
                            modifier.contains(Modifier::BOLD),
                            modifier.contains(Modifier::ITALIC),
                            modifier.contains(Modifier::UNDERLINED),
                        );
                        assert_eq!(attributes, wanted, "step {step} at {x},{y}");
                    }
                    skip = wanted.width().saturating_sub(1);
                }
            }
        }
    }
}
