//! The screen without a terminal: events in, state and effects out, and pictures as text.

mod common;

use std::sync::Arc;

use common::{RATE, TIME, session};
use proptest::prelude::*;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use tautline::command::{Diagnostic, Presets, carry_out, parse};
use tautline::edit::{Session, Store};
use tautline::media::Peaks;
use tautline::screen::key::Key;
use tautline::screen::keymap::Keymap;
use tautline::screen::{
    App, ColourLevel, Effect, Event, Mouse, MouseKind, Pane, Playing, Setup, Shapes, Starts, Theme,
    TransportRequest, View, World, check_line, draw,
};
use tautline::song::{AssetId, Position};

/// A screen over a store, which carries out what it asks for, as the loop does.
struct Desk {
    app: App,
    store: Store,
    presets: Presets,
    asked: Vec<Effect>,
    _folder: tempfile::TempDir,
}

impl Desk {
    fn over(session: Session, size: (u16, u16), shapes: Shapes) -> Desk {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::create(&folder.path().join("song.json"), session).unwrap();
        let mut keymap = Keymap::new();
        let text = include_str!("../keymaps/two-hands.toml");
        assert_eq!(keymap.read(text, "keymaps/two-hands.toml", &check_line), vec![]);
        let app = App::new(Setup {
            size,
            keymap,
            themes: vec![Theme::read(include_str!("../shared/themes/ember.toml")).unwrap()],
            colours: ColourLevel::Of256,
            shapes,
            view: View::default(),
            history: Vec::new(),
            sound: "no sound".into(),
        });
        let file: toml::Table = toml::from_str(include_str!("../shared/fades.toml")).unwrap();
        let presets = file["fade"].clone().try_into().unwrap();
        let mut desk = Desk { app, store, presets, asked: Vec::new(), _folder: folder };
        desk.event(Event::Resize(size.0, size.1));
        desk
    }

    fn new(lanes: u64, frames: u64) -> Desk {
        Desk::over(session(lanes, frames), (80, 24), Shapes::Ascii)
    }

    fn event(&mut self, event: Event) {
        let mut queue = vec![event];
        while let Some(event) = queue.pop() {
            let world = World { session: self.store.session(), presets: &self.presets, writable: true };
            let effects = self.app.update(&world, event);
            for effect in effects {
                if let Effect::Edit(line) = &effect {
                    queue.push(self.edit(&line.clone()));
                }
                self.asked.push(effect);
            }
        }
    }

    fn edit(&mut self, line: &str) -> Event {
        let command = parse(line).unwrap().remove(0);
        let world = World { session: self.store.session(), presets: &self.presets, writable: true };
        let resolved = command.call.resolve(&self.app.context(&world));
        let done = resolved.and_then(|action| {
            carry_out(&mut self.store, action, line, TIME)
                .map_err(|error| Diagnostic::refusal(error.to_string()))
        });
        done.map_or_else(Event::Refused, Event::Done)
    }

    fn keys(&mut self, keys: &str) {
        for key in keys.split(' ') {
            self.event(Event::Key(key.parse::<Key>().unwrap_or_else(|why| panic!("{key}: {why}"))));
        }
    }

    fn line(&mut self, line: &str) {
        self.keys("enter");
        for c in line.chars() {
            self.event(Event::Key(Key::char(c)));
        }
        self.keys("enter");
    }

    fn picture(&self) -> Vec<String> {
        let (width, height) = self.app.size();
        let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
        let world = World { session: self.store.session(), presets: &self.presets, writable: true };
        draw(&self.app, &world, &mut buffer);
        let row = |y| (0..width).map(|x| buffer[(x, y)].symbol().to_owned()).collect::<String>();
        (0..height).map(row).collect()
    }

    fn says(&self) -> String {
        self.app.messages().last().map(|(_, text)| text.clone()).unwrap_or_default()
    }

