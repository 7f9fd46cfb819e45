//! Keys, lines and the mouse: what they do to the state and to the song.

use crate::desk::Desk;
use tautline::screen::key::Key;
use tautline::screen::{Effect, Event, Mouse, MouseKind, TransportRequest};

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
