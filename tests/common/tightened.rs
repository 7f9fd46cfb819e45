//! Stacks with exact truth and what `tighten` made of them, measured on bounces and not by the program's own timing.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;

use super::own_home;

pub fn repo(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

pub fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} in {value}"))
}

pub fn list<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value[key].as_array().unwrap_or_else(|| panic!("{key} in {value}"))
}

/// A word as planned, in seconds of its recording.
#[derive(Debug, Clone)]
pub struct Word {
    pub start: f64,
    /// Where the last word of a line has died, if the plan says so.
    pub end: Option<f64>,
    /// The consonants it ends in.
    pub consonants: Vec<(f64, f64)>,
}

/// A session over a made stack, with its truth: the guide's words first, then each lane's.
pub struct Stack {
    pub folder: tempfile::TempDir,
    pub truth: Vec<Vec<Word>>,
}

impl Stack {
    pub fn new(files: &[PathBuf], truth: Vec<Vec<Word>>) -> Stack {
        let stack = Stack { folder: tempfile::tempdir().unwrap(), truth };
        let mut command = stack.tautline();
        command.arg("new").arg(stack.path()).arg("--guide").arg(&files[0]).args(&files[1..]);
        command.assert().success();
        stack
    }

    pub fn demo() -> Stack {
        let truth: Value = serde_json::from_slice(&std::fs::read(repo("demo/truth.json")).unwrap()).unwrap();
        let names = ["lead", "double-1", "double-2", "harmony-high", "harmony-low"];
        let span = |phone: &Value| (number(phone, "start_s"), number(phone, "end_s"));
        let word = |word: &Value| Word {
            start: number(word, "start_s"),
            end: (word["last_in_line"] == Value::Bool(true)).then(|| number(word, "heard_end_s")),
            consonants: list(word, "final_consonants").iter().map(span).collect(),
        };
        let words = |name: &&str| list(&truth["takes"][name], "words").iter().map(word).collect();
        let files: Vec<PathBuf> = names.iter().map(|name| repo(&format!("demo/{name}.flac"))).collect();
        Stack::new(&files, names.iter().map(words).collect())
    }

    pub fn held_out(name: &str) -> Stack {
        let folder = repo("tests/fixtures/timing/held").join(name);
        let truth: Value =
            serde_json::from_slice(&std::fs::read(folder.join("truth.json")).unwrap()).unwrap();
        let word = |word: &Value| Word {
            start: number(word, "start"),
            end: word["end"].as_f64(),
            consonants: Vec::new(),
        };
        let takes = list(&truth, "takes");
        let files: Vec<PathBuf> =
            takes.iter().map(|take| folder.join(take["file"].as_str().unwrap())).collect();
        let words = takes.iter().map(|take| list(take, "words").iter().map(word).collect()).collect();
        Stack::new(&files, words)
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("song.json")
    }

    pub fn tautline(&self) -> Command {
        own_home::tautline(self.folder.path())
    }

    #[track_caller]
    pub fn run(&self, line: &str) -> String {
        let output = self.tautline().arg("run").arg(self.path()).args(["-c", line]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "{line}: {said}{}", String::from_utf8_lossy(&output.stderr));
        said
    }

    #[track_caller]
    pub fn refused(&self, line: &str) -> String {
        let output = self.tautline().arg("run").arg(self.path()).args(["-c", line]).output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{line}");
        String::from_utf8_lossy(&output.stderr).into_owned()
    }

