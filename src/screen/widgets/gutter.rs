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
            &second(brush, strip, usize::from(inner.saturating_sub(5))),
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

/// Role and gain in so many columns: the unit goes before a digit does, the role before the gain.
fn second(brush: &Brush, strip: Strip, room: usize) -> String {
    let lane = &brush.world.session.song().lanes[strip.row];
    role_and_gain(lane.role.word(), lane.gain_db.0, room)
}

fn role_and_gain(role: &str, gain_db: f64, room: usize) -> String {
    if gain_db == 0.0 {
        return role.to_owned();
    }
    let texts =
        [format!("{role} {gain_db:+.1}dB"), format!("{role} {gain_db:+.1}"), format!("{gain_db:+.1}dB")];
    let [.., last] = &texts;
    texts.iter().find(|text| text.chars().count() <= room).unwrap_or(last).clone()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gain_never_loses_a_digit() {
        assert_eq!(role_and_gain("harmony", -5.0, 20), "harmony -5.0dB");
        assert_eq!(role_and_gain("harmony", -5.0, 13), "harmony -5.0");
        assert_eq!(role_and_gain("harmony", -12.5, 12), "-12.5dB");
        assert_eq!(role_and_gain("guide", 0.0, 4), "guide");
    }
}
