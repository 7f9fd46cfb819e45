//! The tone view: numbers by key, what is heard, and its picture.

use std::sync::Arc;

use tautline::listen::{BANDS, ToneLook};
use tautline::screen::keymap::{Keymap, Place};
use tautline::screen::{
    Effect, Event, Pane, Playing, Shapes, ToneEar, ToneHear, TransportRequest, check_line,
};
use tautline::song::{Position, Tone};

use crate::common::session;
use crate::desk::Desk;

const CHAIN: [&str; 4] = [
    "tone highpass 90Hz on lane 2",
    "tone eq 2 bell 1000Hz -12dB q 1.4 on lane 2",
    "tone deess 7500Hz threshold -30dB at most 8dB on lane 2",
    "tone compress threshold -20dB ratio 4 attack 5ms release 60ms knee 6dB on lane 2",
];

fn desk(size: (u16, u16), shapes: Shapes) -> Desk {
    let mut desk = Desk::over(session(3, 480_000), size, shapes);
    desk.keys("down f7");
    for line in CHAIN {
        desk.event(Event::Refused(tautline::command::Diagnostic::refusal("x")));
        let done = desk.edit(line);
        desk.event(done);
    }
    desk
}

fn tone(desk: &Desk) -> Tone {
    desk.store.session().song().lanes[1].tone.as_deref().cloned().unwrap_or_default()
}

/// Answers the newest look that was asked for.
fn answer(desk: &mut Desk, matched_db: f64) {
    let asked = desk.asked.iter().rev().find_map(|effect| match effect {
        Effect::ToneLook(lane) => Some(Arc::clone(lane)),
        _ => None,
    });
    let look = ToneLook {
        // Falls by half a dB a band.
        spectrum_db: (0..BANDS).map(|band| -0.5 * band as f32).collect(),
        start: Position(0),
        step: 4800,
        // An ess in the middle, the compressor all along.
        reductions: (0..100).map(|step| (if (48..52).contains(&step) { 12.0 } else { 0.0 }, 6.0)).collect(),
        matched_db: Some(matched_db),
    };
    desk.event(Event::Toned(asked.expect("a look was asked for"), Arc::new(look)));
}

fn heard(desk: &Desk) -> Option<ToneEar> {
    let of = |effect: &Effect| match effect {
        Effect::Transport(TransportRequest::Hear(audible)) => Some(audible.tone),
        _ => None,
    };
    desk.asked.iter().rev().find_map(of).flatten()
}

#[test]
fn the_view_shows_curve_spectrum_numbers_and_reductions_in_plain_ascii() {
    let mut desk = desk((80, 24), Shapes::Ascii);
    answer(&mut desk, -3.0);
    let picture = desk.picture();
    assert!(picture.iter().all(|line| line.is_ascii()));
    assert!(picture[1].contains("2 take-2") && picture[1].contains("with its tone"), "{picture:#?}");
    assert!(picture[1].contains("tone -3.0 LU"), "{picture:#?}");
    let row = |text: &str| {
        picture.iter().position(|line| line.contains(text)).unwrap_or_else(|| panic!("{text}: {picture:#?}"))
    };
    // Numbers, the first one in hand, each stage on its own line.
    assert!(picture[row("[high-pass 90Hz]")].contains("2 bell 1000Hz"), "{picture:#?}");
    assert!(picture[row("at most +8.0dB")].contains("de-esser"), "{picture:#?}");
    assert!(picture[row("ratio 4:1")].contains("compressor"), "{picture:#?}");
    // The curve: on the line of 0 dB at 5 kHz, below it at 1 kHz.
    let axis = row("10k Hz");
    let column = |text: &str| picture[axis].find(text).unwrap();
    let marks = |x: usize| -> Vec<usize> {
        (2..axis).filter(|y| matches!(picture[*y].as_bytes()[x], b'*' | b'_')).collect()
    };
    let (middle, dip) = (marks(column("3k") + 3), marks(column("1k")));
    assert_eq!(middle.len(), 1, "{picture:#?}");
    assert!(dip.iter().min() > middle.iter().max(), "{picture:#?}");
    // The spectrum stands under it, higher on the left.
    let bars = |x: usize| (2..axis).filter(|y| picture[*y].as_bytes()[x] == b'#').count();
    assert!(bars(column("100") + 1) > bars(column("10k") + 1), "{picture:#?}");
    assert!(picture[2].contains("de-esser") && picture[2].contains("compressor"), "{picture:#?}");
    // Along the lane: one ess, and the compressor all the way.
    let (esses, squeezed) = (&picture[20], &picture[21]);
    assert!(esses.contains(" de-esser") && squeezed.contains(" compressor"), "{picture:#?}");
    let loud = |line: &str| line.bytes().skip(20).filter(|b| !b" |!".contains(b)).count();
    assert!((1..12).contains(&loud(esses)) && loud(squeezed) > 30, "{picture:#?}");
}

