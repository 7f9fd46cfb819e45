//! The mouse: a press places the cursor, a drag moves a region's edge, the wheel zooms. Never needed.

use super::app::{App, World};
use super::event::{Effect, Mouse, MouseKind};
use super::layout::Layout;
use super::view::{Pane, samples_per_column};
use crate::song::RegionId;

/// An edge under the mouse.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Drag {
    region: RegionId,
    row: usize,
    start: bool,
    /// Where the mouse has moved it, as a position.
    to: Option<i64>,
}

impl Drag {
    /// Where the mouse has moved the edge.
    pub(super) fn to(self) -> Option<i64> {
        self.to
    }
}

impl App {
    pub(super) fn mouse(&mut self, world: &World, mouse: Mouse) -> Vec<Effect> {
        if self.prompt.is_some() || self.palette.is_some() {
            return Vec::new();
        }
        let layout = Layout::of(self, world);
        match mouse.kind {
            MouseKind::WheelUp | MouseKind::WheelDown if matches!(self.view.pane, Pane::Log | Pane::Help) => {
                self.scroll_text(mouse.kind == MouseKind::WheelUp, 3);
            }
            MouseKind::WheelUp | MouseKind::WheelDown => {
                let step = if mouse.kind == MouseKind::WheelUp { -1 } else { 1 };
                if self.view.pane == Pane::Close {
                    self.view.close_zoom = (self.view.close_zoom + step).clamp(super::view::CLOSEST, 24);
                } else if layout.wave.x <= mouse.x {
                    let at = self.mouse_position(&layout, mouse.x);
                    self.zoom_around(at, self.view.zoom + step);
                } else {
                    self.view.top = self.view.top.saturating_add_signed(isize::from(step));
                }
            }
            _ if self.view.pane != Pane::Lanes => {}
            MouseKind::Press => return self.press(world, &layout, mouse),
            MouseKind::Drag => {
                let to = self.mouse_position(&layout, mouse.x.max(layout.wave.x));
                match &mut self.drag {
                    Some(drag) => drag.to = Some(to),
                    None => self.set_cursor(world, to),
                }
            }
            MouseKind::Release => return self.release(world),
        }
        Vec::new()
    }

    fn mouse_position(&self, layout: &Layout, x: u16) -> i64 {
        let column = f64::from(x.saturating_sub(layout.wave.x)) + 0.5;
        #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
        let at = self.position_of(column).floor() as i64;
        at
    }

    fn press(&mut self, world: &World, layout: &Layout, mouse: Mouse) -> Vec<Effect> {
        self.drag = None;
        let song = world.session.song();
        let Some(strip) = layout.strip_at(mouse.y) else {
            if mouse.x >= layout.wave.x && mouse.y < layout.wave.y && mouse.y > 0 {
                self.set_cursor(world, self.mouse_position(layout, mouse.x));
            }
            return Vec::new();
        };
        let effects = self.focus_row(world, strip.row);
        if mouse.x < layout.wave.x {
            return effects;
        }
        let at = self.mouse_position(layout, mouse.x);
        let reach = samples_per_column(self.view.zoom);
        let near = |edge: i64| ((edge - at) as f64).abs() <= reach;
        let lane = &song.lanes[strip.row];
        self.drag = lane.regions.iter().find_map(|region| {
            let (start, end) = (near(region.at.0), near(region.end().0));
            (start || end).then_some(Drag { region: region.id, row: strip.row, start, to: None })
        });
        self.set_cursor(world, at);
        effects
    }

    /// The edge is moved when the button goes up: one edit, whatever the way there.
    fn release(&mut self, world: &World) -> Vec<Effect> {
        let Some(Drag { region, row, start, to: Some(to) }) = self.drag.take() else { return Vec::new() };
        let song = world.session.song();
        let Some(lane) = song.lanes.get(row) else { return Vec::new() };
        let Some(region) = lane.regions.iter().find(|own| own.id == region) else { return Vec::new() };
        let middle = region.at.0 + i64::try_from(region.length.0 / 2).unwrap_or(0);
        let side = if start { "start" } else { "end" };
        if to < 0 {
            return Vec::new();
        }
        let line = format!("edge {side} to {to}smp on lane {} at {middle}smp", row + 1);
        match self.start(world, &line, 1) {
            Ok(effects) => effects,
            Err(error) => {
                self.refuse(&line, &error);
                Vec::new()
            }
        }
    }
}