    /// (at, length, fade-in, fade-out) of the regions of a lane.
    fn regions(&self, number: usize) -> Vec<(i64, u64, u64, u64)> {
        let lane = &self.store.session().song().lanes[number - 1];
        let shape =
            |r: &Arc<tautline::song::Region>| (r.at.0, r.length.0, r.fade_in.length.0, r.fade_out.length.0);
        lane.regions.iter().map(shape).collect()
    }

    fn at(&self) -> i64 {
        self.app.cursor().unwrap().at.0
    }
}

/// Half silent, half loud.
fn step_peaks(frames: usize) -> Arc<Peaks> {
    let samples: Vec<f32> = (0..frames).map(|n| if n * 2 < frames { 0.0 } else { 0.8 }).collect();
    Arc::new(Peaks::of_samples(&[&samples], RATE))
}

#[test]
fn the_lanes_view_shows_names_sound_regions_and_the_cursor_in_plain_ascii() {
    let mut desk = Desk::new(3, 480_000);
    for id in 1..=3 {
        desk.event(Event::Peaks(AssetId(id), step_peaks(480_000)));
    }
    let picture = desk.picture();
    assert!(
        picture[0].contains("Lantern Row  as it began") && picture[0].contains("hears stack"),
        "{}",
        picture[0]
    );
    assert!(picture[1].contains("0s") && picture[1].contains("5s"), "{}", picture[1]);
    assert!(picture[3].starts_with(">  1 take-1"), "{}", picture[3]);
    assert!(picture[4].contains("guide"), "{}", picture[4]);
    // The sound stands on the floor of its lane, in the right half only.
    let floor = &picture[9];
    let sound = floor.find('#').unwrap();
    assert!((45..55).contains(&sound), "{floor}");
    assert!(picture[3].contains(']'), "the region's end: {}", picture[3]);
    // One cursor through everything.
    let column = picture[2].find('|').unwrap();
    for y in 3..22 {
        assert_eq!(picture[y].as_bytes()[column], b'|', "row {y}: {}", picture[y]);
    }
    assert!(picture.iter().all(|line| line.is_ascii()));
    assert!(picture[23].contains("enter command"), "{}", picture[23]);
}

#[test]
fn guide_lines_show_early_and_late_by_shape_with_their_offset() {
    let mut desk = Desk::new(3, 480_000);
    let starts = |at: u64| Starts { at: vec![at].into(), by: "a test" };
    desk.event(Event::Starts(AssetId(1), starts(240_000)));
    desk.event(Event::Starts(AssetId(2), starts(240_000 + 48 * 35)));
    desk.event(Event::Starts(AssetId(3), starts(240_000 - 48 * 40)));
    let picture = desk.picture();
    assert!(picture.iter().any(|line| line.contains(">35")), "{picture:#?}");
    assert!(picture.iter().any(|line| line.contains("<40")), "{picture:#?}");
    assert!(picture[2].contains("a test"));
    // The cursor at the line tells it in words.
    desk.keys("y down");
    assert_eq!(desk.at(), 240_000);
    assert!(desk.picture()[22].contains(">35 ms late"), "{}", desk.picture()[22]);
}

#[test]
fn every_size_from_tiny_to_huge_is_drawn_and_a_small_one_says_so() {
    for size in [(1, 1), (5, 3), (59, 20), (60, 15), (60, 16), (80, 24), (160, 45), (400, 120), (500, 200)] {
        let mut desk = Desk::over(session(7, 100_000), size, Shapes::Dots);
        desk.event(Event::Peaks(AssetId(1), step_peaks(100_000)));
        for keys in ["v", "f4", "f5", "f1", "esc", "tab"] {
            desk.keys(keys);
            let picture = desk.picture();
            let small = size.0 < 60 || size.1 < 16;
            assert_eq!(
                picture.concat().replace(' ', "").contains("istoosmall"),
                small && size.0 > 12,
                "{size:?}"
            );
        }
    }
}

