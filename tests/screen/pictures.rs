//! Pictures as text.

use std::sync::Arc;

use crate::common::{RATE, session};
use crate::desk::{Desk, step_peaks};
use tautline::edit::Session;
use tautline::screen::keymap::Keymap;
use tautline::screen::{App, ColourLevel, Effect, Event, Pane, Playing, Setup, Shapes, Starts, View};
use tautline::song::{AssetId, Position};

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
    #[expect(clippy::needless_range_loop, reason = "rows are named by their number")]
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
fn bars_stand_under_the_seconds_where_the_song_has_a_tempo() {
    use tautline::song::{Tempo, TempoMap};
    let mut song = session(2, 480_000);
    // 120 BPM in 4/4 from 1 s on: bar 2 begins at 3 s.
    let tempi = vec![Tempo { tick: 0, us_per_quarter: 500_000 }];
    let tempo = TempoMap { ticks_per_quarter: 480, origin: Position(48_000), tempi, meters: vec![] };
    song.tempo = Some(tempo);
    let mut desk = Desk::over(song, (120, 24), Shapes::Ascii);
    let picture = desk.picture();
    let column =
        |row: usize, text: &str| picture[row].find(text).unwrap_or_else(|| panic!("{}", picture[row]));
    // A mark stands at its place, its number behind it: bar 2 begins with second 3, bar 3 with second 5.
    let seconds = column(1, "'6s") as f64 - column(1, "'2s") as f64;
    assert!(
        (column(2, "'2 ") as f64 - column(1, "'2s") as f64 - seconds / 4.0).abs() <= 1.0,
        "{:?}",
        &picture[1..3]
    );
    assert!(
        (column(2, "'3 ") as f64 - column(2, "'2 ") as f64 - seconds / 2.0).abs() <= 1.0,
        "{:?}",
        &picture[1..3]
    );
    // Beats come with the zoom, and the seconds stay.
    desk.keys("= =");
    assert!(desk.picture()[2].contains("'1.2"), "{:?}", &desk.picture()[1..3]);
}

#[test]
fn every_size_from_tiny_to_huge_is_drawn_and_a_small_one_says_so() {
    for size in [(1, 1), (5, 3), (59, 20), (60, 15), (60, 16), (80, 24), (160, 45), (400, 120), (500, 200)] {
        let mut desk = Desk::over(session(7, 100_000), size, Shapes::Dots);
        desk.event(Event::Peaks(AssetId(1), step_peaks(100_000)));
        for keys in ["v", "f4", "f7", "f5", "f1", "esc", "tab"] {
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
fn the_view_follows_the_playhead_page_by_page_or_stays() {
    let mut desk = Desk::new(2, 4_800_000);
    desk.line("zoom to 10s; play cursor");
    let at = |seconds: i64| {
        Event::Playing(Playing { running: true, at: Position(seconds * 48_000), ..Playing::default() })
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
