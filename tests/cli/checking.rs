//! `check`: findings, each with what mends it.

use serde_json::{Value, json};

use crate::program::{Desk, RATE, write_i24};

fn findings(desk: &Desk, code: i32) -> Vec<Value> {
    let said = desk.tautline(&["check", "song.json", "--json"]).ends(code);
    assert_eq!(said.err, "");
    let document = said.json();
    assert_eq!(document.as_object().unwrap().len(), 1);
    for finding in document["findings"].as_array().unwrap() {
        let keys: Vec<_> = finding.as_object().unwrap().keys().cloned().collect();
        assert_eq!(keys, ["at", "code", "fix", "lane", "severity", "text"]);
        assert!(["error", "warning", "note"].contains(&finding["severity"].as_str().unwrap()));
    }
    document["findings"].as_array().unwrap().clone()
}

fn codes(findings: &[Value]) -> Vec<String> {
    findings
        .iter()
        .map(|finding| format!("{} {}", finding["code"].as_str().unwrap(), finding["lane"]))
        .collect()
}

#[test]
fn hard_edges_are_found_and_the_named_commands_mend_them() {
    let desk = Desk::with_session();
    // The takes themselves begin and end in mid-sound.
    desk.run("fade both 30ms on all; cut at 0.75s on lane 2; shift +20ms on lane 2 at 2s").ends(0);
    // What listening to noise finds beside them is the business of other tests.
    let edges = || -> Vec<Value> {
        findings(&desk, 0).into_iter().filter(|finding| finding["code"] == "edge-in-sound").collect()
    };
    let found = edges();
    assert_eq!(codes(&found), ["edge-in-sound 2", "edge-in-sound 2"]);
    assert_eq!((&found[0]["at"], &found[1]["at"]), (&json!(36_000), &json!(36_960)));
    for finding in &found {
        desk.run(finding["fix"].as_str().unwrap()).ends(0);
    }
    assert_eq!(edges(), Vec::<Value>::new());
    assert!(desk.tautline(&["check", "song.json"]).ends(0).out.contains("0 errors, "));
}

#[test]
fn clipping_silence_and_sums_beyond_full_scale_are_found() {
    let desk = Desk::new();
    let mut clipped = vec![0; 4_800];
    clipped.extend([8_388_607; 40]);
    clipped.extend(vec![0; 4_800]);
    write_i24(&desk.path("lead.wav"), RATE, 1, &clipped);
    write_i24(&desk.path("double.wav"), RATE, 1, &vec![0; 9_600]);
    write_i24(&desk.path("dbl2.wav"), RATE, 1, &clipped);
    desk.tautline(&["new", "song.json", "lead.wav", "double.wav", "dbl2.wav"]).ends(0);
    desk.run("gain +6dB on lane 3").ends(0);
    let found = findings(&desk, 0);
    let codes = codes(&found);
    for wanted in ["clipping 1", "silent 2", "clipping 3", "stack-clipping null"] {
        assert!(codes.contains(&wanted.to_owned()), "{wanted}: {codes:?}");
    }
    let of_lane = |code: &str, lane: Value| {
        found.iter().rfind(|f| f["code"] == code && f["lane"] == lane && !f["at"].is_null()).unwrap()["fix"]
            .clone()
    };
    desk.run(of_lane("clipping", json!(3)).as_str().unwrap()).ends(0);
    desk.run("mute on lane 3").ends(0);
    let left = findings(&desk, 0);
    assert!(
        left.iter().all(|f| f["code"] != "stack-clipping" && (f["code"] != "clipping" || f["at"].is_null())),
        "{left:#?}"
    );
}

#[test]
fn a_missing_recording_is_an_error_even_where_no_lane_at_the_head_uses_it() {
    let desk = Desk::with_session();
    desk.run("fade both 30ms on all; remove on lane 3").ends(0);
    std::fs::remove_file(desk.path("double-2.wav")).unwrap();
    let found = findings(&desk, 1);
    assert_eq!((&found[0]["code"], &found[0]["severity"]), (&json!("media-missing"), &json!("error")));
    assert!(found[0]["text"].as_str().unwrap().contains("double-2.wav"));
    let text = desk.tautline(&["check", "song.json"]).ends(1).out;
    assert!(text.starts_with("ERROR") && text.contains("1 error,"), "{text}");
}

#[test]
fn a_state_that_breaks_the_rules_is_reported_and_worked_with_by_nobody() {
    let desk = Desk::with_session();
    desk.run("cut at 1s,2s on lane 2").ends(0);
    // By hand: the third piece is put before the first one's end.
    let text = std::fs::read_to_string(desk.path("song.json")).unwrap();
    let broken = text.replacen("\"length\":144000,\"at\":0", "\"length\":144000,\"at\":-1100000000000", 1);
    assert_ne!(text, broken);
    desk.put("song.json", broken);
    let before = desk.files();
    let found = findings(&desk, 1);
    assert_eq!(found[0]["severity"], "error", "{found:#?}");
    desk.run("mute on lane 3").ends(3).complains(&["breaks the rules", "tautline check"]);
    desk.tautline(&["bounce", "song.json", "--to", "out"]).ends(3);
    desk.tautline(&["show", "song.json"]).ends(0);
    assert_eq!(desk.files(), before);
}
