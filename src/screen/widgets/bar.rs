//! The bar at the top: the song, the state shown, what sounds.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::theme::Role;
use super::super::transport::Levels;
use super::super::update::meter;
use super::{clock, fit, put};
use crate::song::EditId;

/// Draws the bar.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let area = layout.bar;
    let panel = brush.style(Role::Panel);
    for x in area.left()..area.right() {
        if let Some(cell) = buffer.cell_mut((x, area.y)) {
            cell.set_style(panel);
        }
    }
    let glyphs = app.shapes.glyphs();
    let right = sounding(brush);
    let wide = right.iter().map(|(text, _)| text.chars().count() as u16 + 2).sum::<u16>();
    let start = area.right().saturating_sub(wide);
    let left_room = start.saturating_sub(2);
    let x = put(
        buffer,
        1,
        area.y,
        left_room,
        &fit(&world.session.title, 30, glyphs.cut),
        brush.style(Role::Title).patch(panel),
    );
    put(
        buffer,
        x + 2,
        area.y,
        left_room.saturating_sub(x + 1),
        &state(brush),
        brush.style(Role::Text).patch(panel),
    );
    let mut x = start;
    for (text, role) in right {
        x = put(buffer, x, area.y, area.right().saturating_sub(x), &text, brush.style(role).patch(panel)) + 2;
    }
}

/// Which state is shown, and how it came about.
fn state(brush: &Brush) -> String {
    let session = brush.world.session;
    let head = session.history.head();
    let mark = session.marks.iter().find(|(_, edit)| **edit == head).map(|(name, _)| format!(" \"{name}\""));
    let place = match head {
        EditId(0) => "as it began".to_owned(),
        head => format!("edit {head}"),
    };
    let branches = match session.history.children(head).len() {
        0 => "",
        1 => ", 1 follows",
        _ => ", branches follow",
    };
    let locked = if brush.world.writable { "" } else { "  read-only" };
    format!("{place}{}{branches}{locked}", mark.unwrap_or_default())
}

/// Meters of what goes out: both sides, and where there is room true peak, short-term loudness and correlation.
fn levels(brush: &Brush, sum: &Levels) -> String {
    let side = |peak| brush.app.shapes.level(meter(peak));
    let mut text = format!("{}{}", side(sum.peaks.0), side(sum.peaks.1));
    // In fields of a fixed width, so that what stands beside them stays where it is.
    let field = |value: Option<f64>, digits: usize, unit: &str| match value {
        Some(value) => format!(" {value:>5.digits$} {unit}"),
        None => format!("   --- {unit}"),
    };
    if brush.layout.bar.width >= 120 {
        text += &field(sum.true_peak_db, 1, "dBTP");
        text += &field(sum.short_term, 1, "LUFS");
    }
    if brush.layout.bar.width >= 150 {
        let value = sum.correlation.map_or("  ---".to_owned(), |value| format!("{value:+.2}"));
        text += &format!(" correlation {value}");
    }
    text
}

/// What sounds, and where.
fn sounding(brush: &Brush) -> Vec<(String, Role)> {
    let Brush { app, world, layout } = brush;
    let glyphs = app.shapes.glyphs();
    let rate = world.session.rate;
    let mut parts = Vec::new();
    let narrow = layout.bar.width < 100;
    let (sign, role, at) = match app.playing.running {
        true => (glyphs.running, Role::Playhead, app.playing.at.0),
        false => (glyphs.resting, Role::Text, app.view.cursor),
    };
    parts.push((format!("{sign} {}", clock(at, rate)), role));
    let heard = match app.heard {
        _ if app.trial().is_some() => format!("hears {} of a proposal", app.view.hear.word()),
        Some(edit) => format!("hears {} of edit {edit}", app.view.hear.word()),
        None => format!("hears {}", app.view.hear.word()),
    };
    parts.push((heard, if app.heard.is_some() || app.trial().is_some() { Role::Late } else { Role::Text }));
    if let Some(sum) = &app.sum {
        parts.push((levels(brush, sum), Role::Text));
    }
    parts.push((format!("{:+.0} dB", app.view.level_db), Role::Text));
    if !narrow {
        parts.push((app.sound.clone(), Role::Faint));
    }
    if world.session.song().loop_span.is_some() {
        parts.push(("loop".to_owned(), Role::Loop));
    }
    if app.view.follow && !narrow {
        parts.push(("follows".to_owned(), Role::Faint));
    }
    parts
}