#[test]
fn sessions_of_no_lane_one_lane_and_200_lanes() {
    for lanes in [0, 1, 200] {
        let mut desk = Desk::new(lanes, 48_000);
        desk.keys("down up y t g h f s l v esc v V right left up down enter esc 0 u space p esc backspace j J delete");
        desk.keys("] ] [ { } page-down page-up end home = = - ) _");
        let picture = desk.picture();
        assert_eq!(picture.len(), 24);
    }
    let mut desk = Desk::new(200, 48_000);
    desk.keys("9 9 9 down");
    assert!(desk.picture().iter().any(|line| line.contains("200 take-200")), "{:#?}", desk.picture());
    assert!(desk.picture()[3].contains("1 take-1"), "the guide stays on top");
}

#[test]
fn names_with_wide_combining_and_control_characters_stay_in_their_place() {
    let mut session = session(4, 48_000);
    let names = [
        "合唱のリード声部・一番目のテイク",
        "e\u{301}e\u{301}e\u{301} zalgo\u{334}\u{335}",
        "bad\u{1b}[31m\nname\u{202e}",
        "🎤🎤🎤🎤🎤🎤🎤🎤🎤🎤",
    ];
    let mut start = session.song().clone();
    for (lane, name) in start.lanes.iter_mut().zip(names) {
        Arc::make_mut(lane).name = name.into();
    }
    session = Session::new("a\u{7}b".into(), RATE, None, session.assets.clone(), start);
    let desk = Desk::over(session, (80, 24), Shapes::Dots);
    let picture = desk.picture().join("\n");
    assert!(!picture.contains('\u{1b}') && !picture.contains('\u{202e}') && !picture.contains('\u{7}'));
    assert!(picture.contains("bad[31m name"), "{picture}");
    assert!(picture.contains("合"));
}

#[test]
fn a_key_edits_what_is_here_and_a_count_multiplies_it() {
    let mut desk = Desk::new(2, 480_000);
    desk.line("focus lane 2; cursor to 5s");
    desk.keys("f");
    assert_eq!(desk.regions(2), [(0, 240_000, 0, 0), (240_000, 240_000, 0, 0)]);
    // Five strides of 1 ms as one edit.
    desk.keys("5 h");
    assert_eq!(desk.regions(2)[1].0, 240_000 + 5 * 48);
    assert_eq!(desk.store.session().history.edits().last().unwrap().command, "shift +5ms on here");
    desk.line("cursor to 6s");
    desk.keys("n n G");
    assert_eq!(desk.regions(2)[1].0, 240_000 + 5 * 48 - 50 * 48, "the stride is 5 ms now, and G takes ten");
    desk.keys("backspace");
    assert_eq!(desk.regions(2)[1].0, 240_000 + 5 * 48);
    desk.keys("r");
    assert_eq!(desk.regions(2)[1].0, 240_000 - 45 * 48);
    // Repeating runs the last line that edited, not the undo.
    desk.keys("backspace \\");
    assert_eq!(desk.regions(2)[1].0, 240_000 - 45 * 48);
}

#[test]
fn fades_get_longer_and_bend_under_the_hands() {
    let mut desk = Desk::new(2, 480_000);
    desk.line("focus lane 2; stride 10ms; fade both 20ms");
    desk.keys("d d l k");
    assert_eq!(desk.regions(2), [(0, 480_000, 40 * 48, 20 * 48)]);
    desk.keys("c .");
    let region = desk.store.session().song().lanes[1].regions[0].clone();
    assert_eq!((region.fade_in.bend.0, region.fade_out.bend.0), (0.1, 0.1));
    desk.keys("x x x");
    assert_eq!(desk.store.session().song().lanes[1].regions[0].fade_in.bend.0, -0.2);
    // Shorter than nothing is nothing, and nothing twice is refused in words.
    desk.keys("S s");
    assert_eq!(desk.regions(2)[0].2, 0);
    assert!(desk.says().contains("so already"), "{}", desk.says());
}

