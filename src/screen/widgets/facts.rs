//! What is at the cursor.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::lines::to_ms;
use super::super::theme::Role;
use super::{clock, fit, millis, put};
use crate::song::{Fade, Region};

/// Draws the line of facts.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let area = layout.facts;
    let rate = world.session.rate;
    let glyphs = app.shapes.glyphs();
    let mut parts: Vec<(String, Role)> = Vec::new();
    parts.push((clock(app.view.cursor, rate), Role::Cursor));
    let Some(lane) = app.lane(world) else {
        put(
            buffer,
            1,
            area.y,
            area.width,
            "no lanes: make a session with `tautline new`",
            brush.style(Role::Faint),
        );
        return;
    };
    parts.push((format!("{} {}", app.row(world) + 1, fit(&lane.name, 16, glyphs.cut)), Role::Title));
    match lane.index_at(app.view.at()) {
        Some(index) => parts.extend(region(&lane.regions[index], rate)),
        None => parts.push(("no region here".to_owned(), Role::Faint)),
    }
    if let Some((number, name)) = app.lines.word(app.view.at()).filter(|_| app.lines.measured) {
        let name = name.map_or(String::new(), |name| format!(" {}", fit(name, 12, glyphs.cut)));
        parts.push((format!("word {number}{name}"), Role::Guide));
    }
    if let Some(found) = app.lines.near(lane.id, app.view.at(), rate) {
        let ms = to_ms(found.by, rate);
        let (sign, role, word) = match to_ms(found.off, rate) {
            _ if found.held => (glyphs.held, Role::Tight, "as held"),
            off if off.abs() <= 10.0 => (glyphs.tight, Role::Tight, "in time"),
            off if off < 0.0 => (glyphs.early, Role::Early, "early"),
            _ => (glyphs.late, Role::Late, "late"),
        };
        let unsure = if found.sure { "" } else { ", not sure" };
        parts.push((format!("{sign}{:.0} ms {word}{unsure}", ms.abs()), role));
        if let Some(end) = found.end.map(|end| to_ms(end, rate)).filter(|end| end.abs() > 15.0) {
            parts.push((
                format!("ends {:.0} ms {}", end.abs(), if end > 0.0 { "late" } else { "early" }),
                role,
            ));
        }
    }
    let mut tail = format!("stride {}", app.view.stride.times(1));
    if !app.selected.is_empty() {
        tail = format!("{} selected  {tail}", app.selected.len());
    }
    if let Some(count) = app.count {
        tail = format!("{count} times…  {tail}");
    }
    let start = area.right().saturating_sub(tail.chars().count() as u16 + 1);
    let mut x = 1;
    for (text, role) in parts {
        x = put(buffer, x, area.y, start.saturating_sub(x + 1), &text, brush.style(role)) + 2;
    }
    let role = if app.selected.is_empty() { Role::Text } else { Role::Selected };
    put(buffer, start, area.y, area.width, &tail, brush.style(role));
}

fn region(region: &Region, rate: u32) -> Vec<(String, Role)> {
    let fade = |name: &str, fade: Fade| {
        if fade.length.0 == 0 {
            return format!("{name} none");
        }
        let bend = if fade.bend.0 == 0.0 { String::new() } else { format!(" bend {:+.1}", fade.bend.0) };
        format!("{name} {} {}{bend}", millis(fade.length.0, rate), fade.curve.word())
    };
    let mut parts = vec![
        (format!("{} long", millis(region.length.0, rate)), Role::Text),
        (fade("in", region.fade_in), Role::Ramp),
        (fade("out", region.fade_out), Role::Ramp),
    ];
    if region.gain_db.0 != 0.0 {
        parts.push((format!("{:+.1} dB", region.gain_db.0), Role::Text));
    }
    if let Some(hz) = region.highpass_hz {
        parts.push((format!("high-pass {hz:.0} Hz"), Role::Text));
    }
    parts
}
