//! `run` and `show`: commands in, the state out.

use serde_json::{Value, json};

use crate::program::Desk;

const PROMISED: &str =
    "cut at 1.5s on lane 2; shift +12ms on lane 2 at 1.6s..end; fade both 5ms on lane 2; undo; redo";

fn fade(length: u64) -> Value {
    json!({"length": length, "curve": "linear", "bend": 0.0})
}

#[test]
fn the_promised_line_gives_exactly_its_numbers() {
    let desk = Desk::with_session();
    let said = desk.run(PROMISED).ends(0);
    assert_eq!(said.err, "");
    let answers: Vec<_> = said.out.lines().map(|line| line.split("  ").next().unwrap()).collect();
    assert_eq!(answers, ["ok 1", "ok 2", "ok 3", "ok 2", "ok 3"]);
    let shown = desk.tautline(&["show", "song.json", "--json"]).ends(0);
    assert_eq!(shown.err, "");
    // 1.5 s is sample 72000 at 48 kHz, 12 ms are 576 samples, 5 ms are 240.
    let whole = |number: u64, name: &str, role: &str, regions: Value| {
        json!({
            "number": number, "name": name, "role": role, "file": format!("{name}.wav"), "gain_db": 0.0, "pan": 0.0,
            "polarity": 1, "mute": false, "solo": false, "notes": [], "regions": regions,
        })
    };
    let region = |id: u64, source_in: u64, length: u64, at: i64, fade: &Value| {
        json!({
            "id": id, "source_in": source_in, "length": length, "at": at, "gain_db": 0.0,
            "fade_in": fade, "fade_out": fade,
        })
    };
    let parts = json!([region(2, 0, 72_000, 0, &fade(240)), region(4, 72_000, 72_000, 72_576, &fade(240))]);
    assert_eq!(
        shown.json(),
        json!({
            "title": "Lantern Row", "rate": 48_000, "head": 3, "loop": null, "marks": {},
            "lanes": [
                whole(1, "lead", "guide", json!([region(1, 0, 144_000, 0, &fade(0))])),
                whole(2, "double-1", "double", parts),
                whole(3, "double-2", "double", json!([region(3, 0, 144_000, 0, &fade(0))])),
            ],
        })
    );
}

#[test]
fn run_json_is_one_document_and_says_what_was_done_and_refused() {
    let desk = Desk::with_session();
    let said = desk.tautline(&["run", "song.json", "--json", "-c", PROMISED]).ends(0);
    assert_eq!(said.err, "");
    let document = said.json();
    let edits: Vec<_> =
        document["applied"].as_array().unwrap().iter().map(|done| done["edit"].clone()).collect();
    assert_eq!(json!(edits), json!([1, 2, 3, 2, 3]));
    assert_eq!(
        (&document["head"], &document["refused"], &document["dry_run"]),
        (&json!(3), &Value::Null, &json!(false))
    );
    assert_eq!(document["applied"][1]["command"], "shift +12ms on lane 2 at 1.6s..end");

    let said =
        desk.tautline(&["run", "song.json", "--json", "-c", "mute on lane 3; cut at 9s on lane 2"]).ends(1);
    let document = said.json();
    assert_eq!(
        (&document["head"], &document["refused"]["command"]),
        (&json!(4), &json!("cut at 9s on lane 2"))
    );
    assert!(document["refused"]["reason"].as_str().unwrap().contains("no region"), "{document}");
    let said = desk.tautline(&["run", "song.json", "--json", "-c", "ct at 1s"]).ends(1);
    assert!(said.json()["refused"]["reason"].as_str().unwrap().contains("did you mean `cut`?"));
}

#[test]
fn lines_on_standard_input_are_answered_one_by_one_and_refusals_do_not_stop() {
    let desk = Desk::with_session();
    let script = b"cut at 1s on lane 2\nfaed both 5ms on lane 2\n\n# a remark\n\xff\xfe\nfade both 5ms on lane 2 # why\n\
        cut at 9s on lane 2\ncut at 2s on lane 2; fade in 1ms on lane 3\nundo\nundo 9\nmark \"here\"";
    let said = desk.feed(&["run", "song.json", "-"], script).ends(1);
    let answers: Vec<_> = said.out.lines().collect();
    let told: Vec<_> =
        answers.iter().map(|line| if line.starts_with("refused: ") { "refused" } else { line }).collect();
    // A line without a command is answered too, by the edit that is shown: one answer at least for each line.
    let wanted = [
        "ok 1", "refused", "ok 1", "ok 1", "refused", "ok 2", "refused", "ok 3", "ok 4", "ok 3", "refused",
        "ok 3",
    ];
    assert_eq!(told, wanted, "{answers:#?}");
    assert!(answers[1].starts_with("refused: column 1: there is no verb `faed` (did you mean `fade`?)"));
    assert!(answers[4].starts_with("refused: column 1"), "{}", answers[4]);
    assert!(answers[6].starts_with("refused: no region"), "{}", answers[6]);
    assert_eq!(desk.show()["lanes"][1]["regions"].as_array().unwrap().len(), 3);
}

