//! The session file as a contract: a sample of version 1 kept for ever, and the JSON Schema.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;
#[path = "common/random.rs"]
mod random;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use random::{FRAMES, command, cursor, presets, run_one, runner};
use serde_json::{Value, json};
use tautline::edit::{Access, Session, Store, schema};
use tautline::song::tone::{BandShape, Slope, Stage};
use tautline::song::{Curve, EditId, Fade, Polarity, Position, Role};

/// A session that version 1 wrote. It is never written again: every later version has to read it.
const SAMPLE: &str = "tests/session-v1.json";

fn in_repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn sample() -> (Vec<u8>, Session) {
    let path = in_repository(SAMPLE);
    let text = fs::read(&path).unwrap();
    let session = Session::from_json(&path, &text).unwrap();
    (text, session)
}

/// (id, at, source_in, length, gain, fade-in length, fade-out length) of each region of a lane.
type Shape = Vec<(u64, i64, u64, u64, f64, u64, u64)>;

fn shape(session: &Session, row: usize) -> Shape {
    let region = |r: &tautline::song::Region| {
        let fades = (r.fade_in.length.0, r.fade_out.length.0);
        (r.id.0, r.at.0, r.source_in, r.length.0, r.gain_db.0, fades.0, fades.1)
    };
    session.song().lanes[row].regions.iter().map(|r| region(r)).collect()
}

#[test]
fn the_sample_of_version_1_means_what_it_meant() {
    let (_, session) = sample();
    assert_eq!((session.title.as_str(), session.rate), ("Lantern Row \u{2013} chorus", 48_000));
    assert_eq!((session.time_origin, session.assets.len()), (Some(1_728_000_000), 5));
    assert_eq!(session.assets[4].frames_at(session.rate), 240_000, "220 500 frames at 44.1 kHz");
    assert_eq!(session.history.head(), EditId(33));
    let marks: Vec<(&str, u64)> = session.marks.iter().map(|(name, id)| (name.as_str(), id.0)).collect();
    assert_eq!(marks, [("before mixdown", 33), ("first try", 17), ("second try", 30)]);
    let lanes: Vec<_> = session
        .song()
        .lanes
        .iter()
        .map(|l| (l.id.0, l.name.as_str(), l.role, l.gain_db.0, l.pan.0))
        .collect();
    assert_eq!(
        lanes,
        [
            (1, "lead", Role::Guide, 0.0, 0.0),
            (5, "band", Role::Backing, -6.0, 0.0),
            (2, "double-1", Role::Double, 0.0, -0.35),
            (3, "low \"double\"", Role::Double, 0.0, 0.35),
            (4, "high-third", Role::Harmony, 0.0, 0.0),
        ]
    );
    assert_eq!(session.song().lanes[3].polarity, Polarity::Inverted);
    let note = &session.song().lanes[2].notes[0];
    assert_eq!((note.at, note.text.as_str()), (Some(Position(148_800)), "check the t\u{2026}"));
    assert_eq!(session.song().loop_span.map(|span| (span.start.0, span.end.0)), Some((48_000, 168_000)));
}

#[test]
fn the_regions_of_the_sample_stand_where_they_stood() {
    let (_, session) = sample();
    assert_eq!(shape(&session, 0), [(1, 0, 0, 240_000, 0.0, 480, 0)]);
    assert_eq!(shape(&session, 1), [(5, 0, 0, 240_000, 0.0, 480, 0)]);
    assert_eq!(
        shape(&session, 2),
        [
            (2, 0, 0, 72_000, 0.0, 240, 240),
            (6, 72_576, 72_000, 84_000, 0.0, 240, 576),
            (7, 156_000, 156_000, 84_000, 0.0, 576, 240),
        ]
    );
    assert_eq!(
        shape(&session, 3),
        [
            (3, 0, 0, 76_800, 0.0, 480, 0),
            (11, 120_000, 120_000, 48_000, 0.0, 480, 0),
            (10, 192_033, 192_033, 38_367, 0.0, 480, 5_760),
        ]
    );
    assert_eq!(shape(&session, 4), [(4, 0, 0, 235_200, -0.125, 480, 0)]);
    let fades: Vec<Fade> = [(3, 2, true), (3, 2, false), (2, 1, false)]
        .map(|(row, index, out): (usize, usize, bool)| {
            let region = &session.song().lanes[row].regions[index];
            if out { region.fade_out } else { region.fade_in }
        })
        .to_vec();
    let laws: Vec<(Curve, f64)> = fades.iter().map(|fade| (fade.curve, fade.bend.0)).collect();
    assert_eq!(laws, [(Curve::Exponential, 0.0), (Curve::SquareRoot, -0.25), (Curve::Linear, 0.0)]);
}

