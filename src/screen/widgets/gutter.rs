//! Names of the lanes: number, name, role, what is heard, level.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::draw::Brush;
use super::super::layout::Strip;
use super::super::theme::Role;
use super::{fit, put};
use crate::song::{Polarity, Role as Part};

/// Draws the names beside one lane.
pub fn draw(brush: &Brush, strip: Strip, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let song = world.session.song();
    let lane = &song.lanes[strip.row];
    let area = Rect { y: strip.y, height: strip.height, ..layout.gutter };
    let glyphs = app.shapes.glyphs();
    let own = app.view.lane == Some(lane.id);
    let heard = app.is_heard(world, strip.row);
    if own {
        for y in area.top()..area.bottom() {
            put(buffer, area.x, y, 1, glyphs.focus, brush.style(Role::Cursor));
        }
    }
    let name = match (own, lane.role, heard) {
        (true, ..) => brush.style(Role::Title),
        (_, Part::Guide, _) => brush.style(Role::Guide),
        (_, _, false) => brush.style(Role::Faint),
        _ => brush.style(Role::Text),
    };
    // The last column is the meter, the one before it stays free.
    let inner = area.width.saturating_sub(2);
    let number = format!("{:>3} ", strip.row + 1);
    put(buffer, area.x + 1, area.y, inner, &number, brush.style(Role::Faint));
    let flags: String = [(lane.solo, 'S'), (lane.mute, 'M'), (lane.polarity == Polarity::Inverted, 'P')]
        .into_iter()
        .filter_map(|(is, flag)| is.then_some(flag))
        .collect();
    let room =
        usize::from(inner.saturating_sub(5)).saturating_sub(flags.len() + usize::from(!flags.is_empty()));
    put(buffer, area.x + 5, area.y, inner.saturating_sub(5), &fit(&lane.name, room, glyphs.cut), name);
    let right = area.right().saturating_sub(2 + flags.len() as u16);
    put(buffer, right, area.y, inner, &flags, brush.style(Role::Wrong));
    if strip.height > 1 {
        put(
            buffer,
            area.x + 5,
            area.y + 1,
            inner.saturating_sub(5),
            &second(brush, strip),
            brush.style(Role::Faint),
        );
    }
    let (words, tight) = app.lines.tight(lane.id, 10.0, world.session.rate);
    if strip.height > 2 && words > 0 {
        let text = format!("{tight}/{words} tight");
        put(buffer, area.x + 5, area.y + 2, inner.saturating_sub(5), &text, brush.style(Role::Faint));
    }
    let level = app.meters.get(strip.row).copied().unwrap_or(0);
    let meter = app.shapes.level(if heard { level } else { 0 });
    put(buffer, area.right().saturating_sub(1), area.bottom() - 1, 1, meter, brush.style(Role::Fine));
}

/// Role and gain.
fn second(brush: &Brush, strip: Strip) -> String {
    let lane = &brush.world.session.song().lanes[strip.row];
    let mut parts = vec![lane.role.word().to_owned()];
    if lane.gain_db.0 != 0.0 {
        parts.push(format!("{:+.1}dB", lane.gain_db.0));
    }
    parts.join(" ")
}
