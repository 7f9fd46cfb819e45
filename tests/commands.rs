//! What each verb does, in exact samples, and what it refuses.

mod common;

use common::{refusal, run, shape, store};
use tautline::command::{VERBS, complete, parse};
use tautline::song::{Curve, Length, Position};

const FRAMES: u64 = 240_000;

macro_rules! scene {
    ($store:ident) => {
        let folder = tempfile::tempdir().unwrap();
        #[allow(unused_mut)]
        let mut $store = store(folder.path(), 4, FRAMES);
    };
}

#[test]
fn the_line_of_the_first_promise_gives_exactly_its_numbers() {
    scene!(s);
    run(
        &mut s,
        "cut at 1.5s on lane 2; shift +12ms on lane 2 at 1.6s..end; fade both 5ms on lane 2; undo; redo",
    )
    .unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 72_000, 240, 240), (72_576, 72_000, 168_000, 240, 240)]);
    assert_eq!(s.session().history.head().0, 3);
}

#[test]
fn spans_take_regions_that_start_in_them_and_an_open_end_reaches_to_the_last() {
    scene!(s);
    run(&mut s, "cut at 1s,2s,3s on lane 2").unwrap();
    run(&mut s, "gain -3dB on lane 2 at 1s..2.5s").unwrap();
    let gains = |s: &tautline::edit::Store| -> Vec<f64> {
        s.session().song().lanes[1].regions.iter().map(|r| r.gain_db.0).collect()
    };
    assert_eq!(gains(&s), vec![0.0, -3.0, -3.0, 0.0]);
    run(&mut s, "gain to 1dB on lane 2 at 1.5s..end").unwrap();
    assert_eq!(gains(&s), vec![0.0, -3.0, 1.0, 1.0]);
    run(&mut s, "gain to 2dB on lane 2 at 3.5s..end").unwrap();
    assert_eq!(gains(&s), vec![0.0, -3.0, 1.0, 2.0]);
    let text = refusal(&mut s, "gain +1dB on lane 2 at 1.2s..1.8s");
    assert!(text.contains("no region of lane 2 (take-2) starts in 1.2s..1.8s"), "{text}");
    assert!(text.contains("`at 1.2s` means that one"), "{text}");
}

#[test]
fn a_cut_needs_sound_under_it_and_no_fade_around_it() {
    scene!(s);
    assert!(refusal(&mut s, "cut at 9s on lane 2").contains("no region"));
    assert!(refusal(&mut s, "cut at 0s on lane 2").contains("an edge at 0s already"));
    run(&mut s, "fade in 100ms on lane 2").unwrap();
    assert!(refusal(&mut s, "cut at 0.05s on lane 2").contains("inside a fade"));
    assert!(refusal(&mut s, "cut at 1s,9s on lane 2").contains("9s"));
    run(&mut s, "cut at 1s on all").unwrap();
    assert_eq!(shape(&s, 1).len(), 1, "`all` leaves the guide alone");
    assert_eq!((shape(&s, 2).len(), shape(&s, 4).len()), (2, 2));
}

#[test]
fn join_takes_a_cut_back_and_refuses_pieces_that_moved() {
    scene!(s);
    run(&mut s, "cut at 1s,2s on lane 2; fade out 5ms on lane 2 at 0.5s; join on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, FRAMES, 0, 0)]);
    run(&mut s, "cut at 1s on lane 2; shift +1ms on lane 2 at 2s").unwrap();
    assert!(refusal(&mut s, "join on lane 2").contains("do not flow into each other"));
    assert!(refusal(&mut s, "join on lane 2 at 2s").contains("last on lane 2"));
}

#[test]
fn an_overlap_becomes_a_crossfade_and_follows_later_moves() {
    scene!(s);
    run(&mut s, "cut at 1s on lane 2; shift -10ms on lane 2 at 1s").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 48_000, 0, 480), (47_520, 48_000, 192_000, 480, 0)]);
    let lane = &s.session().song().lanes[1];
    assert_eq!(lane.regions[0].fade_out.curve, Curve::EqualPower);
    run(&mut s, "shift -5ms on lane 2 at 2s").unwrap();
    assert_eq!(shape(&s, 2)[0].4, 720);
    run(&mut s, "shift +16ms on lane 2 at 2s").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 48_000, 0, 720), (48_048, 48_000, 192_000, 720, 0)]);
}