#[test]
fn every_state_of_the_sample_can_be_reached_and_breaks_no_rule() {
    let (_, mut session) = sample();
    assert_eq!(session.history.edits().len(), 34);
    let parents =
        |id| session.history.edit(EditId(id)).unwrap().parents.iter().map(|p| p.0).collect::<Vec<_>>();
    assert_eq!(
        (parents(19), parents(31)),
        (vec![16], vec![30, 17]),
        "a branch, and a lane brought from another"
    );
    for id in 0..=34 {
        session.history.go_to(EditId(id)).unwrap();
        assert_eq!(session.violations(), [], "edit {id}");
    }
}

#[test]
fn the_sample_is_written_again_byte_for_byte() {
    let (text, session) = sample();
    let mut written = Vec::new();
    session.write_json(&mut written).unwrap();
    assert_eq!(String::from_utf8(written).unwrap(), String::from_utf8(text).unwrap());
}

/// A session of version 1 whose edits set tones: the same holds for it.
const TONES: &str = "tests/session-tone.json";

#[test]
fn the_sample_with_tones_means_what_it_meant() {
    let path = in_repository(TONES);
    let text = fs::read(&path).unwrap();
    let session = Session::from_json(&path, &text).unwrap();
    let mut written = Vec::new();
    session.write_json(&mut written).unwrap();
    assert_eq!(String::from_utf8(written).unwrap(), String::from_utf8(text.clone()).unwrap());
    assert_valid(&validator(), &text);
    let song = session.song();
    let tone = song.lanes[1].tone.as_deref().unwrap();
    let (high, bell, shelf) = (tone.highpass.unwrap(), tone.bands[1].unwrap(), tone.bands[3].unwrap());
    assert_eq!((high.frequency_hz, high.slope), (90.0, Slope::TwentyFour));
    assert_eq!((bell.frequency_hz, bell.gain_db.0, bell.q), (300.0, -4.0, 1.4));
    assert_eq!((shelf.shape, shelf.frequency_hz, shelf.gain_db.0), (BandShape::HighShelf, 9000.0, -1.5));
    assert_eq!((tone.bands[0], tone.bands[2]), (None, None));
    let deess = tone.deess.unwrap();
    assert_eq!((deess.frequency_hz, deess.width_octaves, deess.relative), (7100.0, 0.8, true));
    assert_eq!((deess.threshold_db.0, deess.most_db.0), (-12.0, 8.0));
    let compress = tone.compress.unwrap();
    assert_eq!((compress.threshold_db.0, compress.ratio, compress.knee_db.0), (-22.0, 3.5, 6.0));
    assert_eq!((compress.attack_ms, compress.release_ms, compress.makeup_db.0), (4.0, 80.0, 2.0));
    assert_eq!((compress.detector_highpass_hz, compress.mix), (Some(120.0), 0.9));
    assert_eq!((tone.drive_db.0, tone.gain_db.0, tone.bypass), (2.0, -1.0, false));
    assert_eq!((tone.order[0], tone.skip.clone()), (Stage::Deess, vec![Stage::Drive]));
    assert_eq!(song.lanes[2].tone, None, "copied and cleared");
    let last = EditId(session.history.edits().len() as u64);
    assert!(
        session.history.song_at(last).unwrap().lanes[1].tone.as_deref().unwrap().bypass,
        "undone, not lost"
    );
}

/// The names under which variants of an enum stand in JSON, from the schema itself.
fn variants(schema: &Value, definition: &str) -> BTreeSet<String> {
    let of = |variant: &Value| variant["properties"].as_object().unwrap().keys().next().unwrap().clone();
    schema["$defs"][definition]["oneOf"].as_array().unwrap().iter().map(of).collect()
}