    #[track_caller]
    pub fn json(&self, what: &[&str]) -> Value {
        let mut command = self.tautline();
        let output = command.arg(what[0]).arg(self.path()).args(&what[1..]).arg("--json").output().unwrap();
        serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(&output.stderr)))
    }

    pub fn show(&self) -> Value {
        self.json(&["show"])
    }

    /// The lanes as they sound, without tone, from the song's origin, by row.
    pub fn bounced(&self, to: &str) -> (f64, Vec<Vec<f32>>) {
        let folder = self.folder.path().join(to);
        let report =
            self.json(&["bounce", "--to", folder.to_str().unwrap(), "--format", "f32", "--tone", "off"]);
        let mut lanes = Vec::new();
        for file in list(&report, "files").iter().filter(|file| file["kind"] == "lane") {
            let path = folder.join(file["path"].as_str().unwrap());
            let mut reader = hound::WavReader::open(&path).unwrap();
            let channels = usize::from(reader.spec().channels);
            // What lies before the song's origin is left out, so that a sample's index is its place.
            let start = report["start"].as_i64().unwrap();
            let mut samples = vec![0.0; start.max(0) as usize];
            let read = reader.samples::<f32>().map(Result::unwrap).step_by(channels);
            samples.extend(read.skip(start.min(0).unsigned_abs() as usize));
            lanes.push((number(file, "lane"), samples));
        }
        lanes.sort_by(|a, b| a.0.total_cmp(&b.0));
        (number(&report, "rate"), lanes.into_iter().map(|(_, samples)| samples).collect())
    }

    /// The same for those words alone that lay no farther off than `most` ms as they were sung: what `at most` lets be slid.
    pub fn reachable(&self, most: f64) -> Vec<f64> {
        let shown = self.show();
        let rate = number(&shown, "rate");
        let mut off = Vec::new();
        for (lane, words) in list(&shown, "lanes").iter().zip(&self.truth).skip(1) {
            for (word, guide) in words.iter().zip(&self.truth[0]) {
                if (word.start - guide.start).abs() * 1000.0 <= most {
                    let at = places(lane, word.start * rate);
                    off.extend(at.iter().map(|at| (at / rate - guide.start).abs() * 1000.0));
                }
            }
        }
        off
    }

    /// Where planned onsets lie by the regions alone: amounts of their offsets in ms, words lost, words doubled.
    pub fn planned(&self) -> (Vec<f64>, usize, usize) {
        let shown = self.show();
        let rate = number(&shown, "rate");
        let (mut off, mut lost, mut doubled) = (Vec::new(), 0, 0);
        for (lane, words) in list(&shown, "lanes").iter().zip(&self.truth).skip(1) {
            for (word, guide) in words.iter().zip(&self.truth[0]) {
                match places(lane, word.start * rate).as_slice() {
                    [] => lost += 1,
                    [at] => off.push((at / rate - guide.start).abs() * 1000.0),
                    _ => doubled += 1,
                }
            }
        }
        (off, lost, doubled)
    }
}

/// Where a sample of a lane's recording lies on the timeline; both sides of a crossfade in place are one.
pub fn places(lane: &Value, sample: f64) -> Vec<f64> {
    let holds =
        |region: &&Value| (0.0..number(region, "length")).contains(&(sample - number(region, "source_in")));
    let at = |region: &Value| number(region, "at") + sample - number(region, "source_in");
    let mut places: Vec<f64> = list(lane, "regions").iter().filter(holds).map(at).collect();
    places.dedup_by(|a, b| (*a - *b).abs() < 1.0);
    places
}

