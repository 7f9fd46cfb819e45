//! The tone view: the lane's response over its long-term spectrum, the curves of its dynamics, every number, and what the
//! dynamics take away along the lane.

use std::sync::Arc;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::app::App;
use super::super::draw::Brush;
use super::super::theme::Role;
use super::super::tone_knobs::{Knob, knobs};
use super::super::transport::ToneHear;
use super::super::view::samples_per_column;
use super::super::widgets::plot::{Curve, bars};
use super::super::widgets::{fit, put};
use crate::listen::{BANDS, BANDS_PER_OCTAVE, LOWEST_HZ, ToneLook};
use crate::song::tone::Stage;
use crate::song::{Db, Lane, Position, Tone};
use crate::sound::bank::{compress_curve, deess_curve, deess_response_db, eq_response_db};

/// The response is shown this far either way, in dB.
const RESPONSE_DB: f64 = 18.0;
/// The spectrum is shown this far down, in dB.
const SPECTRUM_DB: f64 = 60.0;
/// Levels of the dynamics' curves, in dBFS.
const CURVE_DB: f64 = 60.0;
/// Reductions along the lane fill their line at this many dB.
const REDUCTION_DB: f32 = 12.0;
/// Columns of a dynamics' curve.
const CURVE_WIDTH: u16 = 16;

/// What the parts of the view draw from.
struct Desk<'a> {
    lane: &'a Arc<Lane>,
    tone: Tone,
    look: Option<&'a ToneLook>,
    /// What is taken away at the playhead or the cursor: de-esser, compressor.
    now: (f32, f32),
}

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let body = layout.body;
    let Some(lane) = app.lane(world) else {
        put(buffer, 1, body.y + 1, body.width, "This session has no lanes.", brush.style(Role::Faint));
        return;
    };
    let tone = App::tone_of(lane);
    let look = app.tone.look(lane).map(|(look, _)| look);
    let at = if app.playing.running { app.playing.at } else { app.view.at() };
    let measured = app.playing.reduction.filter(|_| app.playing.running);
    let now = measured.or_else(|| look.map(|look| look.between(at, at))).unwrap_or((0.0, 0.0));
    let desk = Desk { lane, tone, look, now };
    title(brush, &desk, buffer);
    let all = knobs(&desk.tone, world.session.rate);
    let lines = flow(brush, &desk.tone, &all, usize::from(body.width.saturating_sub(2)));
    let along = 2;
    let most = body.height.saturating_sub(1 + 5 + along).max(1);
    let shown = u16::try_from(lines.len()).unwrap_or(most).min(most);
    let plots = Rect::new(body.x, body.y + 1, body.width, body.height.saturating_sub(1 + shown + along));
    plot_all(brush, &desk, plots, buffer);
    let numbers = Rect::new(body.x + 1, plots.bottom(), body.width.saturating_sub(2), shown);
    print_knobs(brush, &lines, numbers, buffer);
    reductions(brush, &desk, Rect::new(body.x, numbers.bottom(), body.width, along), buffer);
}

