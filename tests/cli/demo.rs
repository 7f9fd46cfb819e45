//! The demo does what it says, by what is known about its takes (`demo/truth.json`).

use std::path::Path;

use serde_json::Value;

use crate::program::{Desk, RATE, read_wav};

/// Samples in a number of milliseconds.
const MS: i64 = RATE as i64 / 1000;

struct Laid {
    desk: Desk,
    shown: Value,
    truth: Value,
}

/// A region as it stands.
#[derive(Debug, Clone, Copy)]
struct Piece {
    source_in: i64,
    length: i64,
    at: i64,
}

impl Piece {
    fn holds(&self, source: i64) -> bool {
        (self.source_in..self.source_in + self.length).contains(&source)
    }

    fn shift(&self) -> i64 {
        self.at - self.source_in
    }
}

impl Laid {
    fn new() -> Laid {
        let desk = Desk::new();
        let said = desk.tautline(&["demo", "d", "--no-open"]).ends(0);
        assert!(said.out.contains("listen") && said.out.contains("Turn the monitor gain down"), "{said:#?}");
        let shown = desk.tautline(&["show", "d/lantern-row.json", "--json"]).ends(0).json();
        let truth = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/truth.json");
        let truth = serde_json::from_slice(&std::fs::read(truth).unwrap()).unwrap();
        Laid { desk, shown, truth }
    }

    /// Lane numbers with the names of their takes.
    fn lanes(&self) -> Vec<(usize, String)> {
        let lanes = self.shown["lanes"].as_array().unwrap();
        lanes
            .iter()
            .zip(1..)
            .map(|(lane, number)| (number, lane["name"].as_str().unwrap().to_owned()))
            .collect()
    }

    fn pieces(&self, number: usize) -> Vec<Piece> {
        let of = |region: &Value| {
            let value = |key: &str| region[key].as_i64().unwrap();
            Piece { source_in: value("source_in"), length: value("length"), at: value("at") }
        };
        self.shown["lanes"][number - 1]["regions"].as_array().unwrap().iter().map(of).collect()
    }

    fn words(&self, take: &str) -> &Vec<Value> {
        self.truth["takes"][take]["words"].as_array().unwrap()
    }

    /// Where a place in a take has come to stand on the timeline; `None` if it was cut away. In a crossfade the later piece
    /// counts, which is the one whose word begins there.
    fn place(&self, number: usize, source: i64) -> Option<i64> {
        self.pieces(number).iter().rev().find(|piece| piece.holds(source)).map(|piece| source + piece.shift())
    }
}

#[test]
fn every_word_starts_within_20_ms_of_the_guides_and_last_words_end_together() {
    let laid = Laid::new();
    let (mut moved, mut words) = (0, 0);
    let (mut before, mut after) = (0, 0);
    for (number, take) in laid.lanes().into_iter().skip(1) {
        for (word, guide) in laid.words(&take).iter().zip(laid.words("lead")) {
            let start = |word: &Value| word["start_smp"].as_i64().unwrap();
            let late = start(word) - start(guide);
            assert_eq!(late, word["offset_ms"].as_i64().unwrap() * MS, "truth.json contradicts itself");
            let stands =
                laid.place(number, start(word)).unwrap_or_else(|| panic!("{take}: {word} was cut away"));
            let off = stands - laid.place(1, start(guide)).unwrap();
            assert!(off.abs() <= 20 * MS, "{take}: {word} is {off} samples off");
            assert!(off.abs() <= late.abs(), "{take}: {word} was made worse: {late} to {off}");
            words += 1;
            moved += usize::from(off != late);
            (before, after) = (before.max(late.abs()), after.max(off.abs()));
            if word["last_in_line"] == true {
                let end = |number: usize, word: &Value| {
                    let last = word["end_smp"].as_i64().unwrap();
                    let piece =
                        laid.pieces(number).into_iter().rev().find(|piece| piece.holds(start(word))).unwrap();
                    (last + piece.shift()).min(piece.at + piece.length)
                };
                let apart = end(number, word) - end(1, guide);
                assert!(apart.abs() <= 40 * MS, "{take}: {word} ends {apart} samples off");
            }
        }
    }
    assert!(moved >= 60 && words >= 80, "{moved} of {words} words were moved");
    assert!(before >= 85 * MS && after <= 20 * MS, "before {before}, after {after}");
}

