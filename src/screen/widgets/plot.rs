//! Curves and bars as text: dots where the terminal has them, half blocks, or points and dashes.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::super::shapes::Shapes;

/// A curve over an area.
pub struct Curve {
    area: Rect,
    shapes: Shapes,
    /// Lit dots of each cell, row by row.
    cells: Vec<u8>,
}

/// Dots of a cell in braille: left column, then right, from the top.
const BRAILLE: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

impl Curve {
    /// An empty one.
    pub fn new(area: Rect, shapes: Shapes) -> Curve {
        Curve { area, shapes, cells: vec![0; usize::from(area.width) * usize::from(area.height)] }
    }

    /// Dots in a cell: across and down.
    fn grain(&self) -> (u16, u16) {
        if self.shapes == Shapes::Dots { (2, 4) } else { (1, 2) }
    }

    /// Draws a line through the heights (0 bottom to 1 top) that `height` gives for places from 0 left to 1 right. What lies
    /// outside runs along the edge.
    pub fn line(&mut self, height: impl Fn(f64) -> f64) {
        let (across, down) = self.grain();
        let (columns, rows) = (self.area.width * across, self.area.height * down);
        if columns == 0 || rows == 0 {
            return;
        }
        let mut before = None;
        for column in 0..columns {
            let value = height((f64::from(column) + 0.5) / f64::from(columns));
            let value = if value.is_finite() { value.clamp(0.0, 1.0) } else { 0.0 };
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to the rows")]
            let row = ((1.0 - value) * f64::from(rows - 1)).round() as u16;
            let (from, to) = match before {
                Some(before) if before < row => (before + 1, row),
                Some(before) if before > row => (row, before - 1),
                _ => (row, row),
            };
            (from..=to).for_each(|row| self.light(column, row));
            before = Some(row);
        }
    }

    fn light(&mut self, column: u16, row: u16) {
        let (across, down) = self.grain();
        let cell = usize::from(row / down) * usize::from(self.area.width) + usize::from(column / across);
        let (x, y) = (usize::from(column % across), usize::from(row % down));
        let bit = if self.shapes == Shapes::Dots { BRAILLE[x][y] } else { 1 << y };
        if let Some(cell) = self.cells.get_mut(cell) {
            *cell |= bit;
        }
    }

    /// Puts it over what is there.
    pub fn paint(&self, buffer: &mut Buffer, style: Style) {
        for (index, bits) in self.cells.iter().enumerate().filter(|(_, bits)| **bits != 0) {
            let width = usize::from(self.area.width.max(1));
            #[expect(clippy::cast_possible_truncation, reason = "within the area")]
            let (x, y) = (self.area.x + (index % width) as u16, self.area.y + (index / width) as u16);
            let Some(cell) = buffer.cell_mut((x, y)) else { continue };
            match self.shapes {
                Shapes::Dots => {
                    let glyph = char::from_u32(0x2800 + u32::from(*bits)).unwrap_or(' ');
                    cell.set_char(glyph);
                }
                Shapes::Blocks => drop(cell.set_symbol(["", "▀", "▄", "█"][usize::from(bits & 3)])),
                Shapes::Ascii => drop(cell.set_symbol(["", "*", "_", "|"][usize::from(bits & 3)])),
            }
            cell.set_style(style);
        }
    }
}

/// Bars that stand on the area's floor, one in each column, from 0 to 1 of its height.
pub fn bars(area: Rect, shapes: Shapes, height: impl Fn(u16) -> f64, buffer: &mut Buffer, style: Style) {
    for x in 0..area.width {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held in range")]
        let mut eighths = (height(x).clamp(0.0, 1.0) * f64::from(area.height) * 8.0).round() as u16;
        for y in (0..area.height).rev() {
            if eighths == 0 {
                break;
            }
            let level = eighths.min(8) as u8;
            if let Some(cell) = buffer.cell_mut((area.x + x, area.y + y)) {
                cell.set_symbol(shapes.level(level));
                cell.set_style(style);
            }
            eighths -= u16::from(level);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn painted(shapes: Shapes, height: impl Fn(f64) -> f64) -> Vec<String> {
        let area = Rect::new(0, 0, 8, 3);
        let mut buffer = Buffer::empty(area);
        let mut curve = Curve::new(area, shapes);
        curve.line(height);
        curve.paint(&mut buffer, Style::new());
        (0..3).map(|y| (0..8).map(|x| buffer[(x, y)].symbol()).collect()).collect()
    }

    #[test]
    fn lines_are_drawn_with_every_kind_of_glyph() {
        assert_eq!(painted(Shapes::Ascii, |_| 0.0), ["        ", "        ", "________"]);
        assert_eq!(painted(Shapes::Ascii, |_| 9.0), ["********", "        ", "        "]);
        assert_eq!(painted(Shapes::Blocks, |_| f64::NAN)[2], "▄▄▄▄▄▄▄▄");
        assert_eq!(painted(Shapes::Dots, |_| 1.0)[0], "⠉⠉⠉⠉⠉⠉⠉⠉");
        // A step leaves no hole.
        let step = painted(Shapes::Ascii, |x| if x < 0.5 { 0.0 } else { 1.0 });
        assert_eq!(step, ["    |***", "    |   ", "____*   "]);
    }
}