/// Which lane, what of it is heard, what is searched.
fn title(brush: &Brush, desk: &Desk, buffer: &mut Buffer) {
    let Brush { app, world, layout } = brush;
    let (y, width) = (layout.body.y, layout.body.width);
    let number = world.session.song().number(desk.lane.id).unwrap_or(0);
    let name = format!("{number} {}", fit(&desk.lane.name, 20, app.shapes.glyphs().cut));
    let mut x = put(buffer, 1, y, width, &name, brush.style(Role::Title)) + 2;
    let heard = match app.tone.hear {
        ToneHear::Toned => "with its tone",
        ToneHear::Plain => "before its tone, as loud",
        ToneHear::Taken => "what the de-esser takes out",
        ToneHear::Detector => "what the de-esser hears",
    };
    let role = if app.tone.hear == ToneHear::Toned { Role::Text } else { Role::Late };
    x = put(buffer, x, y, width.saturating_sub(x), heard, brush.style(role)) + 2;
    if desk.tone.bypass {
        x = put(buffer, x, y, width.saturating_sub(x), "ALL LEFT OUT", brush.style(Role::Late)) + 2;
    }
    if let Some(hz) = app.tone.search_hz {
        let text = format!("search {hz:.0} Hz");
        x = put(buffer, x, y, width.saturating_sub(x), &text, brush.style(Role::Late)) + 2;
    }
    let right = match desk.look {
        None => "measuring the lane".to_owned(),
        Some(look) => look.matched_db.map_or(String::new(), |gain| format!("tone {gain:+.1} LU")),
    };
    let at = width.saturating_sub(right.chars().count() as u16 + 1).max(x);
    put(buffer, at, y, width.saturating_sub(at), &right, brush.style(Role::Faint));
}

/// The response on the left, the dynamics on the right as far as there is room for them.
fn plot_all(brush: &Brush, desk: &Desk, area: Rect, buffer: &mut Buffer) {
    let both = u16::from(desk.tone.deess.is_some()) + u16::from(desk.tone.compress.is_some());
    let room = (area.width.saturating_sub(40) / CURVE_WIDTH).min(both);
    let wide = area.width - room * CURVE_WIDTH;
    response(brush, desk, Rect { width: wide, ..area }, buffer);
    let mut place = Rect { x: area.x + wide, width: CURVE_WIDTH, ..area };
    let in_hand = knobs(&desk.tone, brush.world.session.rate);
    let stage = in_hand.get(brush.app.tone.knob).and_then(|knob| knob.stage);
    let compress_first = room == 1 && (stage == Some(Stage::Compress) || desk.tone.deess.is_none());
    if let Some(deess) = desk.tone.deess.filter(|_| room > 0 && !compress_first) {
        let curve = |level: f64| deess_curve(&deess, 0.0, &[level]).first().copied().unwrap_or(level);
        dynamics(brush, "de-esser", desk.now.0, curve, place, buffer);
        place.x += CURVE_WIDTH;
    }
    if let Some(compress) = desk.tone.compress.filter(|_| room > 1 || compress_first) {
        let curve = |level: f64| compress_curve(&compress, &[level]).first().copied().unwrap_or(level);
        dynamics(brush, "compressor", desk.now.1, curve, place, buffer);
    }
}

/// Gain over frequency, from 25 Hz to 20 kHz, over the lane's spectrum.
fn response(brush: &Brush, desk: &Desk, area: Rect, buffer: &mut Buffer) {
    let Brush { app, world, .. } = brush;
    let rate = world.session.rate;
    let gutter = 5;
    let plot = Rect::new(
        area.x + gutter,
        area.y,
        area.width.saturating_sub(gutter + 1),
        area.height.saturating_sub(1),
    );
    if plot.width == 0 || plot.height == 0 {
        return;
    }
    if let Some(look) = desk.look.filter(|look| !look.spectrum_db.is_empty()) {
        let level = |x: u16| {
            let band = (f64::from(x) + 0.5) / f64::from(plot.width) * BANDS as f64;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a band")]
            let db = look.spectrum_db.get(band as usize).copied().unwrap_or(-100.0);
            1.0 + f64::from(db) / SPECTRUM_DB
        };
        bars(plot, app.shapes, level, buffer, brush.style(Role::Gone));
    }
    let octaves = BANDS as f64 / BANDS_PER_OCTAVE;
    let hz = |x: f64| LOWEST_HZ * 2f64.powf(x * octaves - 0.5 / BANDS_PER_OCTAVE);
    let gain = |x: f64| response_db(&desk.tone, f64::from(desk.now.0), rate, hz(x));
    for (db, row) in [(RESPONSE_DB, 0), (0.0, (plot.height - 1) / 2), (-RESPONSE_DB, plot.height - 1)] {
        let text = format!("{db:+4.0} ").replace("+0", " 0");
        put(buffer, area.x, plot.y + row, gutter, &text, brush.style(Role::Faint));
    }
    // What lies above half the rate does not exist.
    let mut curve = Curve::new(plot, app.shapes);
    curve.line(|x| 0.5 + gain(x) / RESPONSE_DB / 2.0);
    curve.paint(buffer, brush.style(Role::Cursor));
    let column = |wanted: f64| {
        let x = ((wanted / LOWEST_HZ).log2() + 0.5 / BANDS_PER_OCTAVE) / octaves;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to the area")]
        let x = (x * f64::from(plot.width)).clamp(0.0, f64::from(plot.width - 1)) as u16;
        plot.x + x
    };
    if let Some(hz) = app.tone.search_hz {
        for y in plot.top()..plot.bottom() {
            put(buffer, column(hz), y, 1, app.shapes.glyphs().line, brush.style(Role::Late));
        }
    }
    for (wanted, text) in
        [(50.0, "50"), (100.0, "100"), (300.0, "300"), (1000.0, "1k"), (3000.0, "3k"), (10_000.0, "10k Hz")]
    {
        let x = column(wanted);
        put(buffer, x, plot.bottom(), area.right().saturating_sub(x), text, brush.style(Role::Faint));
    }
}