#[test]
fn regions_do_not_pass_each_other_nor_overlap_beyond_neighbours() {
    scene!(s);
    run(&mut s, "cut at 1s,1.1s on lane 2").unwrap();
    let text = refusal(&mut s, "shift -2s on lane 2 at 2s");
    assert!(text.contains("lane 2") && text.contains("nothing was changed"), "{text}");
    assert!(refusal(&mut s, "shift -150ms on lane 2 at 2s").contains("nothing was changed"));
    run(&mut s, "shift -2s on lane 2").unwrap();
    assert_eq!(shape(&s, 2)[0].0, -96_000, "a whole lane may begin before the song's origin");
}

#[test]
fn shift_to_a_position_moves_the_first_region_there_and_the_rest_along() {
    scene!(s);
    run(&mut s, "cut at 1s,2s on lane 2; shift to 1.5s on lane 2 at 1s..end").unwrap();
    let starts: Vec<i64> = shape(&s, 2).iter().map(|region| region.0).collect();
    assert_eq!(starts, vec![0, 72_000, 120_000]);
}

#[test]
fn fades_change_only_what_is_said() {
    scene!(s);
    run(&mut s, "fade out 40ms curve equal-power bend 0.3 on all").unwrap();
    for number in 1..=4 {
        assert_eq!(shape(&s, number)[0].4, 1920, "`fade … on all` means the guide too");
    }
    run(&mut s, "fade out 10ms on lane 2; fade both bend -0.5 on lane 2").unwrap();
    let fade = s.session().song().lanes[1].regions[0].fade_out;
    assert_eq!((fade.length, fade.curve, fade.bend.0), (Length(480), Curve::EqualPower, -0.5));
}

