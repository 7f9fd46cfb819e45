//! Bars and beats on the ruler's second line, where the song has a tempo.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::theme::Role;
use super::super::view::samples_per_column;
use super::put;
use crate::song::{Position, TempoMap};

/// Columns that a bar's number takes, with room to the next one.
const BAR_COLUMNS: f64 = 6.0;
/// Columns that a beat's takes.
const BEAT_COLUMNS: f64 = 8.0;
/// No song has more bars than this.
const MOST_BARS: u64 = 1 << 32;

/// Draws the bars; beats too where they lie far enough apart.
pub fn draw(brush: &Brush, tempo: &TempoMap, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let (area, rate) = (layout.ruler, world.session.rate);
    let per = samples_per_column(app.view.zoom);
    let right = app.view.left.saturating_add((per * f64::from(area.width)).ceil() as i64);
    let first = first_bar(tempo, Position(app.view.left), rate);
    let Some(step) = bars_apart(tempo, first, rate, per) else { return };
    let mut bar = (first - 1) / step * step + 1;
    while let Some(at) = tempo.beat(bar, 1, rate).filter(|at| at.0 < right) {
        mark(brush, at, &bar.to_string(), buffer);
        for beat in (2..=255).take_while(|_| step == 1) {
            let Some(place) = tempo.beat(bar, beat, rate).filter(|place| place.0 < right) else { break };
            if (place.since(at).0 as f64) < per * BEAT_COLUMNS * (beat - 1) as f64 {
                break;
            }
            mark(brush, place, &format!("{bar}.{beat}"), buffer);
        }
        bar += step;
    }
}

fn mark(brush: &Brush, at: Position, text: &str, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let area = layout.ruler;
    let column = app.column_of(at.0);
    if column < 0.0 || column >= f64::from(area.width) {
        return;
    }
    let x = area.x + column as u16;
    let label = format!("{}{text}", app.shapes.glyphs().tick);
    put(buffer, x, area.y + 1, area.right() - x, &label, brush.style(Role::Guide));
}

/// The last bar that begins at or before a position; the first one if none does.
fn first_bar(tempo: &TempoMap, at: Position, rate: u32) -> u64 {
    let (mut low, mut high) = (1, MOST_BARS);
    while low < high {
        let middle = low + (high - low).div_ceil(2);
        if tempo.beat(middle, 1, rate).is_some_and(|start| start <= at) {
            low = middle;
        } else {
            high = middle - 1;
        }
    }
    low
}

/// Every how many bars there is room for a number: a power of two.
fn bars_apart(tempo: &TempoMap, bar: u64, rate: u32, per_column: f64) -> Option<u64> {
    let length = tempo.beat(bar + 1, 1, rate)?.since(tempo.beat(bar, 1, rate)?).0 as f64;
    let mut step = 1u64;
    while length * (step as f64) < per_column * BAR_COLUMNS {
        step = step.checked_mul(2).filter(|step| *step < MOST_BARS)?;
    }
    Some(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Tempo;

    #[test]
    fn bars_are_found_by_place_and_thinned_by_room() {
        // 120 BPM in 4/4: a bar is 2 s, 96,000 samples.
        let tempo = TempoMap {
            ticks_per_quarter: 480,
            origin: Position(1000),
            tempi: vec![Tempo { tick: 0, us_per_quarter: 500_000 }],
            meters: vec![],
        };
        for (at, bar) in [(-5, 1), (1000, 1), (96_999, 1), (97_000, 2), (960_999, 10), (961_000, 11)] {
            assert_eq!(first_bar(&tempo, Position(at), 48_000), bar, "at {at}");
        }
        for (per_column, step) in [(1.0, 1), (16_000.0, 1), (16_001.0, 2), (64_000.0, 4), (70_000.0, 8)] {
            assert_eq!(bars_apart(&tempo, 3, 48_000, per_column), Some(step), "{per_column}");
        }
    }
}