#[test]
fn selected_regions_are_edited_together_and_taken_back_together() {
    let mut desk = Desk::new(3, 480_000);
    desk.line("focus lane 2; cursor to 5s; cut at cursor on lane 2,3");
    desk.keys("j down j");
    assert_eq!(desk.app.selected().len(), 2);
    assert!(desk.picture()[22].contains("2 selected"));
    desk.line("fade out 40ms on selected");
    assert_eq!((desk.regions(2)[1].3, desk.regions(3)[1].3), (1920, 1920));
    assert_eq!((desk.regions(2)[0].3, desk.regions(1)[0].3), (0, 0));
    desk.keys("backspace");
    assert_eq!((desk.regions(2)[1].3, desk.regions(3)[1].3), (0, 0));
    desk.keys("esc");
    assert_eq!(desk.app.selected().len(), 0);
    desk.line("fade out 40ms on selected");
    assert!(desk.says().contains("no region is selected"), "{}", desk.says());
}

#[test]
fn a_preset_on_everything_is_one_edit_and_one_undo() {
    let mut desk = Desk::new(5, 480_000);
    desk.keys("' P");
    assert!((1..=5).all(|number| desk.regions(number)[0].3 == 60 * 48), "{}", desk.says());
    desk.keys("backspace");
    assert!((1..=5).all(|number| desk.regions(number)[0].3 == 0));
    assert_eq!(desk.store.session().history.edits().len(), 1);
}

#[test]
fn a_wrong_line_stays_open_and_points_at_its_column() {
    let mut desk = Desk::new(2, 48_000);
    desk.line("fade out 12");
    let picture = desk.picture();
    assert!(picture[23].starts_with("= fade out 12"), "{}", picture[23]);
    assert_eq!(picture[22].find('^'), Some(2 + 9), "{}", picture[22]);
    assert!(picture[21].contains("column 10: `12` needs a unit"), "{}", picture[21]);
    desk.keys("m s enter");
    assert_eq!(desk.regions(1)[0].3, 12 * 48);
}

#[test]
fn tab_completes_verbs_of_both_tables_lanes_presets_and_themes() {
    let mut desk = Desk::new(2, 48_000);
    let typed = |desk: &mut Desk, start: &str| {
        desk.keys("enter");
        start.chars().for_each(|c| desk.event(Event::Key(Key::char(c))));
        desk.keys("tab");
        let line = desk.picture()[23].trim_end().to_owned();
        desk.keys("esc");
        line
    };
    assert_eq!(typed(&mut desk, "zo"), "= zoom");
    assert_eq!(typed(&mut desk, "cro"), "= crossfade");
    assert_eq!(typed(&mut desk, "fade preset so"), "= fade preset soft-ends");
    assert_eq!(typed(&mut desk, "mute on lane \"take-2"), "= mute on lane \"take-2\"");
    assert_eq!(typed(&mut desk, "theme e"), "= theme ember");
    assert_eq!(typed(&mut desk, "cut at cursor; zoom a"), "= cut at cursor; zoom all");
}

#[test]
fn the_palette_finds_by_a_few_letters_and_runs_or_opens() {
    let mut desk = Desk::new(3, 480_000);
    desk.keys("tab");
    "preset soft all".chars().for_each(|c| desk.event(Event::Key(Key::char(c))));
    assert!(
        desk.picture().iter().any(|line| line.contains("fade preset soft-ends on all")),
        "{:#?}",
        desk.picture()
    );
    desk.keys("enter");
    assert_eq!(desk.regions(3)[0].3, 60 * 48, "{}", desk.says());
    desk.keys("tab");
    "tail".chars().for_each(|c| desk.event(Event::Key(Key::char(c))));
    desk.keys("enter");
    assert!(desk.picture()[23].starts_with("= tail "), "{}", desk.picture()[23]);
}

#[test]
fn the_history_of_lines_comes_back_and_forth() {
    let mut desk = Desk::new(2, 48_000);
    desk.line("zoom all");
    desk.line("zoom in 2");
    desk.keys("enter up up");
    assert_eq!(desk.picture()[23].trim_end(), "= zoom all");
    desk.keys("down down");
    assert_eq!(desk.picture()[23].trim_end(), "=");
}

