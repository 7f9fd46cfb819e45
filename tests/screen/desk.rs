//! A screen without a terminal, for the tests.

use std::sync::Arc;

use crate::common::{RATE, TIME, session};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use tautline::command::{Diagnostic, Presets, carry_out, parse};
use tautline::edit::{Session, Store};
use tautline::media::Peaks;
use tautline::screen::key::Key;
use tautline::screen::keymap::Keymap;
use tautline::screen::{
    App, ColourLevel, Effect, Event, Setup, Shapes, Theme, View, World, check_line, draw,
};

/// A screen over a store, which carries out what it asks for, as the loop does.
pub struct Desk {
    pub app: App,
    pub store: Store,
    pub presets: Presets,
    pub asked: Vec<Effect>,
    _folder: tempfile::TempDir,
}

impl Desk {
    pub fn over(session: Session, size: (u16, u16), shapes: Shapes) -> Desk {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::create(&folder.path().join("song.json"), session).unwrap();
        let mut keymap = Keymap::new();
        let text = include_str!("../../keymaps/two-hands.toml");
        assert_eq!(keymap.read(text, "keymaps/two-hands.toml", &check_line), vec![]);
        let app = App::new(Setup {
            size,
            keymap,
            themes: vec![Theme::read(include_str!("../../shared/themes/ember.toml")).unwrap()],
            colours: ColourLevel::Of256,
            shapes,
            view: View::default(),
            history: Vec::new(),
            sound: "no sound".into(),
        });
        let file: toml::Table = toml::from_str(include_str!("../../shared/fades.toml")).unwrap();
        let fades = file["fade"].clone().try_into().unwrap();
        let presets = Presets { fades, ..Presets::new() };
        let mut desk = Desk { app, store, presets, asked: Vec::new(), _folder: folder };
        desk.event(Event::Resize(size.0, size.1));
        desk
    }

    pub fn new(lanes: u64, frames: u64) -> Desk {
        Desk::over(session(lanes, frames), (80, 24), Shapes::Ascii)
    }

    pub fn event(&mut self, event: Event) {
        let mut queue = vec![event];
        while let Some(event) = queue.pop() {
            let world = World {
                session: self.store.session(),
                presets: &self.presets,
                hearing: &tautline::command::Deaf,
                writable: true,
            };
            let effects = self.app.update(&world, event);
            for effect in effects {
                if let Effect::Edit(line) = &effect {
                    queue.push(self.edit(&line.clone()));
                }
                self.asked.push(effect);
            }
        }
    }

    pub fn edit(&mut self, line: &str) -> Event {
        let command = parse(line).unwrap().remove(0);
        let world = World {
            session: self.store.session(),
            presets: &self.presets,
            hearing: &tautline::command::Deaf,
            writable: true,
        };
        let resolved = command.call.resolve(&self.app.context(&world));
        let done = resolved.and_then(|action| {
            carry_out(&mut self.store, action, line, TIME)
                .map_err(|error| Diagnostic::refusal(error.to_string()))
        });
        done.map_or_else(Event::Refused, Event::Done)
    }

    pub fn keys(&mut self, keys: &str) {
        for key in keys.split(' ') {
            self.event(Event::Key(key.parse::<Key>().unwrap_or_else(|why| panic!("{key}: {why}"))));
        }
    }

    pub fn line(&mut self, line: &str) {
        self.keys("enter");
        for c in line.chars() {
            self.event(Event::Key(Key::char(c)));
        }
        self.keys("enter");
    }

    pub fn picture(&self) -> Vec<String> {
        let (width, height) = self.app.size();
        let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
        let world = World {
            session: self.store.session(),
            presets: &self.presets,
            hearing: &tautline::command::Deaf,
            writable: true,
        };
        draw(&self.app, &world, &mut buffer);
        let row = |y| (0..width).map(|x| buffer[(x, y)].symbol().to_owned()).collect::<String>();
        (0..height).map(row).collect()
    }

    pub fn says(&self) -> String {
        self.app.messages().last().map(|(_, text)| text.clone()).unwrap_or_default()
    }

    /// (at, length, fade-in, fade-out) of the regions of a lane.
    pub fn regions(&self, number: usize) -> Vec<(i64, u64, u64, u64)> {
        let lane = &self.store.session().song().lanes[number - 1];
        let shape =
            |r: &Arc<tautline::song::Region>| (r.at.0, r.length.0, r.fade_in.length.0, r.fade_out.length.0);
        lane.regions.iter().map(shape).collect()
    }

    pub fn at(&self) -> i64 {
        self.app.cursor().unwrap().at.0
    }
}

/// Half silent, half loud.
pub fn step_peaks(frames: usize) -> Arc<Peaks> {
    let samples: Vec<f32> = (0..frames).map(|n| if n * 2 < frames { 0.0 } else { 0.8 }).collect();
    Arc::new(Peaks::of_samples(&[&samples], RATE))
}
