//! Takes that do not fit their guide: the program says so and moves nothing that it is not sure of.
//!
//! `tests/fixtures/timing/odd` (made by `make_odd.py` there) has one guide, other lines in another language and the
//! guide's lines at twice the tempo; other numbers of choruses are made here from a pair of takes that fit.

#[path = "common/own_home.rs"]
mod own_home;

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;

/// A session in a folder of its own, made from one guide and one take.
struct Pair {
    folder: tempfile::TempDir,
}

impl Pair {
    fn new(guide: &Path, lane: &Path) -> Pair {
        let pair = Pair { folder: tempfile::tempdir().unwrap() };
        pair.tautline().arg("new").arg(pair.path()).arg("--guide").args([guide, lane]).assert().success();
        pair
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("song.json")
    }

    fn tautline(&self) -> Command {
        own_home::tautline(self.folder.path())
    }

    /// The lane's part of `timing --json`.
    fn lane(&self) -> Value {
        let output = self.tautline().arg("timing").arg(self.path()).arg("--json").output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let report: Value = serde_json::from_slice(&output.stdout).unwrap();
        report["lanes"][0].clone()
    }

    fn text(&self) -> String {
        let output = self.tautline().arg("timing").arg(self.path()).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    }

    /// Regions of the lane: where in the take they begin and where on the timeline.
    fn regions(&self) -> Vec<(i64, i64)> {
        let output = self.tautline().arg("show").arg(self.path()).arg("--json").output().unwrap();
        let shown: Value = serde_json::from_slice(&output.stdout).unwrap();
        let regions = shown["lanes"][1]["regions"].as_array().unwrap();
        regions.iter().map(|r| (r["source_in"].as_i64().unwrap(), r["at"].as_i64().unwrap())).collect()
    }

    fn tighten(&self) -> std::process::Output {
        self.tautline().arg("run").arg(self.path()).args(["-c", "tighten on all"]).output().unwrap()
    }

    /// Nothing may be trusted and nothing may move; `said` stands in the report.
    fn is_left_alone(&self, alike: &str, said: &str) {
        let (lane, before) = (self.lane(), self.regions());
        assert_eq!(lane["alike"], alike);
        assert!(words(&lane).iter().all(|word| word["confidence"].as_f64().unwrap() <= 0.1));
        assert!(self.text().contains(said), "{}", self.text());
        assert_eq!(self.tighten().status.code(), Some(1), "tighten refuses");
        assert_eq!(self.regions(), before);
    }
}

fn words(lane: &Value) -> &[Value] {
    lane["words"].as_array().unwrap()
}

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/timing").join(name)
}

#[test]
fn another_language_on_the_same_beats_is_another_song() {
    let pair = Pair::new(&fixture("odd/guide.flac"), &fixture("odd/other-language.flac"));
    pair.is_left_alone("no", "does not hold the guide's words");
}

/// Held vowels and lines of one length make takes of other words look alike; a path through them can always be found.
#[test]
fn takes_of_other_words_are_other_songs() {
    let takes = ["guide", "lane-1", "lane-2"];
    let held = ["b-apart", "b-lines", "c-tails", "d-gaps"];
    let tune = ["b-lines", "c-tails"];
    let file = |set: &str, take: &str| fixture(&format!("{set}/{take}.flac"));
    let mut taken = Vec::new();
    for tune in tune {
        for held in held {
            let (ours, theirs) = (format!("tune/{tune}"), format!("held/{held}"));
            for take in takes {
                let pair = Pair::new(&file(&ours, "guide"), &file(&theirs, take));
                taken.push((pair.lane()["alike"].clone(), format!("{theirs}/{take} to {ours}")));
            }
            let pair = Pair::new(&file(&theirs, "guide"), &file(&ours, "lane-1"));
            taken.push((pair.lane()["alike"].clone(), format!("{ours}/lane-1 to {theirs}")));
        }
    }
    taken.retain(|(alike, _)| alike != "no");
    assert!(taken.is_empty(), "taken for the guide's song: {taken:?}");
}

#[test]
fn twice_and_half_the_tempo_are_told() {
    let (slow, fast) = (fixture("odd/guide.flac"), fixture("odd/twice-the-tempo.flac"));
    Pair::new(&slow, &fast).is_left_alone("other-tempo", "much faster or slower than the guide");
    Pair::new(&fast, &slow).is_left_alone("other-tempo", "much faster or slower than the guide");
}