#[test]
fn fades_that_do_not_fit_are_refused_or_fitted() {
    scene!(s);
    run(&mut s, "cut at 10ms on lane 2").unwrap();
    let text = refusal(&mut s, "fade both 20ms on lane 2");
    assert!(text.contains("480 samples long") && text.contains("fit"), "{text}");
    run(&mut s, "fade both 20ms fit on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 480, 240, 240), (480, 480, FRAMES - 480, 960, 960)]);
}

#[test]
fn missing_fades_spare_cuts_that_have_not_moved() {
    scene!(s);
    run(&mut s, "cut at 1s,2s on lane 2; shift +3ms on lane 2 at 2.5s; fade missing 4ms on lane 2").unwrap();
    assert_eq!(
        shape(&s, 2),
        vec![(0, 0, 48_000, 192, 0), (48_000, 48_000, 48_000, 0, 192), (96_144, 96_000, 144_000, 192, 192)]
    );
    assert!(refusal(&mut s, "fade missing on lane 2").contains("lacks a fade"));
}

#[test]
fn crossfades_reach_to_both_sides_of_a_joint_as_far_as_the_recording_goes() {
    scene!(s);
    run(&mut s, "cut at 1s on lane 2; crossfade 10ms on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 48_240, 0, 480), (47_760, 47_760, 192_240, 480, 0)]);
    run(&mut s, "crossfade 4ms curve raised-cosine on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 48_096, 0, 192), (47_904, 47_904, 192_096, 192, 0)]);
    run(&mut s, "remove on lane 2 at 0.5s; remove 1s..2s on lane 2").unwrap();
    assert!(refusal(&mut s, "crossfade 10ms on lane 2").contains("no two regions of the scope touch"));
    assert!(refusal(&mut s, "crossfade 0ms on lane 2").contains("no length"));
}

#[test]
fn edges_move_over_the_recording_and_stop_at_its_ends() {
    scene!(s);
    run(&mut s, "edge start +100ms on lane 2; edge end to 4s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(4800, 4800, 187_200, 0, 0)]);
    let text = refusal(&mut s, "edge start -101ms on lane 2");
    assert!(text.contains("its recording lies from 0s to 5s"), "{text}");
    assert!(refusal(&mut s, "edge end to 50ms on lane 2").contains("nothing of region"));
}

#[test]
fn what_was_removed_comes_back_where_the_recording_goes_on() {
    scene!(s);
    run(&mut s, "remove 1s..2s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 48_000, 0, 0), (96_000, 96_000, 144_000, 0, 0)]);
    run(&mut s, "restore 1.2s..1.5s on lane 2").unwrap();
    assert_eq!(shape(&s, 2)[1], (57_600, 57_600, 14_400, 0, 0));
    run(&mut s, "restore on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, FRAMES, 0, 0)], "pieces that flow into each other are joined");
    run(&mut s, "remove on lane 2; restore 0.5s..1s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(24_000, 24_000, 24_000, 0, 0)], "an emptied lane remembers its take");
    assert!(refusal(&mut s, "restore on lane 3").contains("no gap"));
}

#[test]
fn restoring_a_gap_leaves_the_gain_of_the_region_after_it() {
    scene!(s);
    run(&mut s, "cut at 2s on lane 2; gain -6dB on lane 2 at 3s; remove 1s..2s on lane 2; restore on lane 2")
        .unwrap();
    let gains: Vec<f64> = s.session().song().lanes[1].regions.iter().map(|r| r.gain_db.0).collect();
    assert_eq!(gains, vec![0.0, -6.0]);
    assert_eq!(shape(&s, 2), vec![(0, 0, 96_000, 0, 0), (96_000, 96_000, 144_000, 0, 0)]);
}

#[test]
fn removed_sound_of_a_slid_piece_comes_back_slid() {
    scene!(s);
    run(&mut s, "shift +10ms on lane 2; remove 1s..2s on lane 2; restore on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(480, 0, FRAMES, 0, 0)]);
}

#[test]
fn tails_end_with_a_fade_at_the_position() {
    scene!(s);
    run(&mut s, "tail to 3s on lane 2,3").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 144_000, 0, 3840)]);
    assert_eq!(s.session().song().lanes[1].regions[0].fade_out.curve, Curve::RaisedCosine);
    run(&mut s, "tail to 2s fade 150ms curve exponential on lane 3").unwrap();
    assert_eq!(shape(&s, 3), vec![(0, 0, 96_000, 0, 7200)]);
    let text = refusal(&mut s, "tail to 2.5s on role double");
    assert!(text.contains("lane 3 (take-3)") && text.contains("ends at 2s"), "{text}");
    assert!(refusal(&mut s, "tail to guide on all").contains("needs to hear the recordings"));
}

#[test]
fn trims_keep_what_lies_between() {
    scene!(s);
    run(&mut s, "fade both 10ms on lane 2; cut at 2s on lane 2; trim to 1s..3s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(48_000, 48_000, 48_000, 480, 0), (96_000, 96_000, 48_000, 0, 480)]);
    run(&mut s, "trim start to 2.5s on lane 2; trim end to 2.75s on all").unwrap();
    assert_eq!(shape(&s, 2), vec![(120_000, 120_000, 12_000, 0, 480)]);
    assert_eq!(shape(&s, 1)[0].2, 132_000, "`trim … on all` means the guide too");
    assert!(refusal(&mut s, "trim gaps on all").contains("needs to hear the recordings"));
}

#[test]
fn a_span_that_ends_inside_a_crossfade_leaves_one_side_of_it() {
    scene!(s);
    run(&mut s, "cut at 2s on lane 2; crossfade 100ms on lane 2; mark crossed").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 98_400, 0, 4800), (93_600, 93_600, 146_400, 4800, 0)]);
    run(&mut s, "remove 2.01s..3s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 96_480, 0, 4800), (144_000, 144_000, 96_000, 0, 0)]);
    run(&mut s, "goto crossed; trim start to 1.99s on lane 2").unwrap_err();
    run(&mut s, "goto \"crossed\"; trim start to 1.99s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(95_520, 95_520, 144_480, 4800, 0)]);
    run(&mut s, "goto \"crossed\"; remove 1.99s..2.01s on lane 2").unwrap();
    assert_eq!(shape(&s, 2), vec![(0, 0, 95_520, 0, 0), (96_480, 96_480, 143_520, 0, 0)]);
}

#[test]
fn lane_values_are_set_and_solo_is_exclusive() {
    scene!(s);
    run(&mut s, "gain -3dB on lane 2; gain -1.5dB on lane 2; pan -0.4 on lane 2; polarity invert on lane 2")
        .unwrap();
    run(&mut s, "mute on lane 3; solo lane 1,3; solo lane 2,4; lane name \"high third\" on lane 4").unwrap();
    let lanes = &s.session().song().lanes;
    assert_eq!((lanes[1].gain_db.0, lanes[1].pan.0), (-4.5, -0.4));
    let solo: Vec<bool> = lanes.iter().map(|lane| lane.solo).collect();
    assert_eq!((solo, lanes[2].mute), (vec![false, true, false, true], true));
    run(&mut s, "role guide on lane \"high third\"; lane to 1 on lane 4").unwrap();
    let lanes = &s.session().song().lanes;
    assert_eq!((lanes[0].name.as_str(), lanes[0].role.word()), ("high third", "guide"));
    assert_eq!(lanes[1].role.word(), "double");
    assert!(refusal(&mut s, "gain +60dB on lane 2").contains("out of range"));
    assert!(refusal(&mut s, "lane name \"x\" on lane 2,3").contains("2 lanes"));
}

#[test]
fn loops_notes_and_scopes_by_loop() {
    scene!(s);
    assert!(refusal(&mut s, "gain -1dB on loop").contains("no loop is set"));
    run(&mut s, "cut at 1s,2s,3s on lane 2; loop 1.5s..2.5s; gain -2dB on loop").unwrap();
    let gains: Vec<f64> = s.session().song().lanes[1].regions.iter().map(|r| r.gain_db.0).collect();
    assert_eq!(gains, vec![0.0, -2.0, -2.0, 0.0]);
    assert!(refusal(&mut s, "loop 3s..2s").contains("empty"));
    run(&mut s, "note \"check the t; it is soft\" at 3.1s on lane 2").unwrap();
    let note = &s.session().song().lanes[1].notes[0];
    assert_eq!((note.text.as_str(), note.at), ("check the t; it is soft", Some(Position(148_800))));
}

#[test]
fn the_graph_branches_and_lanes_are_brought_from_another_branch() {
    scene!(s);
    run(&mut s, "cut at 1s on lane 2; shift +5ms on lane 2 at 2s; mark \"first try\"").unwrap();
    let first = shape(&s, 2);
    run(&mut s, "undo 2; cut at 2s on lane 2; cut at 3s on lane 3; gain -6dB on lane 2").unwrap();
    assert_eq!(s.session().history.edits().len(), 5);
    let third = shape(&s, 3);
    run(&mut s, "bring lane 2 from \"first try\"").unwrap();
    assert_eq!((shape(&s, 2), shape(&s, 3)), (first, third));
    assert_eq!(s.session().song().lanes[1].gain_db.0, 0.0);
    let edit = s.session().history.edits().last().unwrap().clone();
    assert_eq!(edit.parents.iter().map(|id| id.0).collect::<Vec<_>>(), vec![5, 2]);
    run(&mut s, "undo; redo; goto start; goto edit 6; goto \"first try\"").unwrap();
    assert_eq!(s.session().history.head().0, 2);
    assert!(refusal(&mut s, "goto \"frist try\"").contains("did you mean \"first try\"?"));
    assert!(refusal(&mut s, "undo 3").contains("only 2 steps"));
    assert!(refusal(&mut s, "bring lane 2 from edit 99").contains("the newest is 6"));
}

#[test]
fn wrong_lines_name_the_column_and_what_could_stand_there() {
    scene!(s);
    for (line, parts) in [
        ("shift +12", &["column 7", "`12` needs a unit: ms, s or smp"][..]),
        ("shift 12ms on lane 2", &["column 7", "needs a sign"]),
        ("fade out 40ms curve equl-power on all", &["column 21", "did you mean `equal-power`?"]),
        ("ct at 1s", &["column 1", "no verb `ct`", "`cut`"]),
        ("split at 1s", &["`cut` does that"]),
        ("cut at 1s on lane 9", &["no lane 9", "1 to 4"]),
        ("cut at 1s on lane 2 at 2s extra", &["column 27", "`extra` cannot stand here"]),
        ("cut at", &["ends too soon", "positions such as"]),
        ("gain 3dB on lane 2", &["column 6", "needs a sign"]),
        ("pan 2 on lane 2", &["column 5", "from -1 to 1"]),
        ("cut at word 3 on lane 2", &["needs to hear the recordings"]),
        ("cut at bar 3.1 on lane 2", &["no tempo"]),
        ("cut at cursor", &["no cursor in a script"]),
        ("mark \"open", &["column 6", "closing quote"]),
        ("cut at 1s on lane 2 on lane 3", &["column 21"]),
        ("cut at 99999999999s on lane 2", &["out of reach"]),
        ("12ms", &["begins with a verb"]),
        ("fade both on lane 2", &["column 11"]),
    ] {
        let text = refusal(&mut s, line);
        for part in parts {
            assert!(text.contains(part), "{line}\n  gave: {text}\n  without: {part}");
        }
    }
}

#[test]
fn a_wrong_command_keeps_the_whole_line_from_running() {
    assert!(parse("cut at 1s on lane 2; shfit +3ms on lane 2").is_err());
    assert!(parse("  # only a comment").unwrap().is_empty());
    assert_eq!(parse("undo; ; redo;").unwrap().len(), 2);
}

#[test]
fn every_example_of_the_table_can_be_read_and_names_are_unique() {
    let mut names = std::collections::HashSet::new();
    for verb in VERBS {
        assert!(names.insert(verb.name), "{} stands twice", verb.name);
        assert!(!verb.about.is_empty() && !verb.examples.is_empty(), "{} lacks help", verb.name);
        for example in verb.examples {
            let commands = parse(example).unwrap_or_else(|error| panic!("{example}: {error}"));
            assert_eq!(commands[0].call.verb.name, verb.name);
        }
        for word in verb.also {
            assert!(VERBS.iter().all(|verb| verb.name != *word), "{word} is a verb itself");
        }
    }
}

#[test]
fn completion_offers_what_the_table_allows() {
    let texts = |line: &str| -> Vec<String> {
        complete(line, None).into_iter().map(|candidate| candidate.text).collect()
    };
    assert_eq!(texts("cro"), vec!["crossfade"]);
    assert_eq!(texts("fade out 40ms curve eq"), vec!["equal-power"]);
    assert_eq!(texts("cut at 1s on "), vec!["all", "here", "selected", "loop", "lane", "role"]);
    assert_eq!(texts("cut at 1s on role har"), vec!["harmony"]);
    assert!(texts("cut at 1s on lane 2 ").contains(&"at".to_owned()));
    assert!(texts("undo; go").contains(&"goto".to_owned()));
    assert!(texts("nonsense ").is_empty());
}