#[test]
fn a_paste_of_a_megabyte_is_held_in_bounds_and_said() {
    let mut desk = Desk::new(2, 48_000);
    desk.event(Event::Paste("shift +1ms\n".repeat(100_000)));
    assert!(desk.says().contains("a line holds no more"), "{}", desk.says());
    desk.keys("enter");
    assert!(desk.picture()[23].starts_with("= "));
    desk.keys("esc");
    assert_eq!(desk.store.session().history.edits().len(), 0, "a paste runs nothing by itself");
    desk.keys("enter");
    desk.event(Event::Paste("\u{1b}]0;x\u{7}mark \"ok\"".into()));
    assert!(!desk.picture().concat().contains('\u{1b}'));
}

#[test]
fn a_half_typed_chord_shows_what_may_follow_and_an_unknown_key_says_so() {
    let mut desk = Desk::new(2, 48_000);
    desk.keys("m");
    let picture = desk.picture().join("\n");
    assert!(picture.contains("name, level, state") && picture.contains("solo here"), "{picture}");
    desk.keys("esc");
    assert!(!desk.picture().join("\n").contains("solo here"));
    desk.keys("ctrl-g");
    assert!(desk.says().contains("nothing is bound to ctrl-g; f1 shows the keys"), "{}", desk.says());
}

#[test]
fn the_graph_is_walked_and_a_lane_is_brought_from_another_branch() {
    let mut desk = Desk::new(2, 480_000);
    desk.line("shift +10ms on lane 2");
    desk.line("mark \"first try\"");
    desk.keys("backspace");
    desk.line("shift +3ms on lane 2");
    desk.line("focus lane 2");
    desk.keys("V");
    let picture = desk.picture().join("\n");
    assert!(picture.contains("2 edits on 2 branches, 1 mark"), "{picture}");
    assert!(picture.contains("shift +3ms on lane 2"), "{picture}");
    desk.keys("up p");
    assert_eq!(desk.app.heard().map(|edit| edit.0), Some(1), "what is heard is not what is shown");
    assert_eq!(desk.regions(2)[0].0, 144);
    desk.keys("b");
    assert_eq!(desk.regions(2)[0].0, 480, "{}", desk.says());
    let edits = desk.store.session().history.edits();
    assert_eq!(edits.last().unwrap().parents.len(), 2);
    desk.keys("home enter");
    assert_eq!(desk.store.session().history.head().0, 0);
    assert_eq!(desk.regions(2)[0].0, 0);
}

#[test]
fn keys_of_listening_ask_the_player_for_what_they_say() {
    let mut desk = Desk::new(3, 480_000);
    desk.line("loop 1s..3s");
    desk.asked.clear();
    desk.keys("space");
    let play = desk.asked.iter().find_map(|effect| match effect {
        Effect::Transport(TransportRequest::Play { from, over }) => {
            Some((from.0, over.map(|span| (span.start.0, span.end.0))))
        }
        _ => None,
    });
    assert_eq!(play, Some((48_000, Some((48_000, 144_000)))));
    for (key, hear) in [("a", "this"), ("q", "guide"), ("z", "both"), ("/", "split"), (";", "stack")] {
        desk.asked.clear();
        desk.keys(key);
        let heard = desk.asked.iter().find_map(|effect| match effect {
            Effect::Transport(TransportRequest::Hear(audible)) => Some(audible.hear.word()),
            _ => None,
        });
        assert_eq!(heard, Some(hear));
        assert!(desk.picture()[0].contains(&format!("hears {hear}")));
    }
    desk.keys("space");
    assert!(desk.asked.contains(&Effect::Transport(TransportRequest::Stop)));
    desk.keys("> > >");
    assert_eq!(desk.app.audible().level_db, -17.0);
    desk.line("hear level to 13dB");
    assert!(desk.says().contains("too loud"), "{}", desk.says());
}