pub fn share(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

pub fn db(samples: &[f32]) -> f64 {
    let power = samples.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / samples.len().max(1) as f64;
    10.0 * power.max(1e-20).log10()
}

/// The level of a lane where it is active: the mean power of those 10 ms that lie within 30 dB of the loudest 10 ms.
pub fn active_db(samples: &[f32], rate: f64) -> f64 {
    let levels: Vec<f64> = samples.chunks((rate / 100.0) as usize).map(db).collect();
    let loudest = levels.iter().copied().fold(f64::MIN, f64::max);
    let powers: Vec<f64> = levels
        .iter()
        .filter(|level| **level > loudest - 30.0)
        .map(|level| 10f64.powf(level / 10.0))
        .collect();
    10.0 * (powers.iter().sum::<f64>() / powers.len() as f64).log10()
}

/// The sharpest bend of a waveform in each 6 ms, as for the seams of `trim`.
pub fn bends(samples: &[f32], rate: f64) -> Vec<f64> {
    samples.chunks((rate * 0.006) as usize).map(bend).collect()
}

pub fn bend(samples: &[f32]) -> f64 {
    samples.windows(3).map(|w| f64::from((w[2] - 2.0 * w[1] + w[0]).abs())).fold(0.0, f64::max)
}

/// One cut: how far it lies below the lane's active level in dB, how well its sides agree, and by how much its sharpest
/// bend lies above the 99th percentile of the unedited lane's, in dB.
#[derive(Debug)]
pub struct Cut {
    pub below_db: f64,
    pub correlation: f64,
    pub click_db: f64,
}

impl Cut {
    pub fn is_good(&self) -> bool {
        self.below_db >= 20.0 || self.correlation > 0.9
    }
}

/// All cuts of a lane: places where two of its regions meet, or where one that was cut fades beside a hole.
pub fn cuts(lane: &Value, rate: f64, before: &[f32], after: &[f32]) -> Vec<Cut> {
    let active = active_db(before, rate);
    let mut own = bends(before, rate);
    own.sort_by(f64::total_cmp);
    let p99 = own[own.len() * 99 / 100];
    let half = (rate * 0.005) as usize;
    let regions = list(lane, "regions");
    let mut cuts = Vec::new();
    for pair in regions.windows(2) {
        let (end, start) = (number(&pair[0], "at") + number(&pair[0], "length"), number(&pair[1], "at"));
        let overlap = (end - start).max(0.0) as usize;
        // The recording as it was laid out first is the unedited lane, so its samples are the recording's.
        let source = |region: &Value, at: f64| {
            let from = (number(region, "source_in") + at - number(region, "at")) as usize;
            before.get(from..from + overlap).unwrap_or(&[])
        };
        let (left, right) = (source(&pair[0], start), source(&pair[1], start));
        let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(x, y)| f64::from(x * y)).sum::<f64>();
        let norm = (dot(left, left) * dot(right, right)).sqrt();
        let correlation = if norm > 0.0 { dot(left, right) / norm } else { 0.0 };
        let places = if overlap > 0 { vec![(end + start) / 2.0] } else { vec![end, start] };
        for at in places {
            let middle = (at as usize).min(after.len());
            let around = &after[middle.saturating_sub(half)..(middle + half).min(after.len())];
            let click = bend(around).max(1e-9);
            cuts.push(Cut {
                below_db: active - db(around),
                correlation,
                click_db: 20.0 * (click / p99.max(1e-9)).log10(),
            });
        }
    }
    cuts
}

/// Tightens a stack as the goal has it, and prints what came of it.
pub fn tightened(name: &str, stack: &Stack, how: &str) -> (Vec<f64>, Vec<Cut>) {
    let (rate, before) = stack.bounced("before");
    let (was, ..) = stack.planned();
    let said = stack.run(&format!("tighten within 3ms at most 150ms{how} on all"));
    let (_, after) = stack.bounced("after");
    let (off, lost, doubled) = stack.planned();
    let shown = stack.show();
    let lanes = list(&shown, "lanes").iter().zip(&before).zip(&after).skip(1);
    let all: Vec<Cut> = lanes.flat_map(|((lane, before), after)| cuts(lane, rate, before, after)).collect();
    let good = all.iter().filter(|cut| cut.is_good()).count();
    let click = all.iter().map(|cut| cut.click_db).fold(f64::MIN, f64::max);
    println!(
        "{name}{how}: before median {:.1}, p95 {:.1} ms; after median {:.2}, p95 {:.2}, most {:.1} ms; lost {lost}, doubled \
         {doubled}; {good} of {} cuts low or in phase, clicks at most {click:+.1} dB over p99\n{}",
        share(&was, 0.5),
        share(&was, 0.95),
        share(&off, 0.5),
        share(&off, 0.95),
        share(&off, 1.0),
        all.len(),
        said.trim(),
    );
    for cut in all.iter().filter(|cut| !cut.is_good() || cut.click_db > 0.0) {
        println!("   {cut:?}");
    }
    assert_eq!((lost, doubled), (0, 0), "{name}: words lost and doubled");
    (off, all)
}

/// The bars for cuts.
#[track_caller]
pub fn are_hidden(cuts: &[Cut]) {
    let good = cuts.iter().filter(|cut| cut.is_good()).count();
    println!("{good} of {} cuts low or in phase", cuts.len());
    assert!(good * 20 >= cuts.len() * 19, "{good} of {}", cuts.len());
    for cut in cuts {
        assert!(cut.click_db <= 0.0, "sharper than the 99th percentile of the unedited lane: {cut:?}");
    }
}
