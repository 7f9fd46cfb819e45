//! `new`: a session from recordings.

use serde_json::json;

use crate::program::{Desk, RATE};

#[test]
fn new_prints_one_document_with_every_lane_and_nothing_else() {
    let desk = Desk::new();
    desk.take("lead vox.wav", RATE, 1, 96_000);
    desk.take("HarmHigh.wav", 44_100, 2, 44_100);
    desk.take("x7.wav", RATE, 1, 48_000);
    desk.take("bed.wav", RATE, 2, 48_000);
    let said = desk
        .tautline(&[
            "new",
            "s.json",
            "--json",
            "--backing",
            "bed.wav",
            "x7.wav",
            "HarmHigh.wav",
            "lead vox.wav",
        ])
        .ends(0);
    assert_eq!(said.err, "");
    let document = said.json();
    assert_eq!(document["session"], "s.json");
    assert_eq!(document["rate"], 48_000);
    let lanes = document["lanes"].as_array().unwrap();
    let found: Vec<_> = lanes
        .iter()
        .map(|lane| json!([lane["number"], lane["name"], lane["role"], lane["role_guessed_from"]]))
        .collect();
    assert_eq!(
        json!(found),
        json!([
            [1, "lead vox", "guide", "lead"],
            [2, "x7", "double", null],
            [3, "HarmHigh", "harmony", "harm high"],
            [4, "bed", "backing", null],
        ])
    );
    let harmony = &lanes[2];
    assert_eq!((&harmony["info"]["rate"], &harmony["info"]["channels"]), (&json!(44_100), &json!(2)));
    assert_eq!((&harmony["info"]["frames"], &harmony["start"]), (&json!(44_100), &json!(0)));
    assert_eq!(harmony["blake3"].as_str().unwrap().len(), 64);
    assert!(harmony["peak"].as_f64().unwrap() > 0.05 && harmony["noise_floor_db"].as_f64().unwrap() < -10.0);
    // A second at 44.1 kHz is a second at the session's rate.
    let shown = desk.tautline(&["show", "s.json", "--json"]).ends(0).json();
    assert_eq!(shown["lanes"][2]["regions"][0]["length"], 48_000);
}

#[test]
fn a_told_guide_wins_over_names_and_a_folder_is_read_in_order() {
    let desk = Desk::new();
    std::fs::create_dir(desk.path("takes")).unwrap();
    for name in ["b lead.wav", "a.wav", "c double.wav", ".hidden lead.wav"] {
        desk.take(&format!("takes/{name}"), RATE, 1, 4_800);
    }
    desk.put("takes/lyrics.txt", "not a recording");
    desk.tautline(&["new", "s.json", "--guide", "takes/c double.wav", "takes"]).ends(0);
    let shown = desk.tautline(&["show", "s.json", "--json"]).ends(0).json();
    let lanes: Vec<_> =
        shown["lanes"].as_array().unwrap().iter().map(|lane| json!([lane["file"], lane["role"]])).collect();
    assert_eq!(
        json!(lanes),
        json!([["c double.wav", "guide"], ["a.wav", "double"], ["b lead.wav", "double"]])
    );
}

#[test]
fn start_times_in_the_files_place_the_takes() {
    let desk = Desk::new();
    for (name, start) in [("lead.wav", 1_000_000u64), ("double.wav", 1_024_000)] {
        let bytes = std::fs::read(desk.take(name, RATE, 1, 4_800)).unwrap();
        // EBU Tech 3285: the time reference stands at byte 338 of the `bext` chunk.
        let mut bext = vec![0; 602];
        bext[338..346].copy_from_slice(&start.to_le_bytes());
        let mut with = bytes[..12].to_vec();
        with.extend([b"bext".as_slice(), &602u32.to_le_bytes(), &bext, &bytes[12..]].concat());
        let size = with.len() as u32 - 8;
        with[4..8].copy_from_slice(&size.to_le_bytes());
        desk.put(name, with);
    }
    desk.tautline(&["new", "s.json", "lead.wav", "double.wav"]).ends(0);
    desk.tautline(&["new", "t.json", "--ignore-start", "lead.wav", "double.wav"]).ends(0);
    let at = |session: &str| {
        let shown = desk.tautline(&["show", session, "--json"]).ends(0).json();
        [0, 1].map(|row| shown["lanes"][row]["regions"][0]["at"].as_i64().unwrap())
    };
    assert_eq!((at("s.json"), at("t.json")), ([0, 24_000], [0, 0]));
}

#[test]
fn a_session_is_never_written_over_and_a_wrong_call_writes_none() {
    let desk = Desk::with_session();
    let before = desk.files();
    desk.tautline(&["new", "song.json", "lead.wav"])
        .ends(4)
        .complains(&["song.json exists already", "Choose"]);
    desk.tautline(&["new", "lead.wav", "double-1.wav"]).ends(4).complains(&["lead.wav exists already"]);
    desk.tautline(&["new", "n.json"]).ends(2).complains(&["no recordings were named"]);
    desk.tautline(&["new", "n.json", "double-1.wav"]).ends(2).complains(&["--guide"]);
    desk.tautline(&["new", "nowhere/n.json", "lead.wav"])
        .ends(4)
        .complains(&["folder nowhere", "make it first"]);
    desk.tautline(&["new", "n.json", "lead.wav", "--rate", "7"]).ends(2).complains(&["8000..=384000"]);
    assert_eq!(desk.files(), before);
}

#[test]
fn file_names_cannot_command_the_terminal() {
    let desk = Desk::new();
    let name = "lead \u{1b}[31mred\u{7}.wav";
    desk.take(name, RATE, 1, 4_800);
    let listed = desk.tautline(&["new", "s.json", name]).ends(0);
    let shown = desk.tautline(&["show", "s.json"]).ends(0);
    std::fs::remove_file(desk.path(name)).unwrap();
    let missing = desk.tautline(&["show", "s.json"]).ends(0);
    for said in [listed, shown, missing] {
        assert!(
            !said.out.contains(['\u{1b}', '\u{7}']) && !said.err.contains(['\u{1b}', '\u{7}']),
            "{said:?}"
        );
    }
}