#[test]
fn the_view_follows_the_playhead_page_by_page_or_stays() {
    let mut desk = Desk::new(2, 4_800_000);
    desk.line("zoom to 10s; play cursor");
    let at = |seconds: i64| {
        Event::Playing(Playing { running: true, at: Position(seconds * 48_000), missed: 0, peaks: None })
    };
    desk.event(at(5));
    assert!(desk.picture()[2].contains('!'), "{}", desk.picture()[2]);
    desk.event(at(50));
    assert!(desk.picture()[2].contains('!'), "the playhead is in sight: {}", desk.picture()[2]);
    desk.line("follow off");
    desk.event(at(90));
    assert!(!desk.picture()[2].contains('!'));
}

#[test]
fn the_mouse_places_the_cursor_drags_an_edge_and_zooms() {
    let mut desk = Desk::new(2, 480_000);
    let mouse = |kind, x, y| Event::Mouse(Mouse { kind, x, y });
    desk.event(mouse(MouseKind::Press, 50, 16));
    assert_eq!(desk.app.cursor().unwrap().lane.0, 2);
    let at = desk.at();
    assert!((180_000..300_000).contains(&at), "{at}");
    desk.event(mouse(MouseKind::WheelUp, 50, 16));
    let column = desk.picture()[2].find('|').unwrap();
    assert!((49..=51).contains(&column), "zooming keeps the place under the mouse: {column}");
    desk.line("zoom all");
    let end = desk.picture()[13].rfind(']').unwrap() as u16;
    desk.event(mouse(MouseKind::Press, end, 16));
    desk.event(mouse(MouseKind::Drag, end - 10, 16));
    desk.event(mouse(MouseKind::Release, end - 10, 16));
    let length = desk.regions(2)[0].1;
    assert!((350_000..470_000).contains(&length), "{length}: {}", desk.says());
    assert_eq!(desk.store.session().history.edits().len(), 1);
}

#[test]
fn the_close_view_mirrors_two_lanes_and_names_the_seam() {
    let mut desk = Desk::over(session(2, 480_000), (80, 24), Shapes::Ascii);
    for id in [1, 2] {
        desk.event(Event::Peaks(AssetId(id), step_peaks(480_000)));
    }
    desk.line(
        "focus lane 2; cursor to 7s; cut at cursor on here; cursor to 7.5s; shift +20ms; cursor to 7.01s",
    );
    desk.asked.clear();
    desk.keys("v");
    let samples = desk.asked.iter().any(|effect| matches!(effect, Effect::Samples(AssetId(2), ..)));
    assert!(samples, "a close look asks for samples: {:?}", desk.asked);
    let picture = desk.picture();
    assert!(picture[1].contains("1 take-1  guide"), "{}", picture[1]);
    let lower = picture.iter().find(|line| line.contains("2 take-2")).unwrap();
    assert!(lower.contains("seam: gap of 20 ms"), "{lower}");
    // The guide stands on the axis, the double hangs from it.
    let axis = picture.iter().position(|line| line.contains("---")).unwrap();
    assert!(picture[axis - 1].contains('#') && picture[axis + 1].contains('#'), "{picture:#?}");
    desk.keys("v");
    assert!(desk.picture()[1].contains("0s"));
}

#[test]
fn the_help_and_the_log_can_be_read_to_their_ends() {
    let mut desk = Desk::new(1, 48_000);
    desk.keys("f1");
    assert!(desk.picture()[1].contains("two-hands"));
    (0..60).for_each(|_| desk.keys("page-down"));
    assert!(desk.picture().join("\n").contains("bring"), "{:#?}", desk.picture());
    desk.keys("esc");
    for number in 0..50 {
        desk.line(&format!("mark \"m{number}\""));
    }
    desk.keys("f5");
    assert!(desk.picture().join("\n").contains("m49"));
    (0..9).for_each(|_| desk.keys("page-up"));
    assert!(desk.picture().join("\n").contains("m0\""), "{:#?}", desk.picture());
}

