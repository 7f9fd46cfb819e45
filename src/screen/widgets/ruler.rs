//! The ruler: seconds, bars, the loop, the cursor and the playhead.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::theme::Role;
use super::super::view::samples_per_column;
use super::{bars, put};

/// Draws the two lines over the sound: numbers above, loop below.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let (area, rate) = (layout.ruler, world.session.rate);
    let glyphs = app.shapes.glyphs();
    let per = samples_per_column(app.view.zoom);
    let step = tick_samples(per, rate);
    let far = step as f64 / f64::from(rate);
    let first = app.view.left.div_euclid(step);
    for tick in first..first + i64::from(area.width) + 2 {
        let at = tick.saturating_mul(step);
        let column = app.column_of(at);
        if column >= f64::from(area.width) {
            break;
        }
        if column < 0.0 {
            continue;
        }
        let x = area.x + column as u16;
        // The line below is the bars', where there are any.
        let row = area.y + u16::from(world.session.tempo.is_none());
        put(buffer, x, row, 1, glyphs.tick, brush.style(Role::Faint));
        put(
            buffer,
            x + u16::from(row == area.y),
            area.y,
            area.right() - x,
            &label(at, rate, far),
            brush.style(Role::Faint),
        );
    }
    if let Some(tempo) = &world.session.tempo {
        bars::draw(brush, tempo, buffer);
    }
    looped(brush, buffer);
}

/// Samples from tick to tick: round times, no nearer than their numbers are wide.
fn tick_samples(per_column: f64, rate: u32) -> i64 {
    let least = per_column * 12.0 / f64::from(rate);
    let steps = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0, 14_400.0];
    let small = (-5..0).flat_map(|power| [1.0, 2.0, 5.0].map(|digit| digit * 10f64.powi(power)));
    let seconds = small.chain(steps).find(|step| *step >= least).unwrap_or(86_400.0);
    #[expect(clippy::cast_possible_truncation, reason = "at most a day of samples")]
    ((seconds * f64::from(rate)).round() as i64).max(1)
}

fn label(at: i64, rate: u32, step_s: f64) -> String {
    let seconds = at as f64 / f64::from(rate);
    let places = match step_s {
        1.0.. => 0,
        0.1.. => 1,
        0.01.. => 2,
        0.001.. => 3,
        _ => 5,
    };
    if seconds.abs() < 60.0 {
        return format!("{seconds:.places$}s");
    }
    let minutes = (seconds / 60.0).trunc();
    let rest = (seconds - minutes * 60.0).abs();
    let width = if places == 0 { 2 } else { places + 3 };
    format!("{minutes}:{rest:0width$.places$}")
}

fn looped(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let area = layout.ruler;
    let Some(span) = world.session.song().loop_span else { return };
    let (from, to) = (app.column_of(span.start.0), app.column_of(span.end.0));
    let [opens, runs, closes] = app.shapes.glyphs().loop_marks;
    let style = brush.style(Role::Loop);
    for column in 0..area.width {
        let here = f64::from(column);
        let glyph = match () {
            () if here <= from && from < here + 1.0 => opens,
            () if here < to && to <= here + 1.0 => closes,
            () if from < here && here < to => runs,
            () => continue,
        };
        put(buffer, area.x + column, area.y + 1, 1, glyph, style);
    }
}