#[test]
fn the_bounce_is_silent_between_the_lines_and_sounds_within_them() {
    let laid = Laid::new();
    for (number, take) in laid.lanes() {
        let role = laid.shown["lanes"][number - 1]["role"].as_str().unwrap();
        let path = laid.desk.path(format!("d/bounce/Lantern-Row_{number:02}_{role}_{take}_48k.wav"));
        let (spec, samples) = read_wav(&path);
        assert_eq!((spec.sample_rate, spec.bits_per_sample), (RATE, 24));
        let channels = usize::from(spec.channels);
        let sounds = |from: i64, to: i64| {
            let [from, to] = [from, to].map(|at| usize::try_from(at).unwrap() * channels);
            samples[from..to.min(samples.len())].iter().any(|x| x.abs() > 3.0 / 8_388_608.0)
        };
        let words = laid.words(&take);
        let last: Vec<i64> = words
            .iter()
            .filter(|word| word["last_in_line"] == true)
            .map(|word| word["end_smp"].as_i64().unwrap())
            .collect();
        let breaths = laid.truth["takes"][&take]["breaths"].as_array().unwrap();
        for (end, breath) in last.iter().zip(&breaths[1..]) {
            let breath = (breath["start_s"].as_f64().unwrap() * f64::from(RATE)) as i64;
            let Some(breath) = laid.place(number, breath) else {
                panic!("{take}: the breath at {breath} was cut away")
            };
            // The word's end may have been faded away sooner, never later.
            let end = laid.place(number, *end - 1).unwrap_or_else(|| {
                let before = laid.pieces(number).into_iter().rfind(|piece| piece.source_in < *end).unwrap();
                before.at + before.length
            });
            let (from, to) = (end + 90 * MS, breath - 90 * MS);
            assert!(to - from > 150 * MS, "{take}: the dead space {from}..{to} is too short to speak of");
            assert!(!sounds(from, to), "{take}: something sounds in {from}..{to}");
            assert!(sounds(breath, breath + 20 * MS), "{take}: no breath at {breath}");
        }
        for word in words {
            let start = laid.place(number, word["start_smp"].as_i64().unwrap()).unwrap();
            assert!(sounds(start, start + 20 * MS), "{take}: {word} is silent");
        }
    }
    let (_, stack) = read_wav(&laid.desk.path("d/bounce/Lantern-Row_stack_48k.wav"));
    let peak = stack.iter().fold(0f32, |peak, x| peak.max(x.abs()));
    assert!((0.2..1.0).contains(&peak), "the stack peaks at {peak}");
}

#[test]
fn the_demo_checks_clean_can_be_taken_back_and_does_not_touch_a_used_folder() {
    let laid = Laid::new();
    let desk = &laid.desk;
    let check = desk.tautline(&["check", "d/lantern-row.json"]).ends(0);
    assert!(check.out.contains("0 errors, "), "{}", check.out);
    desk.tautline(&["run", "d/lantern-row.json", "-c", "goto \"as sung\""]).ends(0);
    let shown = desk.tautline(&["show", "d/lantern-row.json", "--json"]).ends(0).json();
    assert!(
        shown["lanes"].as_array().unwrap().iter().all(|lane| lane["regions"].as_array().unwrap().len() == 1)
    );
    let before = desk.files();
    desk.tautline(&["demo", "d", "--no-open"]).ends(4).complains(&["d is not empty", "nothing was written"]);
    desk.put("file", "x");
    desk.tautline(&["demo", "file"]).ends(4).complains(&["file"]);
    assert_eq!(desk.files().len(), before.len() + 1);
    // The walkthrough works on a copy of the session made by hand, as its first lines say.
    desk.tautline(&["new", "d/mine.json", "d/takes"]).ends(0);
    desk.tautline(&["run", "d/mine.json", "-f", "d/walkthrough.tautline"]).ends(0);
    // Without --no-open it says how to go on, with commands that work.
    let said = desk.tautline(&["demo", "e"]).ends(0);
    let hints: Vec<_> = said.out.lines().filter_map(|line| line.strip_prefix("  tautline ")).collect();
    assert!(hints.len() >= 4, "{said:#?}");
    // The screen needs a terminal; the tests of the screen open it in one.
    for hint in hints.into_iter().filter(|hint| !hint.starts_with("open ")) {
        let (words, quoted) = hint.split_once('\'').unwrap_or((hint, ""));
        let mut args: Vec<&str> = words.split_whitespace().collect();
        args.extend(quoted.strip_suffix('\''));
        desk.tautline(&args).ends(0);
    }
}
