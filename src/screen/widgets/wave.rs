//! The sound of one lane as a skyline: as high as it is loud, body up to the RMS, rim up to the peaks.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Modifier, Style};

use super::super::scene::{Look, Scene};
use super::super::shapes::Shapes;
use crate::song::Lane;

/// How things are drawn.
#[derive(Debug, Clone, Copy)]
pub struct Inks {
    /// Up to the RMS.
    pub body: Style,
    /// From there to the peaks.
    pub rim: Style,
    /// Sound that was cut away.
    pub gone: Style,
    /// Fades.
    pub ramp: Style,
}

/// Draws a lane's sound: `at` gives the position of a column's left edge. Nearer than this many samples per
/// column the signed wave is drawn instead of its height.
pub const SIGNED: f64 = 6.0;

/// Which stretch of the timeline an area shows, and how.
#[derive(Debug, Clone, Copy)]
pub struct Stretched {
    /// Position of the area's left edge, which may lie between samples.
    pub left: f64,
    /// Samples per column.
    pub per_column: f64,
    /// Whether the sound hangs from the area's top instead of standing on its floor.
    pub hangs: bool,
    /// Which glyphs.
    pub shapes: Shapes,
}

/// Draws a lane's sound over an area.
pub fn draw(scene: &Scene, lane: &Lane, area: Rect, over: Stretched, inks: &Inks, buffer: &mut Buffer) {
    let Stretched { left, per_column, hangs, shapes } = over;
    let fine = if shapes == Shapes::Dots { 2u16 } else { 1 };
    let step = per_column / f64::from(fine);
    let looks: Vec<Look> = (0..area.width * fine)
        .map(|index| {
            let from = left + f64::from(index) * step;
            scene.look(lane, from, from + step)
        })
        .collect();
    let signed = per_column <= SIGNED && area.height > 1;
    for x in 0..area.width {
        let here = &looks[usize::from(x * fine)..usize::from((x + 1) * fine)];
        let before = usize::from(x * fine).checked_sub(1).map(|index| looks[index]);
        let hangs = hangs && !signed;
        let column = Column { here, before, scale: scene.scale, height: area.height, shapes, signed, hangs };
        for y in 0..area.height {
            let (glyph, kind) = column.cell(if hangs { y } else { area.height - 1 - y });
            let Some(cell) = buffer.cell_mut((area.x + x, area.y + y)) else { continue };
            if let Some(glyph) = glyph {
                cell.set_char(glyph);
                cell.set_style(match kind {
                    Kind::Body => inks.body,
                    Kind::Rim => inks.rim,
                    Kind::Gone => inks.gone,
                    Kind::Ramp => inks.ramp,
                });
            }
            // A floor under what sounds: a gap in it is a gap in the lane.
            if !over.hangs && y + 1 == area.height && here[0].region.is_some() {
                cell.set_style(Style::new().add_modifier(Modifier::UNDERLINED));
            }
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Body,
    Rim,
    Gone,
    Ramp,
}

struct Column<'a> {
    here: &'a [Look],
    before: Option<Look>,
    scale: f32,
    height: u16,
    shapes: Shapes,
    signed: bool,
    hangs: bool,
}

impl Column<'_> {
    /// The glyph of the cell `row` rows above the floor.
    fn cell(&self, row: u16) -> (Option<char>, Kind) {
        match self.shapes {
            Shapes::Dots => self.dots(row),
            _ => self.blocks(row),
        }
    }

    fn dots(&self, row: u16) -> (Option<char>, Kind) {
        // From the floor up: bits of the left and of the right half of a cell.
        const BITS: [[u32; 4]; 2] = [[0x40, 0x04, 0x02, 0x01], [0x80, 0x20, 0x10, 0x08]];
        let levels = f32::from(self.height) * 4.0;
        let floor = f32::from(row) * 4.0;
        let (mut bits, mut kind, mut on_ramp) = (0u32, Kind::Rim, false);
        let mut last = self.before;
        for (half, look) in self.here.iter().enumerate() {
            let (low, high) = self.extent(look, last.as_ref(), levels);
            for dot in 0..4 {
                let bit = BITS[half.min(1)][if self.hangs { 3 - dot } else { dot }];
                let at = floor + dot as f32;
                if low <= at && at < high {
                    bits |= bit;
                }
                let was = last.as_ref();
                let ramps = [
                    (look.ramp, was.filter(|last| last.region == look.region).and_then(|last| last.ramp)),
                    (look.other_ramp, was.and_then(|last| last.other_ramp.or(last.ramp))),
                ];
                for (ramp, before) in ramps {
                    if ramp.is_some_and(|ramp| on_line(ramp, before, at, levels)) {
                        bits |= bit;
                        on_ramp = true;
                    }
                }
            }
            if self.body(look, levels) > floor + 0.5 {
                kind = Kind::Body;
            }
            last = Some(*look);
        }
        let kind = match (on_ramp, self.here[0].gone) {
            (true, _) => Kind::Ramp,
            (_, true) => Kind::Gone,
            _ => kind,
        };
        (char::from_u32(0x2800 + bits).filter(|_| bits != 0), kind)
    }

    fn blocks(&self, row: u16) -> (Option<char>, Kind) {
        let look = &self.here[0];
        // Only whole and half blocks exist that hang.
        let steps = if self.shapes == Shapes::Ascii || self.hangs { 2.0 } else { 8.0 };
        let levels = f32::from(self.height) * steps;
        let floor = f32::from(row) * steps;
        for (ramp, rising) in [(look.ramp, true), (look.other_ramp, false)] {
            let Some(ramp) = ramp else { continue };
            let at = (ramp * (f32::from(self.height) - 1.0)).round();
            if at == f32::from(row) {
                let glyph = match (self.shapes, rising) {
                    (Shapes::Ascii, _) => '*',
                    _ => '∙',
                };
                return (Some(glyph), Kind::Ramp);
            }
        }
        let (low, high) = self.extent(look, self.before.as_ref(), levels);
        let kind = match (look.gone, self.body(look, levels) > floor + steps / 4.0) {
            (true, _) => Kind::Gone,
            (_, true) => Kind::Body,
            _ => Kind::Rim,
        };
        if self.signed {
            let inside = low < floor + steps && floor < high;
            return (inside.then_some(if self.shapes == Shapes::Ascii { '#' } else { '▪' }), kind);
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held in range")]
        let filled = (high - floor).clamp(0.0, steps) as usize;
        let glyph = match (self.shapes, filled) {
            (_, 0) => None,
            (Shapes::Ascii, 1) => Some(if kind == Kind::Gone { '.' } else { ':' }),
            (Shapes::Ascii, _) => Some(match kind {
                Kind::Gone => ':',
                Kind::Body => '#',
                _ => '|',
            }),
            (_, 1) if self.hangs => Some('▀'),
            (_, _) if self.hangs => Some('█'),
            (_, eighths) => char::from_u32(0x2580 + eighths as u32),
        };
        (glyph, kind)
    }

    /// From which level to which a stretch is filled.
    fn extent(&self, look: &Look, before: Option<&Look>, levels: f32) -> (f32, f32) {
        let Some(sound) = look.sound else { return (0.0, 0.0) };
        if !self.signed {
            return (0.0, high(sound.peak() * self.scale, levels));
        }
        let middle = levels / 2.0;
        let at =
            |sample: f32| (middle + sample * self.scale * (middle - 1.0)).round().clamp(0.0, levels - 1.0);
        let (mut low, mut top) = (at(sound.min), at(sound.max) + 1.0);
        // A wave is one line: what lies between two columns is drawn with the later one.
        if let Some(last) = before.and_then(|look| look.sound) {
            low = low.min(at(last.max));
            top = top.max(at(last.min) + 1.0);
        }
        (low, top)
    }

    fn body(&self, look: &Look, levels: f32) -> f32 {
        if self.signed {
            return levels;
        }
        look.sound.map_or(0.0, |sound| high(sound.rms * self.scale, levels))
    }
}

/// Height of a level (linear). Bent upward, so that soft endings are seen.
fn high(level: f32, levels: f32) -> f32 {
    if level < 1e-3 {
        return 0.0;
    }
    (level.min(1.0).sqrt() * levels).round().max(1.0)
}

/// Whether a dot lies on the line of a ramp: at its own level, or between that and the one before it.
fn on_line(ramp: f32, before: Option<f32>, at: f32, levels: f32) -> bool {
    let level = |ramp: f32| (ramp * (levels - 1.0)).round();
    let (own, before) = (level(ramp), before.map_or(level(ramp), level));
    at == own || (before < at && at < own) || (own < at && at < before)
}
