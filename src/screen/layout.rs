//! Where things stand on the screen, from its size and the state alone.

use ratatui::layout::Rect;

use super::app::{App, World};
use super::view::samples_per_column;

/// Smallest screen that is drawn on.
pub const SMALLEST: (u16, u16) = (60, 16);

/// One lane on the screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Strip {
    /// Its row in the song.
    pub row: usize,
    /// First line of the screen.
    pub y: u16,
    /// Lines.
    pub height: u16,
}

/// Where things stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// The bar at the top.
    pub bar: Rect,
    /// The ruler: two lines over the sound.
    pub ruler: Rect,
    /// Names of the lanes.
    pub gutter: Rect,
    /// The sound.
    pub wave: Rect,
    /// What is at the cursor.
    pub facts: Rect,
    /// Messages and the command line.
    pub foot: Rect,
    /// Everything between the bar and the facts.
    pub body: Rect,
    /// Lanes on the screen, the guide first.
    pub strips: Vec<Strip>,
}

impl Layout {
    /// Lays the lanes view out. The other views use its bar, body, facts and foot.
    #[must_use]
    pub fn of(app: &App, world: &World) -> Layout {
        let (width, height) = app.size;
        let gutter = match width {
            0..80 => 17,
            80..120 => 20,
            _ => 24,
        };
        let body = Rect::new(0, 1, width, height.saturating_sub(3));
        let top = body.y + 2;
        let lanes = Rect::new(0, top, width, body.height.saturating_sub(2));
        let gutter = Rect { width: gutter.min(width), ..lanes };
        let wave = Rect { x: gutter.width, width: width.saturating_sub(gutter.width), ..lanes };
        Layout {
            bar: Rect::new(0, 0, width, 1.min(height)),
            ruler: Rect { y: body.y, height: 2.min(body.height), ..wave },
            gutter,
            wave,
            facts: Rect::new(0, height.saturating_sub(2), width, 1.min(height)),
            foot: Rect::new(0, height.saturating_sub(1), width, 1.min(height)),
            body,
            strips: strips(app, world, lanes),
        }
    }

    /// The lane at a line of the screen.
    #[must_use]
    pub fn strip_at(&self, y: u16) -> Option<Strip> {
        self.strips.iter().copied().find(|strip| (strip.y..strip.y + strip.height).contains(&y))
    }
}

/// Lines that an ordinary lane takes.
pub fn lane_height(app: &App, world: &World, lines: u16) -> u16 {
    let lanes = u16::try_from(world.session.song().lanes.len()).unwrap_or(u16::MAX).max(1);
    match app.view.height {
        0 => (lines / lanes).clamp(2, 12),
        height => height,
    }
    .min(lines.max(1))
}

fn strips(app: &App, world: &World, lanes: Rect) -> Vec<Strip> {
    let song = world.session.song();
    let tall = lane_height(app, world, lanes.height);
    let guide = song.guide().and_then(|guide| song.number(guide.id)).map(|number| number - 1);
    let others = (0..song.lanes.len()).filter(|row| Some(*row) != guide).skip(app.view.top);
    // Where all lanes fit, the lines that are left over go to the upper ones.
    let count = u16::try_from(song.lanes.len()).unwrap_or(u16::MAX);
    let mut spare = match (app.view.height, app.view.collapsed.is_empty()) {
        (0, true) if tall < 12 => lanes.height.saturating_sub(tall.saturating_mul(count)),
        _ => 0,
    };
    let mut strips = Vec::new();
    let (mut y, end) = (lanes.y, lanes.y + lanes.height);
    for row in guide.into_iter().chain(others) {
        let collapsed = app.view.collapsed.contains(&song.lanes[row].id);
        let extra = u16::from(spare > 0 && !collapsed);
        spare -= extra;
        let height = if collapsed { 1 } else { tall + extra }.min(end.saturating_sub(y));
        if height == 0 {
            break;
        }
        strips.push(Strip { row, y, height });
        y += height;
    }
    strips
}

impl App {
    /// Columns of sound in the lanes view.
    pub(super) fn wave_columns(&self, world: &World) -> u16 {
        Layout::of(self, world).wave.width.max(1)
    }

    /// The position at the left edge of a column of the lanes view, which may lie between samples.
    pub(super) fn position_of(&self, column: f64) -> f64 {
        self.view.left as f64 + column * samples_per_column(self.view.zoom)
    }

    /// The column of a position in the lanes view; may lie off the screen.
    pub(super) fn column_of(&self, at: i64) -> f64 {
        (at - self.view.left) as f64 / samples_per_column(self.view.zoom)
    }
}
