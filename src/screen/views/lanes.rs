//! The lanes view: every lane under one cursor, with the guide's lines through all of them.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

use super::super::draw::Brush;
use super::super::layout::Strip;
use super::super::lines::{Off, to_ms};
use super::super::scene::Scene;
use super::super::theme::Role;
use super::super::view::samples_per_column;
use super::super::widgets::wave::{Inks, Stretched};
use super::super::widgets::{fit, gutter, put, ruler, wave};
use crate::song::{Lane, Role as Part};

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    ruler::draw(brush, buffer);
    source_of_lines(brush, buffer);
    let song = world.session.song();
    if song.lanes.is_empty() {
        let text = "This session has no lanes.";
        put(buffer, layout.wave.x, layout.wave.y + 1, layout.wave.width, text, brush.style(Role::Faint));
        return;
    }
    let scene = Scene::new(app, world);
    for strip in &layout.strips {
        gutter::draw(brush, *strip, buffer);
        let lane = &song.lanes[strip.row];
        let area = Rect { y: strip.y, height: strip.height, ..layout.wave };
        let inks = inks(brush, lane, app.is_heard(world, strip.row));
        let over = Stretched {
            left: app.view.left as f64,
            per_column: samples_per_column(app.view.zoom),
            hangs: false,
            shapes: app.shapes,
        };
        wave::draw(&scene, lane, area, over, &inks, buffer);
        edges(brush, lane, area, buffer);
        lines(brush, lane, *strip, area, buffer);
    }
    hidden(brush, buffer);
    uprights(brush, buffer);
}

/// How a lane is drawn.
pub fn inks(brush: &Brush, lane: &Lane, heard: bool) -> Inks {
    let body = match (lane.role, heard) {
        (_, false) => Role::Gone,
        (Part::Guide, _) => Role::Guide,
        _ => Role::Body,
    };
    let rim = if heard { Role::Rim } else { Role::Gone };
    Inks {
        body: brush.style(body),
        rim: brush.style(rim),
        gone: brush.style(Role::Gone),
        ramp: brush.style(Role::Ramp),
    }
}

/// What the guide lines are: measured words, or until these are there a first guess.
fn source_of_lines(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let words = app.lines.guide.len();
    let (first, second) = match (app.lines.measured, &app.no_words, app.starts.values().next()) {
        (true, ..) => ("lines: words,".to_owned(), format!("{words} measured")),
        (_, Some(_), Some(starts)) => ("no words; guess by".to_owned(), starts.by.to_owned()),
        (_, None, Some(starts)) => ("measuring words;".to_owned(), format!("guess: {}", starts.by)),
        (_, _, None) => ("no guide lines yet".to_owned(), String::new()),
    };
    let width = layout.gutter.width.saturating_sub(2);
    put(buffer, 1, layout.ruler.y, width, &first, brush.style(Role::Faint));
    put(buffer, 1, layout.ruler.y + 1, width, &second, brush.style(Role::Faint));
}

/// Where regions begin and end, on the upper line of a lane; a bar between the two if one is selected.
fn edges(brush: &Brush, lane: &Lane, area: Rect, buffer: &mut Buffer) {
    let app = brush.app;
    let glyphs = app.shapes.glyphs();
    let width = f64::from(area.width);
    for region in &lane.regions {
        let (from, to) = (app.column_of(region.at.0).floor(), app.column_of(region.end().0).ceil() - 1.0);
        if to < 0.0 || from >= width {
            continue;
        }
        let selected = app.selected.contains(&region.id);
        let style = brush.style(if selected { Role::Selected } else { Role::Edge });
        if selected {
            let (first, last) = (from.max(0.0) as u16, to.min(width - 1.0) as u16);
            for column in first..=last {
                put(buffer, area.x + column, area.y, 1, glyphs.bar, style);
            }
        }
        for (column, glyph) in [(to, glyphs.closes), (from, glyphs.opens)] {
            if (0.0..width).contains(&column) && (selected || area.height > 1) {
                put(buffer, area.x + column as u16, area.y, 1, glyph, style);
            }
        }
    }
}

