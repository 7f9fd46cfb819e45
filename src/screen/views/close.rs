//! The close view: two lanes mirrored about one axis at the cursor, for cutting by eye.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::draw::Brush;
use super::super::lines::to_ms;
use super::super::scene::Scene;
use super::super::theme::Role;
use super::super::view::samples_per_column;
use super::super::widgets::wave::{SIGNED, Stretched};
use super::super::widgets::{fit, millis, put, wave};
use super::lanes::inks;
use crate::song::Lane;

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let body = layout.body;
    let song = world.session.song();
    let (Some(own), partner) = (app.lane(world), app.partner(world).and_then(|id| song.lane(id))) else {
        put(buffer, 1, body.y + 1, body.width, "This session has no lanes.", brush.style(Role::Faint));
        return;
    };
    // The guide stands above, whichever of the two the cursor is on.
    let guide = song.guide().is_some_and(|guide| guide.id == own.id);
    let (above, below) = if guide { (Some(own), partner) } else { (partner, Some(own)) };
    let half = body.height.saturating_sub(3) / 2;
    let per = samples_per_column(app.view.close_zoom);
    let centre = f64::from(body.width / 2);
    let left = app.view.cursor as f64 - centre * per;
    let mut scene = Scene::new(app, world);
    let upper = Rect::new(body.x, body.y + 1, body.width, half);
    let axis = upper.bottom();
    let lower = Rect::new(body.x, axis + 1, body.width, half);
    for (lane, area, hangs) in [(above, upper, false), (below, lower, true)] {
        let Some(lane) = lane else { continue };
        let over = Stretched { left, per_column: per, hangs, shapes: app.shapes };
        scene.scale = scale(&scene, lane, left, per * f64::from(body.width));
        wave::draw(&scene, lane, area, over, &inks(brush, lane, true), buffer);
        seams(brush, lane, area, (left, per), buffer);
        let y = if hangs { lower.bottom() } else { body.y };
        title(brush, lane, y, buffer);
    }
    ruled(brush, axis, (left, per), buffer);
    let glyphs = app.shapes.glyphs();
    for y in upper.top()..lower.bottom() {
        if let Some(cell) = buffer.cell_mut((body.x + body.width / 2, y)) {
            cell.reset();
            cell.set_symbol(glyphs.cursor);
            cell.set_style(brush.style(Role::Cursor));
        }
    }
    if app.playing.running {
        let column = ((app.playing.at.0 as f64 - left) / per).floor();
        if (0.0..f64::from(body.width)).contains(&column) {
            for y in upper.top()..lower.bottom() {
                put(buffer, body.x + column as u16, y, 1, glyphs.playhead, brush.style(Role::Playhead));
            }
        }
    }
}

/// Each of the two fills its half with what is seen of it, so that shapes meet whatever the levels. The steps
/// are coarse: a picture that breathes with every move cannot be compared.
fn scale(scene: &Scene, lane: &Lane, left: f64, length: f64) -> f32 {
    let step = length / 64.0;
    let peaks = (0..64)
        .map(|part| left + f64::from(part) * step)
        .filter_map(|from| scene.look(lane, from, from + step).sound);
    let loudest = peaks.map(|sound| sound.peak()).fold(0.0, f32::max);
    if loudest < 1e-4 {
        return scene.scale;
    }
    2f32.powf((0.98 / loudest).log2().floor()).clamp(0.5, 64.0)
}

/// Name of a lane, and the seam nearest to the cursor.
fn title(brush: &Brush, lane: &Lane, y: u16, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let number = world.session.song().number(lane.id).unwrap_or(0);
    let own = app.view.lane == Some(lane.id);
    let role = if own { Role::Title } else { Role::Guide };
    let name = format!("{number} {}  {}", fit(&lane.name, 24, app.shapes.glyphs().cut), lane.role.word());
    let x = put(buffer, 1, y, layout.body.width, &name, brush.style(role)) + 3;
    let rate = world.session.rate;
    if let Some(text) = seam(lane, app.view.cursor, rate) {
        put(buffer, x, y, layout.body.width.saturating_sub(x), &text, brush.style(Role::Ramp));
    }
    let mut right =
        format!("{}/column", millis(samples_per_column(app.view.close_zoom).round().max(1.0) as u64, rate));
    if samples_per_column(app.view.close_zoom) <= SIGNED {
        right = format!("signed wave  {right}");
    }
    if let Some(word) = app.lines.near(lane.id, app.view.at(), rate) {
        right = format!("word {:+.1} ms  {right}", to_ms(word.by, rate));
    }
    let x = layout.body.right().saturating_sub(right.chars().count() as u16 + 1);
    put(buffer, x, y, layout.body.width, &right, brush.style(Role::Faint));
}