#[test]
fn reductions_move_with_the_playhead() {
    let mut desk = desk((80, 24), Shapes::Ascii);
    answer(&mut desk, 0.0);
    desk.keys("space");
    let playing =
        |at: i64, reduction| Playing { running: true, at: Position(at), missed: 0, levels: None, reduction };
    // From what was measured beforehand ...
    desk.event(Event::Playing(playing(240_000, None)));
    assert!(desk.picture()[20].contains("de-esser   12.0"), "{:#?}", desk.picture());
    desk.event(Event::Playing(playing(48_000, None)));
    assert!(desk.picture()[20].contains("de-esser    0.0"), "{:#?}", desk.picture());
    // ... or from the player, which knows better.
    desk.event(Event::Playing(playing(60_000, Some((2.5, 7.25)))));
    let picture = desk.picture();
    assert!(
        picture[20].contains("de-esser    2.5") && picture[21].contains("compressor  7."),
        "{picture:#?}"
    );
    assert!(picture.iter().any(|line| line.contains("takes  2.5 dB")), "{picture:#?}");
}

#[test]
fn numbers_turn_by_key_and_every_turn_is_an_edit() {
    let mut desk = desk((80, 24), Shapes::Ascii);
    desk.keys("right");
    assert_eq!(tone(&desk).highpass.unwrap().frequency_hz, 95.0);
    desk.keys("left left");
    assert_eq!(tone(&desk).highpass.unwrap().frequency_hz, 85.0);
    // The gain of band 2: high-pass, band 1 (off), band 2's frequency, its gain.
    desk.keys("down down down right 4 right");
    assert_eq!(tone(&desk).bands[1].unwrap().gain_db.0, -9.5);
    // Band 1 comes in where it is asked for.
    desk.keys("up up right");
    assert!(tone(&desk).bands[0].is_some());
    desk.keys("delete");
    assert!(tone(&desk).bands[0].is_none());
    desk.keys("x");
    assert!(tone(&desk).skip.len() == 1 && desk.picture().iter().any(|line| line.contains("eq LEFT OUT")));
    desk.keys("x X");
    assert!(tone(&desk).skip.is_empty() && tone(&desk).bypass);
    desk.keys("X =");
    assert!(desk.picture().iter().any(|line| line.contains("tone eq 1")), "{:#?}", desk.picture());
    desk.keys("esc backspace");
    assert!(tone(&desk).bypass, "an undo takes back the last turn");
    // A number at its end stays there.
    desk.keys("backspace");
    desk.line("knob next 99");
    desk.keys("9 9 9 right");
    assert_eq!(tone(&desk).gain_db.0, 24.0);
}