/// The guide's lines through a lane, and by how much each of its words is off.
fn lines(brush: &Brush, lane: &Lane, strip: Strip, area: Rect, buffer: &mut Buffer) {
    let Brush { app, world, .. } = brush;
    let glyphs = app.shapes.glyphs();
    let width = f64::from(area.width);
    let style = brush.style(Role::Line);
    let column =
        |at: i64| Some(app.column_of(at).floor()).filter(|x| (0.0..width).contains(x)).map(|x| x as u16);
    for at in &app.lines.guide {
        let Some(x) = column(at.0) else { continue };
        for y in area.top()..area.bottom() {
            let Some(cell) = buffer.cell_mut((area.x + x, y)) else { continue };
            if cell.symbol() == " " {
                let floor = cell.modifier;
                cell.set_symbol(glyphs.line);
                cell.set_style(style.add_modifier(floor));
            }
        }
    }
    let rate = world.session.rate;
    if lane.role == Part::Guide {
        named(brush, area, buffer, &column);
    }
    for x in app.lines.missing.get(&lane.id).into_iter().flatten().filter_map(|at| column(at.0)) {
        put(buffer, area.x + x, area.y, 1, glyphs.gone, brush.style(Role::Wrong));
    }
    let Some(offsets) = app.lines.offsets.get(&lane.id) else { return };
    let visible: Vec<(u16, Off)> =
        offsets.iter().filter_map(|word| column(word.line.0).map(|x| (x, *word))).collect();
    for (index, (x, word)) in visible.iter().enumerate() {
        let next = visible.get(index + 1).map_or(area.width, |(next, _)| *next);
        let room = next.saturating_sub(*x);
        let (sign, role) = match to_ms(word.off, rate) {
            off if off.abs() <= 10.0 => (if word.held { glyphs.held } else { glyphs.tight }, Role::Tight),
            off if off < 0.0 => (glyphs.early, Role::Early),
            _ => (glyphs.late, Role::Late),
        };
        let unsure = if word.sure { "" } else { "?" };
        let number = format!("{sign}{:.0}{unsure}", to_ms(word.by, rate).abs());
        let text = if (role != Role::Tight || word.held) && number.chars().count() < usize::from(room) {
            &number
        } else {
            sign
        };
        // In a low lane the sound is worth more than numbers.
        let text: &str = if strip.height > 1 { text } else { sign };
        put(buffer, area.x + x, area.y, room.max(1), text, brush.style(role));
    }
}

/// What is sung, beside the guide's lines, as far as it is named and there is room.
fn named(brush: &Brush, area: Rect, buffer: &mut Buffer, column: &dyn Fn(i64) -> Option<u16>) {
    let lines = &brush.app.lines;
    let cut = brush.app.shapes.glyphs().cut;
    let visible: Vec<(u16, Option<&String>)> = lines
        .guide
        .iter()
        .enumerate()
        .filter_map(|(index, at)| Some((column(at.0)?, lines.names.get(index).and_then(Option::as_ref))))
        .collect();
    for (index, (x, name)) in visible.iter().enumerate() {
        let next = visible.get(index + 1).map_or(area.width, |(next, _)| *next);
        let room = usize::from(next.saturating_sub(x + 1));
        if let Some(name) = name.filter(|_| room > 1) {
            let text = fit(name, room.saturating_sub(1), cut);
            put(buffer, area.x + x + 1, area.y, room as u16, &text, brush.style(Role::Guide));
        }
    }
}

/// How many lanes lie beyond the screen.
fn hidden(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let below = world.session.song().lanes.len().saturating_sub(layout.strips.len() + app.view.top);
    let above = app.view.top;
    if above + below == 0 {
        return;
    }
    let text = format!("{above} above, {below} below");
    let x = layout.wave.right().saturating_sub(text.len() as u16 + 1);
    put(buffer, x, layout.ruler.y + 1, layout.wave.width, &text, brush.style(Role::Faint));
}

/// The cursor and the playhead through all lanes.
fn uprights(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let glyphs = app.shapes.glyphs();
    let bottom = layout.strips.last().map_or(layout.wave.y, |strip| strip.y + strip.height);
    let mut upright = |at: i64, glyph: &str, style: Style| {
        let column = app.column_of(at).floor();
        if !(0.0..f64::from(layout.wave.width)).contains(&column) {
            return;
        }
        for y in layout.ruler.y + 1..bottom {
            if let Some(cell) = buffer.cell_mut((layout.wave.x + column as u16, y)) {
                cell.reset();
                cell.set_symbol(glyph);
                cell.set_style(style);
            }
        }
    };
    upright(app.view.cursor, glyphs.cursor, brush.style(Role::Cursor));
    if let Some(to) = app.drag.and_then(|drag| drag.to()) {
        upright(to, glyphs.line, brush.style(Role::Selected));
    }
    if app.playing.running {
        upright(app.playing.at.0, glyphs.playhead, brush.style(Role::Playhead));
    }
}