#[test]
fn the_sample_holds_every_kind_of_operation() {
    let (text, _) = sample();
    let document: Value = serde_json::from_slice(&text).unwrap();
    let ops: Vec<&serde_json::Map<String, Value>> = document["edits"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|edit| edit["ops"].as_array().unwrap())
        .map(|op| op.as_object().unwrap())
        .collect();
    let kinds: BTreeSet<String> = ops.iter().flat_map(|op| op.keys().cloned()).collect();
    // Kinds that come later than version 1 get a sample of their own.
    let first = [
        "insert",
        "merge",
        "move",
        "move_lane",
        "remove",
        "set_edges",
        "set_fade",
        "set_gain",
        "set_lane",
        "set_loop",
        "split",
    ];
    assert_eq!(kinds, first.map(str::to_owned).into());
    assert!(variants(&schema(), "Op").is_superset(&kinds));
    let values: BTreeSet<String> = ops
        .iter()
        .filter_map(|op| op.get("set_lane"))
        .flat_map(|op| op["to"].as_object().unwrap().keys().cloned())
        .collect();
    let first = ["gain_db", "mute", "name", "notes", "pan", "polarity", "role", "solo"];
    assert_eq!(values, first.map(str::to_owned).into());
    assert!(variants(&schema(), "LaneValue").is_superset(&values));
}

fn validator() -> jsonschema::Validator {
    jsonschema::validator_for(&schema()).unwrap()
}

fn assert_valid(validator: &jsonschema::Validator, text: &[u8]) {
    let document: Value = serde_json::from_slice(text).unwrap();
    let errors: Vec<String> =
        validator.iter_errors(&document).map(|error| format!("{}: {error}", error.instance_path())).collect();
    assert!(errors.is_empty(), "{errors:#?}");
}

#[test]
fn the_schema_admits_the_sample_and_refuses_what_is_no_session() {
    let (text, _) = sample();
    let validator = validator();
    assert_valid(&validator, &text);
    let good: Value = serde_json::from_slice(&text).unwrap();
    let damages: [fn(&mut Value); 8] = [
        |s| s["mood"] = json!(1),
        |s| s["format"] = json!("knitting-pattern"),
        |s| s["version"] = json!(2),
        |s| s["rate"] = json!("48k"),
        |s| drop(s.as_object_mut().unwrap().remove("head")),
        |s| s["edits"][0]["ops"][0] = json!({"boost": 1}),
        |s| s["start"]["lanes"][0]["polarity"] = json!(0),
        |s| s["start"]["lanes"][0]["regions"][0]["fade_in"]["bend"] = json!(1.5),
    ];
    for (index, damage) in damages.iter().enumerate() {
        let mut bad = good.clone();
        damage(&mut bad);
        assert!(!validator.is_valid(&bad), "damage {index} passes");
    }
}

/// TAUTLINE_WRITE_SCHEMA=1 writes the file anew after the types have changed.
#[test]
fn the_schema_that_is_shipped_is_current() {
    let path = in_repository("shared/session.schema.json");
    let current = serde_json::to_string_pretty(&schema()).unwrap() + "\n";
    if std::env::var_os("TAUTLINE_WRITE_SCHEMA").is_some() {
        fs::write(&path, &current).unwrap();
    }
    let shipped = fs::read_to_string(&path).unwrap();
    assert!(shipped == current, "run this test with TAUTLINE_WRITE_SCHEMA=1 and look at the difference");
}

#[test]
fn whatever_commands_make_is_a_valid_session() {
    let (presets, validator) = (presets(), validator());
    let scripts = prop::collection::vec((command(), cursor()), 1..40);
    let check = |script: Vec<(String, Option<tautline::command::Cursor>)>| {
        let folder = common::quick_folder();
        let mut store = common::store(folder.path(), 4, FRAMES);
        for (line, cursor) in &script {
            let _ = run_one(&mut store, &presets, *cursor, line);
        }
        let path = store.path().to_owned();
        store.close().unwrap();
        let text = fs::read(&path).unwrap();
        assert_valid(&validator, &text);
        let (store, _) = Store::open(&path, Access::Read).unwrap();
        let mut again = Vec::new();
        store.session().write_json(&mut again).unwrap();
        prop_assert!(again == text, "the same session is the same text");
        Ok(())
    };
    runner(48, 6).run(&scripts, check).unwrap_or_else(|error| panic!("{error}"));
}