#[test]
fn what_is_heard_of_the_lane_is_one_key_each_and_ends_with_the_view() {
    let mut desk = desk((80, 24), Shapes::Ascii);
    // The first answer is of the lane before the last edits.
    answer(&mut desk, -1.0);
    answer(&mut desk, -4.5);
    desk.keys("b");
    assert_eq!(heard(&desk), Some(ToneEar { hear: ToneHear::Plain, search_hz: None, gain_db: -4.5 }));
    assert!(desk.says().contains("-4.5 dB to be as loud"), "{}", desk.says());
    assert!(desk.picture()[1].contains("before its tone"), "{:#?}", desk.picture());
    desk.keys("n");
    assert_eq!(heard(&desk), None);
    desk.keys("d");
    assert_eq!(heard(&desk).map(|ear| ear.hear), Some(ToneHear::Taken));
    desk.keys("e");
    assert_eq!(heard(&desk).map(|ear| ear.hear), Some(ToneHear::Detector));
    desk.keys("e . . .");
    let hz = heard(&desk).and_then(|ear| ear.search_hz).unwrap();
    assert!((hz / 3000.0 - 2f64.powf(2.0 / 12.0)).abs() < 1e-9, "{hz}");
    assert!(desk.picture()[1].contains("search 3367 Hz"), "{:#?}", desk.picture());
    desk.keys(",");
    assert!(heard(&desk).and_then(|ear| ear.search_hz).unwrap() < hz);
    desk.keys("esc");
    assert_eq!((heard(&desk), desk.app.view().pane), (None, Pane::Lanes));
    // A lane without a de-esser says so.
    desk.keys("down f7 d");
    assert!(desk.says().contains("no de-esser"), "{}", desk.says());
}

#[test]
fn a_match_that_was_not_known_yet_is_heard_once_it_is() {
    let mut desk = desk((80, 24), Shapes::Ascii);
    desk.keys("b");
    assert_eq!(heard(&desk).map(|ear| ear.gain_db), Some(0.0));
    assert!(desk.says().contains("being measured"), "{}", desk.says());
    // The look that was asked for is of an older state of the lane; the next one is of this.
    answer(&mut desk, -2.0);
    assert_eq!(heard(&desk).map(|ear| ear.gain_db), Some(-2.0));
    answer(&mut desk, -6.0);
    assert_eq!(heard(&desk).map(|ear| ear.gain_db), Some(-6.0));
}

#[test]
fn every_size_and_every_kind_of_glyph_is_drawn() {
    for size in [(60, 16), (61, 17), (80, 24), (100, 30), (160, 45), (400, 120)] {
        for shapes in [Shapes::Dots, Shapes::Blocks, Shapes::Ascii] {
            let mut desk = desk(size, shapes);
            answer(&mut desk, -1.0);
            desk.keys("9 down .");
            let picture = desk.picture();
            let all = picture.concat();
            // The number in hand is on the screen whatever its size, and so are the lane and the reductions.
            assert!(
                all.contains('[') && all.contains("2 take-2") && all.contains("compressor"),
                "{size:?} {picture:#?}"
            );
            assert!(all.contains("search 3000 Hz"), "{size:?} {picture:#?}");
        }
    }
    // A song without lanes, and a lane without a tone.
    let mut none = Desk::new(0, 48_000);
    none.keys("f7 right");
    assert!(none.picture().concat().contains("no lanes"));
    let mut bare = Desk::new(2, 48_000);
    bare.keys("down f7");
    assert!(bare.picture().concat().contains("[high-pass off]"), "{:#?}", bare.picture());
}

#[test]
fn all_keymaps_have_the_keys_of_the_view() {
    let base = include_str!("../../keymaps/two-hands.toml");
    for (name, text) in [
        ("two-hands", base),
        ("left-alone", include_str!("../../keymaps/left-alone.toml")),
        ("number-pad", include_str!("../../keymaps/number-pad.toml")),
    ] {
        let mut keymap = Keymap::new();
        assert_eq!(keymap.read(base, "two-hands", &check_line), vec![]);
        assert_eq!(keymap.read(text, name, &check_line), vec![]);
        for line in [
            "knob next",
            "knob more",
            "knob less",
            "knob bypass",
            "hear plain",
            "hear toned",
            "hear taken",
            "hear detector",
            "sweep up",
            "sweep off",
        ] {
            let bound = keymap
                .all()
                .any(|(place, _, binding)| place == Place::Tone && binding.line.starts_with(line));
            assert!(bound, "{name}: {line}");
        }
        assert!(keymap.chord_for("view tone").is_some(), "{name}");
    }
}