#[test]
fn the_view_survives_as_text_and_nonsense_in_it_does_no_harm() {
    let mut desk = Desk::new(3, 480_000);
    desk.line("focus lane 3; cursor to 2s; zoom to 1s; collapse others; stride 5ms; view close");
    let text = serde_json::to_string(desk.app.view()).unwrap();
    let view: View = serde_json::from_str(&text).unwrap();
    assert_eq!(&view, desk.app.view());
    assert_eq!(view.pane, Pane::Close);
    let wild = r#"{"zoom": 30000, "close_zoom": -30000, "left": 9223372036854775807, "cursor": -9223372036854775808,
        "lane": 77, "top": 18446744073709551615, "height": 65535, "level_db": 1e300, "theme": "nowhere",
        "stride": {"Ms": -1e9}, "placed": true}"#;
    let mut other = Desk::new(3, 480_000);
    other.app = App::new(Setup {
        size: (80, 24),
        keymap: Keymap::new(),
        themes: Vec::new(),
        colours: ColourLevel::True,
        shapes: Shapes::Dots,
        view: serde_json::from_str(wild).unwrap(),
        history: Vec::new(),
        sound: String::new(),
    });
    other.event(Event::Resize(80, 24));
    assert_eq!(other.picture().len(), 24);
}

fn any_event() -> impl Strategy<Value = Event> {
    let names = [
        "enter",
        "tab",
        "shift-tab",
        "esc",
        "backspace",
        "delete",
        "home",
        "end",
        "page-up",
        "page-down",
        "up",
        "down",
        "left",
        "right",
        "f1",
        "f2",
        "f3",
        "f4",
        "f5",
        "space",
        "ctrl-left",
        "ctrl-right",
        "shift-left",
        "shift-right",
    ];
    let key = prop_oneof![
        4 => prop::sample::select(names.to_vec()).prop_map(|name| name.parse::<Key>().unwrap()),
        6 => prop::char::range('!', '~').prop_map(Key::char),
    ];
    let mouse = (0..5u8, 0..520u16, 0..220u16).prop_map(|(kind, x, y)| {
        let kinds =
            [MouseKind::Press, MouseKind::Drag, MouseKind::Release, MouseKind::WheelUp, MouseKind::WheelDown];
        Event::Mouse(Mouse { kind: kinds[usize::from(kind)], x, y })
    });
    let line = prop::sample::select(vec![
        "cut at cursor",
        "shift +900ms",
        "fade both 3s",
        "zoom samples",
        "zoom all",
        "view close",
        "loop here",
        "join on all",
        "restore on all",
        "remove on all",
        "undo 3",
        "cursor to 99s",
        "cursor -99s",
        "select all",
        "height 24",
        "mark \"x\"",
        "goto start",
        "walk first; walk go",
        "walk bring",
        "hear before",
        "theme ember",
    ]);
    prop_oneof![
        12 => key.prop_map(Event::Key),
        2 => mouse,
        1 => (1..500u16, 1..200u16).prop_map(|(w, h)| Event::Resize(w, h)),
        3 => line.prop_map(|line| Event::Paste(line.to_owned())),
        1 => any::<String>().prop_map(Event::Paste),
        1 => (any::<bool>(), -100_000..900_000i64)
            .prop_map(|(running, at)| Event::Playing(Playing { running, at: Position(at), missed: 0, peaks: None })),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]

    /// Whatever happens in whatever order at whatever size: no panic, and a picture of the right size.
    #[test]
    fn no_event_brings_the_screen_down(
        lanes in 0..6u64,
        size in (1..500u16, 1..200u16),
        events in prop::collection::vec(any_event(), 1..80),
    ) {
        let mut desk = Desk::over(session(lanes, 200_000), size, Shapes::Dots);
        for id in 1..=lanes {
            desk.event(Event::Peaks(AssetId(id), step_peaks(200_000)));
            desk.event(Event::Starts(AssetId(id), Starts { at: vec![50_000, 100_000 + id * 1000].into(), by: "a test" }));
        }
        for event in events {
            let submit = matches!(event, Event::Paste(_));
            desk.event(event);
            if submit {
                desk.keys("enter");
            }
            let picture = desk.picture();
            prop_assert_eq!(picture.len(), usize::from(desk.app.size().1));
        }
    }
}
