//! The proposals of a command as a list, and below it the place of the one that one is at.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::draw::Brush;
use super::super::layout::Layout;
use super::super::lines::to_ms;
use super::super::proposals::{Item, Verdict};
use super::super::theme::Role;
use super::super::widgets::{clock, fit, put};
use super::close;
use crate::command::Does;
use crate::song::Shift;

/// Lines that the picture of the place takes at least.
const PICTURE: u16 = 9;

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let body = brush.layout.body;
    let list = match body.height {
        0..24 => body.height.saturating_sub(PICTURE).max(4),
        height => height / 2,
    };
    draw_list(brush, Rect { height: list.min(body.height), ..body }, buffer);
    let lower = Rect { y: body.y + list, height: body.height.saturating_sub(list), ..body };
    if lower.height >= PICTURE {
        let layout = Layout { body: lower, ..brush.layout.clone() };
        close::draw(&Brush { app: brush.app, world: brush.world, layout }, buffer);
    }
}

fn draw_list(brush: &Brush, area: Rect, buffer: &mut Buffer) {
    let app = brush.app;
    let offers = &app.offers;
    let Some(from) = &offers.from else {
        let text = "no proposals: propose \"tighten on all\" makes some";
        put(buffer, 1, area.y, area.width, text, brush.style(Role::Faint));
        return;
    };
    let head = format!("{} proposals of `{}`", offers.items.len(), from.line);
    let x = put(buffer, 1, area.y, area.width, &head, brush.style(Role::Title)) + 2;
    let counts = format!(
        "{} accepted, {} refused, {} done, {} it will not do",
        offers.count(Verdict::Accepted),
        offers.count(Verdict::Refused),
        offers.count(Verdict::Done),
        from.refused.len(),
    );
    put(buffer, x, area.y, area.width.saturating_sub(x), &counts, brush.style(Role::Faint));
    let room = usize::from(area.height.saturating_sub(1));
    let first = offers.chosen.saturating_sub(room / 2).min(offers.items.len().saturating_sub(room));
    for (index, y) in (first..offers.items.len()).zip(area.y + 1..area.bottom()) {
        line(brush, &offers.items[index], index, (area, y), buffer);
    }
}

/// One proposal: its verdict by a sign and not by colour alone.
fn line(brush: &Brush, item: &Item, index: usize, (area, y): (Rect, u16), buffer: &mut Buffer) {
    let Brush { app, world, .. } = brush;
    let glyphs = app.shapes.glyphs();
    let rate = world.session.rate;
    let chosen = index == app.offers.chosen;
    let song = world.session.song();
    if chosen {
        put(buffer, area.x, y, 1, glyphs.focus, brush.style(Role::Cursor));
    }
    let (sign, role) = match item.verdict {
        Verdict::Open => (" ", Role::Text),
        Verdict::Accepted => ("+", Role::Fine),
        Verdict::Refused => ("-", Role::Faint),
        Verdict::Doing => ("~", Role::Fine),
        Verdict::Done => ("*", Role::Faint),
    };
    let lane = song.number(item.proposal.lane).unwrap_or(0);
    let name = song.lane(item.proposal.lane).map_or("", |lane| lane.name.as_str());
    let what = match item.proposal.does {
        Does::Slide { words: (first, last), by, off } => {
            let words =
                if first == last { format!("word {first}") } else { format!("words {first}..{last}") };
            let words = match app.lines.names.get(first - 1).and_then(Option::as_deref) {
                Some(name) => format!("{words} {}", fit(name, 8, glyphs.cut)),
                None => words,
            };
            let left = to_ms(Shift(off.0 + by.0), rate);
            let nudged = match item.nudged {
                0 => String::new(),
                by => format!(" nudged {:+.1}", to_ms(Shift(by), rate)),
            };
            format!(
                "{words:<16} {:>+7.1} ms {:>+6.1} to {left:+.1}{nudged}",
                to_ms(by, rate),
                to_ms(off, rate)
            )
        }
        Does::Empty => "empty".to_owned(),
        Does::Soften(by) => format!("soften by {:.0} dB", -by.0),
    };
    let text = format!(
        "[{sign}] {:>3} {lane:>2} {:<10} {} {what}  {:.2}  {}",
        index + 1,
        fit(name, 10, glyphs.cut),
        clock(item.proposal.span.start.0, rate),
        item.proposal.confidence,
        item.proposal.reason
    );
    let role = if chosen { Role::Title } else { role };
    let room = area.width.saturating_sub(3);
    put(buffer, area.x + 2, y, room, &fit(&text, usize::from(room), glyphs.cut), brush.style(role));
}