/// A take of `held/b-lines` as samples, cut or filled up to one length for all, so that choruses stay in step.
fn chorus(file: &str) -> Vec<i16> {
    let flac = fixture("held/b-lines").join(file);
    let pair = Pair::new(&flac, &flac);
    let out = pair.folder.path().join("out");
    pair.tautline()
        .arg("bounce")
        .arg(pair.path())
        .arg("--to")
        .arg(&out)
        .args(["--format", "i16"])
        .assert()
        .success();
    let wavs = std::fs::read_dir(&out).unwrap().map(|entry| entry.unwrap().path());
    let wav = wavs.filter(|path| path.extension().is_some_and(|e| e == "wav")).min().unwrap();
    let mut reader = hound::WavReader::open(wav).unwrap();
    let channels = usize::from(reader.spec().channels);
    let mut samples: Vec<i16> = reader.samples::<i16>().map(|s| s.unwrap()).step_by(channels).collect();
    samples.resize(CHORUS, 0);
    samples
}

const RATE: u32 = 16_000;
/// Samples of one chorus.
const CHORUS: usize = 147_812;

fn write(folder: &Path, name: &str, samples: &[i16]) -> PathBuf {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let path = folder.join(name);
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    samples.iter().for_each(|sample| writer.write_sample(*sample).unwrap());
    writer.finalize().unwrap();
    path
}

/// Guide and lane with so many choruses, the lane resting for `rest` of them first.
fn choruses(guide: usize, lane: usize, rest: usize) -> (tempfile::TempDir, Pair) {
    let folder = tempfile::tempdir().unwrap();
    let one = write(folder.path(), "guide.wav", &chorus("guide.flac").repeat(guide));
    let mut samples = vec![0; rest * CHORUS];
    samples.extend(chorus("lane-1.flac").repeat(lane));
    let other = write(folder.path(), "lane.wav", &samples);
    let pair = Pair::new(&one, &other);
    (folder, pair)
}

/// Every word that is acted on lies in the guide's chorus that the lane sings at that time, and one of them is sure.
fn stays_in_its_chorus(lane: &Value) {
    assert_eq!(lane["alike"], "yes");
    let trusted = words(lane).iter().filter(|word| word["confidence"].as_f64().unwrap() >= 0.5);
    let offsets: Vec<f64> = trusted.map(|word| word["offset_ms"].as_f64().unwrap()).collect();
    // The takes lie within 60 ms of each other by plan, and their words drift by voice.
    assert!(offsets.len() >= 8 && offsets.iter().all(|offset| offset.abs() < 300.0), "{offsets:?}");
}

#[test]
fn a_take_with_fewer_choruses_leaves_the_others_out() {
    let (_folder, pair) = choruses(3, 2, 0);
    let lane = pair.lane();
    stays_in_its_chorus(&lane);
    let missing = lane["missing"].as_array().unwrap();
    assert!(missing.len() * 4 >= words(&lane).len(), "a third of the words is missing: {}", missing.len());
    let last = 2.0 * CHORUS as f64 / f64::from(RATE);
    let late = words(&lane).iter().filter(|word| word["guide_s"].as_f64().unwrap() > last);
    assert!(late.into_iter().all(|word| word["confidence"].as_f64().unwrap() <= 0.1));
}

#[test]
fn a_take_with_more_choruses_has_extra_words() {
    let (_folder, pair) = choruses(2, 3, 0);
    let lane = pair.lane();
    stays_in_its_chorus(&lane);
    assert!(lane["extra"].as_array().unwrap().len() >= 10);
    assert!(lane["missing"].as_array().unwrap().is_empty());
}

#[test]
fn ten_seconds_against_ten_minutes_are_found_where_they_were_sung() {
    let (_folder, pair) = choruses(65, 1, 3);
    stays_in_its_chorus(&pair.lane());
    let (_folder, pair) = choruses(65, 1, 0);
    let lane = pair.lane();
    stays_in_its_chorus(&lane);
    assert!(lane["missing"].as_array().unwrap().len() > 1000);
    // Whatever is moved by itself moves a little only.
    let before = pair.regions();
    let said = pair.tighten();
    let moved = |(source, at): &(i64, i64)| (at - source - (before[0].1 - before[0].0)).unsigned_abs();
    let limit = u64::from(RATE) * 300 / 1000;
    // The room's own sound that fills a hole is taken from anywhere: it is not where the take would go on.
    let after = pair.regions();
    let fills = |index: usize| {
        index > 0
            && index + 1 < after.len()
            && !(after[index - 1].0..after[index + 1].0).contains(&after[index].0)
    };
    let far: Vec<(i64, i64)> = (0..after.len())
        .filter(|index| !fills(*index))
        .map(|index| after[index])
        .filter(|r| moved(r) >= limit)
        .collect();
    assert!(far.is_empty(), "{far:?}: {}", String::from_utf8_lossy(&said.stdout));
}