/// Gain of everything that has a frequency, in dB.
fn response_db(tone: &Tone, deess_db: f64, rate: u32, hz: f64) -> f64 {
    let hz = hz.min(f64::from(rate) * 0.499);
    let eq = eq_response_db(tone, rate, &[hz]).first().copied().unwrap_or(0.0);
    let deess = match tone.deess.filter(|_| tone.acts(Stage::Deess)) {
        Some(deess) => deess_response_db(&deess, deess_db, rate, &[hz]).first().copied().unwrap_or(0.0),
        None => 0.0,
    };
    let Db(gain) = if tone.bypass { Db(0.0) } else { tone.gain_db };
    eq + deess + gain
}

/// Level out over level in, with what is taken away right now below it.
fn dynamics(
    brush: &Brush,
    name: &str,
    now: f32,
    curve: impl Fn(f64) -> f64,
    area: Rect,
    buffer: &mut Buffer,
) {
    let plot = Rect::new(area.x + 1, area.y + 1, area.width - 2, area.height.saturating_sub(2));
    put(buffer, plot.x, area.y, plot.width, name, brush.style(Role::Ramp));
    if plot.height > 0 {
        let glyphs = brush.app.shapes.glyphs();
        for y in plot.top()..plot.bottom() {
            put(buffer, area.x, y, 1, glyphs.fall, brush.style(Role::Faint));
        }
        let mut line = Curve::new(plot, brush.app.shapes);
        line.line(|x| 1.0 + curve(x * CURVE_DB - CURVE_DB) / CURVE_DB);
        line.paint(buffer, brush.style(Role::Ramp));
    }
    let text = format!("takes {now:4.1} dB");
    put(buffer, plot.x, area.bottom().saturating_sub(1), plot.width, &text, brush.style(Role::Text));
}

/// One word of the numbers: what is printed, and whether it is in hand.
struct Word {
    text: String,
    role: Role,
}

