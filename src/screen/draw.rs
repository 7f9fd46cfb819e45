//! One picture of the state.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::app::{App, World};
use super::layout::{Layout, SMALLEST};
use super::theme::Role;
use super::view::Pane;
use super::{views, widgets};

/// What drawing needs at every turn.
pub struct Brush<'a> {
    /// The state.
    pub app: &'a App,
    /// What it looks at.
    pub world: &'a World<'a>,
    /// Where things stand.
    pub layout: Layout,
}

impl Brush<'_> {
    /// How a thing is drawn.
    pub fn style(&self, role: Role) -> Style {
        self.app.theme().style(role, self.app.colours)
    }
}

/// Draws the state over a blank buffer of the app's size; gives where the terminal's cursor is wanted.
pub fn draw(app: &App, world: &World, buffer: &mut Buffer) -> Option<(u16, u16)> {
    let area = buffer.area;
    if area.width < SMALLEST.0 || area.height < SMALLEST.1 {
        too_small(area, buffer);
        return None;
    }
    let brush = Brush { app, world, layout: Layout::of(app, world) };
    widgets::bar::draw(&brush, buffer);
    match app.view.pane {
        Pane::Lanes => views::lanes::draw(&brush, buffer),
        Pane::Close => views::close::draw(&brush, buffer),
        Pane::Tone => views::tone::draw(&brush, buffer),
        Pane::Proposals => views::proposals::draw(&brush, buffer),
        Pane::Graph => views::graph::draw(&brush, buffer),
        Pane::Log => views::log::draw(&brush, buffer),
        Pane::Help => views::help::draw(&brush, buffer),
    }
    widgets::facts::draw(&brush, buffer);
    widgets::foot::draw(&brush, buffer);
    if app.palette.is_some() {
        return widgets::palette::draw(&brush, buffer);
    }
    if app.prompt.is_some() {
        return widgets::prompt::draw(&brush, buffer);
    }
    if !app.chord.is_empty() {
        widgets::hint::draw(&brush, buffer);
    }
    None
}

fn too_small(area: Rect, buffer: &mut Buffer) {
    let text = format!("{}x{} is too small; {}x{} at least", area.width, area.height, SMALLEST.0, SMALLEST.1);
    let width = usize::from(area.width);
    let mut line = String::new();
    let mut y = area.y;
    for word in text.split(' ') {
        if !line.is_empty() && line.len() + 1 + word.len() > width {
            widgets::put(buffer, area.x, y, area.width, &line, Style::new());
            line.clear();
            y += 1;
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
        if y >= area.bottom() {
            return;
        }
    }
    widgets::put(buffer, area.x, y, area.width, &line, Style::new());
}