/// The seam of a lane that is nearest to a position, in words.
fn seam(lane: &Lane, at: i64, rate: u32) -> Option<String> {
    let far = |index: usize| {
        let (end, start) = (lane.regions[index].end().0, lane.regions[index + 1].at.0);
        (at - (end + start) / 2).abs()
    };
    let index = (0..lane.regions.len().saturating_sub(1)).min_by_key(|index| far(*index))?;
    let (before, after) = (&lane.regions[index], &lane.regions[index + 1]);
    let gap = (after.at - before.end()).0;
    let kind = match gap {
        0 if before.flows_into(after) => "seam: uncut sound".to_owned(),
        0 => "seam: butt joint".to_owned(),
        gap if gap > 0 => format!("seam: gap of {}", millis(gap.unsigned_abs(), rate)),
        _ => format!("seam: crossfade of {}", millis(gap.unsigned_abs(), rate)),
    };
    let fade = |fade: crate::song::Fade| millis(fade.length.0, rate);
    Some(format!("{kind}, out {}, in {}", fade(before.fade_out), fade(after.fade_in)))
}

/// Upright lines where regions begin and end.
fn seams(brush: &Brush, lane: &Lane, area: Rect, (left, per): (f64, f64), buffer: &mut Buffer) {
    let glyphs = brush.app.shapes.glyphs();
    for region in &lane.regions {
        for at in [region.at.0, region.end().0] {
            let column = ((at as f64 - left) / per).floor();
            if !(0.0..f64::from(area.width)).contains(&column) {
                continue;
            }
            for y in area.top()..area.bottom() {
                if let Some(cell) = buffer.cell_mut((area.x + column as u16, y))
                    && cell.symbol() == " "
                {
                    cell.set_symbol(glyphs.line);
                    cell.set_style(brush.style(Role::Edge));
                }
            }
        }
    }
}

/// The axis, with distances from the cursor and the guide's lines on it.
fn ruled(brush: &Brush, y: u16, (left, per): (f64, f64), buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let body = layout.body;
    let glyphs = app.shapes.glyphs();
    let rate = f64::from(world.session.rate);
    for x in body.left()..body.right() {
        put(buffer, x, y, 1, glyphs.axis, brush.style(Role::Edge));
    }
    for at in &app.lines.guide {
        let column = ((at.0 as f64 - left) / per).floor();
        if (0.0..f64::from(body.width)).contains(&column) {
            put(buffer, body.x + column as u16, y, 1, glyphs.flag, brush.style(Role::Late));
        }
    }
    let least = per * 16.0 / rate * 1000.0;
    let steps = (-2..5).flat_map(|power| [1.0, 2.0, 5.0].map(|digit| digit * 10f64.powi(power)));
    let step = steps.into_iter().find(|step| *step >= least).unwrap_or(100_000.0);
    for tick in -40i32..=40 {
        let ms = f64::from(tick) * step;
        let column = f64::from(body.width / 2) + ms / 1000.0 * rate / per;
        if tick == 0 || !(0.0..f64::from(body.width)).contains(&column) {
            continue;
        }
        let text = match step {
            1.0.. => format!("{ms:+.0} ms"),
            _ => format!("{ms:+.2} ms"),
        };
        let start = (column as u16)
            .saturating_sub(text.len() as u16 / 2)
            .min(body.width.saturating_sub(text.len() as u16));
        put(buffer, body.x + start, y, body.width, &text, brush.style(Role::Faint));
    }
}
