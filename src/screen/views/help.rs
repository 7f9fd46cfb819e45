//! The keys in force and what they do, made from the keymap and the tables of verbs.

use ratatui::buffer::Buffer;

use super::super::draw::Brush;
use super::super::keymap::{Keymap, Place};
use super::super::theme::Role;
use super::super::verbs;
use super::super::widgets::{fit, put};
use crate::command::VERBS;

/// One line of the help.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HelpLine {
    /// A verb, and what it does.
    Verb(String, String),
    /// A chord, where it holds, and what it runs.
    Key(String, String, String),
    /// How a verb is written.
    Usage(String),
    /// Nothing.
    Blank,
    /// Any other text.
    Text(String),
}

/// All lines of the help.
#[must_use]
pub fn lines(keymap: &Keymap) -> Vec<HelpLine> {
    let mut lines = vec![
        HelpLine::Text(format!("keymap {}: {}", keymap.name, keymap.about)),
        HelpLine::Text(if keymap.counts {
            "a number before a key repeats it, or multiplies what it moves by; esc forgets it".to_owned()
        } else {
            "digits are keys of their own here, not counts".to_owned()
        }),
        HelpLine::Text("mouse: click places the cursor, drag moves a region's edge, wheel zooms".to_owned()),
        HelpLine::Blank,
    ];
    let all: Vec<(Place, String, &str)> =
        keymap.all().map(|(place, chord, binding)| (place, chord, binding.line.as_str())).collect();
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let screen = verbs::VERBS.iter().map(|verb| (verb.name, flat(verb.about), verb.usage()));
    let edit = VERBS.iter().map(|verb| (verb.name, flat(verb.about), verb.usage()));
    for (name, about, usage) in screen.chain(edit) {
        lines.push(HelpLine::Verb(name.to_owned(), about));
        lines.push(HelpLine::Usage(usage));
        for (place, chord, line) in &all {
            if line.split_whitespace().next() == Some(name) {
                let place = if *place == Place::Everywhere { "" } else { place.word() };
                lines.push(HelpLine::Key(chord.clone(), place.to_owned(), (*line).to_owned()));
            }
        }
        lines.push(HelpLine::Blank);
    }
    lines
}

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { app, layout, .. } = brush;
    let body = layout.body;
    let cut = app.shapes.glyphs().cut;
    let lines = lines(&app.keymap);
    let room = usize::from(body.height);
    let first = app.scrolled.min(lines.len().saturating_sub(room));
    for (line, y) in lines.iter().skip(first).zip(body.top()..body.bottom()) {
        let width = body.width.saturating_sub(2);
        match line {
            HelpLine::Verb(name, about) => {
                let x = put(buffer, 1, y, width, name, brush.style(Role::Title)) + 2;
                let room = usize::from(body.right().saturating_sub(x + 1));
                put(buffer, x, y, width, &fit(about, room, cut), brush.style(Role::Text));
            }
            HelpLine::Key(chord, place, line) => {
                put(buffer, 3, y, 16, &format!("{chord:>14}"), brush.style(Role::Cursor));
                let x = put(buffer, 19, y, width, line, brush.style(Role::Text));
                if !place.is_empty() {
                    put(buffer, x + 2, y, width, &format!("({place} view)"), brush.style(Role::Faint));
                }
            }
            HelpLine::Usage(text) => {
                put(buffer, 19, y, width.saturating_sub(18), text, brush.style(Role::Faint));
            }
            HelpLine::Text(text) => {
                put(buffer, 1, y, width, text, brush.style(Role::Faint));
            }
            HelpLine::Blank => {}
        }
    }
    if lines.len() > room {
        let text = format!("{}-{} of {}", first + 1, (first + room).min(lines.len()), lines.len());
        let x = body.right().saturating_sub(text.len() as u16 + 1);
        put(buffer, x, body.y, body.width, &text, brush.style(Role::Faint));
    }
}
