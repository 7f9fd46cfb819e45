//! Anything in any order.

use crate::common::session;
use crate::desk::{Desk, step_peaks};
use proptest::prelude::*;
use tautline::screen::key::Key;
use tautline::screen::{Event, Mouse, MouseKind, Playing, Shapes, Starts};
use tautline::song::{AssetId, Position};

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
            .prop_map(|(running, at)| Event::Playing(Playing { running, at: Position(at), missed: 0, levels: None, reduction: None })),
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