#[test]
fn a_line_without_end_is_refused_without_being_kept_in_memory_and_the_next_one_counts() {
    let desk = Desk::with_session();
    let mut script = vec![b'x'; 3_000_000];
    script.extend(b"\ncut at 1s on lane 2\n");
    let said = desk.feed(&["run", "song.json", "-"], &script).ends(1);
    let answers: Vec<_> = said.out.lines().collect();
    assert_eq!(answers.len(), 2, "{answers:?}");
    assert!(answers[0].starts_with("refused: ") && answers[0].contains("longer than"), "{}", answers[0]);
    assert_eq!(answers[1], "ok 1");
}

#[test]
fn a_dry_run_says_what_would_change_and_leaves_every_byte() {
    let desk = Desk::with_session();
    desk.run("cut at 1s on lane 2").ends(0);
    let before = desk.files();
    let said = desk
        .tautline(&["run", "song.json", "--dry-run", "-c", "cut at 2s on lane 2; mark \"x\"; undo"])
        .ends(0);
    assert!(said.out.contains("would be 2  cut 1 region") && said.out.contains(r#""at":96000"#), "{said:#?}");
    let json = desk
        .tautline(&["run", "song.json", "--dry-run", "--json", "-c", "gain -3dB on lane 1"])
        .ends(0)
        .json();
    assert_eq!((&json["dry_run"], &json["applied"][0]["operations"]), (&json!(true), &json!(1)));
    assert!(json["applied"][0]["ops"].is_array(), "{json}");
    desk.feed(&["run", "song.json", "--dry-run", "-"], b"cut at 2s on lane 2\n").ends(0);
    desk.tautline(&["run", "song.json", "--dry-run", "-c", "cut at 9s on lane 2"]).ends(1);
    assert_eq!(desk.files(), before);
}

#[test]
fn a_script_with_a_wrong_line_changes_nothing_and_names_line_and_column() {
    let desk = Desk::with_session();
    desk.put(
        "good.txt",
        "# Two cuts.\ncut at 1s on lane 2\n\ncut at 2s on lane 2; fade both 5ms on lane 2\n",
    );
    desk.put("wrong.txt", "cut at 1s on lane 3\n# remark\n  shift +12 on lane 3\n");
    desk.tautline(&["run", "song.json", "-f", "good.txt"]).ends(0);
    let before = desk.files();
    let said = desk.tautline(&["run", "song.json", "-f", "wrong.txt"]).ends(1);
    assert_eq!(said.out, "");
    said.complains(&["line 3, column 9: `12` needs a unit: ms, s or smp"]);
    desk.tautline(&["run", "song.json", "-f", "nowhere.txt"]).ends(3).complains(&["nowhere.txt"]);
    assert_eq!(desk.files(), before);
    // A line that reads well but cannot be carried out is named as well; what came before it is done and stays.
    desk.put("late.txt", "cut at 1.5s on lane 3\ncut at 9s on lane 3\ncut at 2s on lane 3\n");
    desk.tautline(&["run", "song.json", "-f", "late.txt"])
        .ends(1)
        .complains(&["line 2: cut at 9s on lane 3: "]);
    assert_eq!(desk.show()["lanes"][2]["regions"].as_array().unwrap().len(), 2);
}

#[test]
fn any_state_can_be_shown_by_its_mark_or_number() {
    let desk = Desk::with_session();
    desk.run("cut at 1s on lane 2; mark \"one cut\"; cut at 2s on lane 2; mute on lane 3").ends(0);
    let pieces = |at: &str| {
        let shown = desk.tautline(&["show", "song.json", "--json", "--at", at]).ends(0).json();
        (shown["head"].as_u64().unwrap(), shown["lanes"][1]["regions"].as_array().unwrap().len())
    };
    assert_eq!(
        [pieces("one cut"), pieces("start"), pieces("2"), pieces("0")],
        [(1, 2), (0, 1), (2, 3), (0, 1)]
    );
    desk.tautline(&["show", "song.json", "--at", "one cup"])
        .ends(1)
        .complains(&["did you mean \"one cut\"?"]);
    desk.tautline(&["show", "song.json", "--at", "99"]).ends(1).complains(&["no edit 99", "the newest is 3"]);
    let text = desk.tautline(&["show", "song.json"]).ends(0).out;
    for part in
        ["Lantern Row  48000 Hz, 3 lanes, at edit 3 of 3", "mark \"one cut\" is edit 1", "(muted)", "cut"]
    {
        assert!(text.contains(part), "{text}");
    }
}

#[test]
fn presets_come_from_the_program_and_from_the_users_folder() {
    let desk = Desk::with_session();
    desk.run("fade preset soft-ends on lane 2").ends(0);
    assert_ne!(desk.show()["lanes"][1]["regions"][0]["fade_out"]["length"], 0);
    let folder = desk.home().join("config/tautline");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("fades.toml"), "[fade.mine]\nabout = 'x'\nout = { ms = 7 }\n").unwrap();
    desk.run("fade preset mine on lane 3").ends(0);
    assert_eq!(desk.show()["lanes"][2]["regions"][0]["fade_out"]["length"], 336);
    std::fs::write(folder.join("fades.toml"), "[fade.mine]\nout = { ms = 7 }\nlevle = 1\n").unwrap();
    desk.run("mute on lane 2").ends(3).complains(&["fades.toml", "levle"]);
}