/// The numbers in lines no wider than `width`, each stage after its name.
fn flow(brush: &Brush, tone: &Tone, all: &[Knob], width: usize) -> Vec<Vec<Word>> {
    let in_hand = brush.app.tone.knob.min(all.len().saturating_sub(1));
    let mut lines: Vec<Vec<Word>> = Vec::new();
    let mut used = 0;
    let mut before = None;
    for (index, knob) in all.iter().enumerate() {
        let fresh = before != Some(knob.stage);
        before = Some(knob.stage);
        let mut words = Vec::new();
        if fresh {
            words.push(heading(tone, knob.stage));
        }
        let gap = if knob.name.is_empty() { "" } else { " " };
        let text = format!("{}{gap}{}", knob.name, knob.text);
        // Marked by more than colour.
        words.push(match index == in_hand {
            true => Word { text: format!("[{text}]"), role: Role::Selected },
            false => Word { text: format!(" {text} "), role: Role::Text },
        });
        let wide: usize = words.iter().map(|word| word.text.chars().count()).sum();
        let starts = lines.is_empty()
            || used + wide > width
            || (fresh && knob.stage != Some(Stage::Drive) && knob.stage.is_some());
        if starts {
            lines.push(Vec::new());
            used = 0;
        }
        used += wide;
        if let Some(line) = lines.last_mut() {
            line.extend(words);
        }
    }
    lines
}

fn heading(tone: &Tone, stage: Option<Stage>) -> Word {
    let Some(stage) = stage else { return Word { text: String::new(), role: Role::Faint } };
    let word = match stage {
        Stage::Eq => "eq",
        Stage::Deess => "de-esser",
        Stage::Compress => "compressor",
        Stage::Drive => "",
    };
    let out = tone.bypass || tone.skip.contains(&stage);
    match (out, word) {
        (true, _) => Word { text: format!("{word} LEFT OUT"), role: Role::Late },
        (false, _) => Word { text: word.to_owned(), role: Role::Title },
    }
}

/// Prints the lines, from where the number in hand is seen.
fn print_knobs(brush: &Brush, lines: &[Vec<Word>], area: Rect, buffer: &mut Buffer) {
    let holds = |line: &Vec<Word>| line.iter().any(|word| word.role == Role::Selected);
    let at = lines.iter().position(holds).unwrap_or(0);
    let first = (at + 1).saturating_sub(usize::from(area.height));
    for (line, y) in lines.iter().skip(first).zip(area.top()..area.bottom()) {
        let mut x = area.x;
        for word in line {
            x = put(buffer, x, y, area.right().saturating_sub(x), &word.text, brush.style(word.role));
        }
    }
}

/// What the dynamics take away along the lane, over the stretch that the lanes view shows.
fn reductions(brush: &Brush, desk: &Desk, area: Rect, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let gutter = layout.gutter.width.min(area.width);
    let per = samples_per_column(app.view.zoom);
    let glyphs = app.shapes.glyphs();
    for (row, name) in ["de-esser", "compressor"].into_iter().enumerate() {
        let y = area.y + row as u16;
        let now = if row == 0 { desk.now.0 } else { desk.now.1 };
        put(buffer, area.x + 1, y, gutter, &format!("{name:<10} {now:>4.1}"), brush.style(Role::Faint));
        for x in 0..area.width.saturating_sub(gutter) {
            #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
            let place = |x: f64| Position(app.view.left.saturating_add((x * per) as i64));
            let taken = desk
                .look
                .map_or((0.0, 0.0), |look| look.between(place(f64::from(x)), place(f64::from(x) + 1.0)));
            let taken = if row == 0 { taken.0 } else { taken.1 };
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held in range")]
            let level = (taken / REDUCTION_DB * 8.0).round().clamp(0.0, 8.0) as u8;
            put(buffer, area.x + gutter + x, y, 1, app.shapes.level(level), brush.style(Role::Ramp));
        }
        let mut mark = |at: i64, glyph: &str, role: Role| {
            let column = app.column_of(at).floor();
            if (0.0..f64::from(area.width.saturating_sub(gutter))).contains(&column) {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "within the area"
                )]
                let x = area.x + gutter + column as u16;
                put(buffer, x, y, 1, glyph, brush.style(role));
            }
        };
        mark(app.view.cursor, glyphs.cursor, Role::Cursor);
        if app.playing.running {
            mark(app.playing.at.0, glyphs.playhead, Role::Playhead);
        }
    }
}
