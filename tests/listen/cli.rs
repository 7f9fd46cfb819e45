//! From outside: the program itself, on the demo's takes.

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

use crate::material::root;

struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    /// A session of the lead and a double, in a folder with a home of its own.
    fn new() -> Place {
        let place = Place { folder: tempfile::tempdir().unwrap() };
        for name in ["lead", "double-1"] {
            let file = format!("{name}.flac");
            std::fs::copy(root().join("demo").join(&file), place.folder.path().join(&file)).unwrap();
        }
        place.run(&["new", "song.json", "--guide", "lead.flac", "double-1.flac"], 0);
        place
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn run(&self, args: &[&str], code: i32) -> String {
        let mut command = Command::cargo_bin("tautline").unwrap();
        let home = self.path().join("home");
        command.args(args).current_dir(self.path()).env("HOME", &home);
        command.env("XDG_CACHE_HOME", home.join("cache")).env("XDG_CONFIG_HOME", home.join("config"));
        let output = command.output().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{args:?}\n{text}\n{said}");
        text
    }

    fn codes(&self) -> Vec<String> {
        let text = self.run(&["check", "song.json", "--json"], 0);
        let found: Value = serde_json::from_str(&text).unwrap();
        let code = |finding: &Value| finding["code"].as_str().unwrap().to_owned();
        found["findings"].as_array().unwrap().iter().map(code).collect()
    }
}

#[test]
fn a_rehearsal_lists_spans_and_reasons_and_results_are_kept() {
    let place = Place::new();
    let text = place.run(&["run", "song.json", "-c", "trim gaps on all", "--dry-run"], 0);
    assert!(text.contains("before the first sound") && text.contains("soften by 12 dB: breath of"), "{text}");
    let json = place.run(&["run", "song.json", "-c", "trim gaps on all", "--dry-run", "--json"], 0);
    let report: Value = serde_json::from_str(&json).unwrap();
    let remarks = report["applied"][0]["remarks"].as_array().unwrap();
    assert!(remarks.len() > 10 && remarks[0]["lane"] == 1 && remarks[0]["text"].is_string(), "{json}");
    let kept: Vec<_> =
        std::fs::read_dir(place.path().join("home/cache/tautline/heard")).unwrap().flatten().collect();
    assert_eq!(kept.len(), 2);
    // A damaged result is no result: the recording is heard again.
    std::fs::write(kept[0].path(), b"{\"version\": 1").unwrap();
    std::fs::write(kept[1].path(), b"").unwrap();
    assert_eq!(place.run(&["run", "song.json", "-c", "trim gaps on all", "--dry-run", "--json"], 0), json);
    assert!(std::fs::metadata(kept[0].path()).unwrap().len() > 100);
}

#[test]
fn the_check_names_gaps_breaths_consonants_and_fades_and_its_fixes_mend_them() {
    let place = Place::new();
    let codes = place.codes();
    assert!(
        codes.contains(&"gap-not-empty".into()) && codes.contains(&"breath-in-double".into()),
        "{codes:?}"
    );
    place.run(&["run", "song.json", "-c", "trim gaps on all"], 0);
    let codes = place.codes();
    assert!(
        !codes.contains(&"gap-not-empty".into()) && !codes.contains(&"breath-in-double".into()),
        "{codes:?}"
    );
    assert!(!codes.iter().any(|code| code.starts_with("seam-") || code == "cut-consonant"), "{codes:?}");
    // "clocks" of the lead ends with an s from 4.283 s to 4.383 s.
    place
        .run(&["run", "song.json", "-c", "trim end to 4.33s on lane 1; fade out 0.5ms on lane 1 at 4.2s"], 0);
    let codes = place.codes();
    assert!(codes.contains(&"fade-below-1ms".into()), "{codes:?}");
    assert!(codes.contains(&"cut-consonant".into()), "{codes:?}");
    assert!(codes.contains(&"breath-missing".into()), "the guide lost those behind the cut: {codes:?}");
}

#[test]
fn a_saved_preset_is_there_the_next_time() {
    let place = Place::new();
    let line = "trim to 1s..4s on lane 2; fade out 33ms curve raised-cosine bend 0.1 on lane 2; \
                fade save preset \"verse ends\" about \"soft\" on lane 2";
    place.run(&["run", "song.json", "-c", line, "--dry-run"], 0);
    assert!(!place.path().join("home/config/tautline/fades.toml").exists(), "a rehearsal writes nothing");
    place.run(&["run", "song.json", "-c", line], 0);
    let text = place.run(&["run", "song.json", "-c", "fade preset \"verse ends\" on lane 1"], 0);
    assert!(text.contains("set fades"), "{text}");
    let kept = std::fs::read_to_string(place.path().join("home/config/tautline/fades.toml")).unwrap();
    assert!(kept.contains("verse ends") && kept.contains("33"), "{kept}");
}
