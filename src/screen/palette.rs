//! The palette: everything that can be done, found by a few letters in any order.

use nucleo_matcher::pattern::{CaseMatching, Normalization, Pattern};
use nucleo_matcher::{Config, Matcher, Utf32Str};
use tui_input::{Input, InputRequest};

use super::app::{App, World};
use super::event::Effect;
use super::key::{Code, Key};
use super::verbs;
use crate::command::{ScopeUse, VERBS};

/// One thing that can be done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offer {
    /// What is shown and looked through.
    pub title: String,
    /// What it does.
    pub about: String,
    /// The line it stands for.
    pub line: String,
    /// Whether the line still lacks something, so that it is opened instead of run.
    pub open: bool,
}

/// The palette while it is open.
#[derive(Debug, Clone, Default)]
pub struct Palette {
    /// What was typed.
    pub input: Input,
    /// What there is.
    pub offers: Vec<Offer>,
    /// What of it fits, best first.
    pub hits: Vec<usize>,
    /// The one chosen.
    pub chosen: usize,
}

impl Palette {
    fn look(&mut self) {
        let pattern = Pattern::parse(self.input.value(), CaseMatching::Ignore, Normalization::Smart);
        let mut matcher = Matcher::new(Config::DEFAULT);
        let mut buffer = Vec::new();
        let mut scored: Vec<(u32, usize)> = Vec::new();
        for (index, offer) in self.offers.iter().enumerate() {
            let title = pattern.score(Utf32Str::new(&offer.title, &mut buffer), &mut matcher);
            let about = pattern.score(Utf32Str::new(&offer.about, &mut buffer), &mut matcher);
            // A hit in the name is worth more than one in its explanation.
            let best = title.map(|score| score * 2 + 20).max(about);
            scored.extend(best.map(|score| (score, index)));
        }
        scored.sort_by_key(|(score, index)| (std::cmp::Reverse(*score), *index));
        self.hits = scored.into_iter().map(|(_, index)| index).collect();
        self.chosen = 0;
    }
}

impl App {
    /// Opens the palette.
    pub(super) fn open_palette(&mut self, world: &World) {
        let mut palette = Palette { offers: offers(self, world), ..Palette::default() };
        palette.look();
        self.palette = Some(palette);
    }

    /// A key while the palette is open.
    pub(super) fn palette_key(&mut self, world: &World, key: Key) -> Vec<Effect> {
        let Some(palette) = &mut self.palette else { return Vec::new() };
        let last = palette.hits.len().saturating_sub(1);
        match key.code {
            Code::Named("esc" | "tab") => self.palette = None,
            Code::Char('c') if key.ctrl => self.palette = None,
            Code::Named("up") => palette.chosen = palette.chosen.checked_sub(1).unwrap_or(last),
            Code::Named("down") => {
                palette.chosen = if palette.chosen >= last { 0 } else { palette.chosen + 1 }
            }
            Code::Named("page-up") => palette.chosen = palette.chosen.saturating_sub(8),
            Code::Named("page-down") => palette.chosen = (palette.chosen + 8).min(last),
            Code::Named("enter") => return self.take(world),
            Code::Named("backspace") => {
                palette.input.handle(InputRequest::DeletePrevChar);
                palette.look();
            }
            Code::Char(c) if !key.ctrl && !key.alt && palette.input.value().len() < 100 => {
                palette.input.handle(InputRequest::InsertChar(c));
                palette.look();
            }
            _ => {}
        }
        Vec::new()
    }

    fn take(&mut self, world: &World) -> Vec<Effect> {
        let Some(palette) = self.palette.take() else { return Vec::new() };
        let Some(offer) = palette.hits.get(palette.chosen).and_then(|index| palette.offers.get(*index))
        else {
            return Vec::new();
        };
        if offer.open {
            self.open_prompt(world, &format!("{} ", offer.line));
            return Vec::new();
        }
        match self.start(world, &offer.line, 1) {
            Ok(effects) => effects,
            Err(error) => {
                self.refuse(&offer.line, &error);
                Vec::new()
            }
        }
    }
}

/// Everything that can be done: verbs with their examples, presets, marks, lanes, themes.
fn offers(app: &App, world: &World) -> Vec<Offer> {
    let flat = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut offers = Vec::new();
    for verb in VERBS {
        let bare = verb.form.iter().all(|part| matches!(part, crate::command::Part::Maybe(_)));
        let open = !bare || verb.scope == ScopeUse::Lanes;
        offers.push(Offer { title: verb.usage(), about: flat(verb.about), line: verb.name.to_owned(), open });
    }
    for verb in verbs::VERBS {
        let about = flat(verb.about);
        // A choice of words is a list of things to do at once.
        for line in verb.ready() {
            offers.push(Offer { title: line.clone(), about: about.clone(), line, open: false });
        }
        if !verb.form.is_empty() {
            offers.push(Offer { title: verb.usage(), about, line: verb.name.to_owned(), open: true });
        }
    }
    let ready = |line: String, about: String| Offer { title: line.clone(), about, line, open: false };
    for (name, preset) in &world.presets.fades {
        offers.push(ready(format!("fade preset {name} on all"), preset.about.clone()));
        let target = if app.selected.is_empty() { "here" } else { "selected" };
        offers.push(ready(format!("fade preset {name} on {target}"), preset.about.clone()));
    }
    for (name, edit) in &world.session.marks {
        let quoted = format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\""));
        offers.push(ready(format!("goto {quoted}"), format!("the mark on edit {edit}")));
    }
    for (row, lane) in world.session.song().lanes.iter().enumerate() {
        let about = format!("{} ({})", super::log::clean(&lane.name), lane.role.word());
        offers.push(ready(format!("focus lane {}", row + 1), about));
    }
    for theme in &app.themes {
        offers.push(ready(format!("theme {}", theme.name), theme.about.clone()));
    }
    offers
}
