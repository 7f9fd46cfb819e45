//! How near measured offsets come to the truth, on made stacks: folders with `truth.json`.
//!
//!     cargo bench --profile quick --bench timing_scores -- tests/fixtures/timing/held/*
//!     cargo bench --profile quick --bench timing_scores -- --words words.tsv DRAW/*       and each word on a line
//!
//! Folders whose names differ in their number only are one set. Stacks are made by `tests/fixtures/timing/make_timing.py` and
//! `make_draw.py`. A true word that has no measured one within 80 ms in the guide is not covered.
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::Value;
use tautline::listen::Slice;
use tautline::listen::timing::{Alike, Listened, Match, match_words};
use tautline::listen::words::Word;
use tautline::media::{Silent, WavReader, hash_file, probe, working_copy};

/// Farthest that a measured word may begin from a true one to stand for it, in seconds.
const NEAR_S: f64 = 0.08;

#[derive(Default)]
struct Scores {
    asked: usize,
    errors: Vec<f64>,
    sure: Vec<f64>,
    doubtful: usize,
    ends: Vec<f64>,
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter(|argument| argument != "--bench").peekable();
    let mut table = None;
    if arguments.next_if_eq("--words").is_some() {
        table = Some((arguments.next().expect("--words FILE"), String::new()));
    }
    let mut sets: BTreeMap<String, Scores> = BTreeMap::new();
    for folder in arguments.map(PathBuf::from) {
        let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let set = name.trim_end_matches(|c: char| c.is_ascii_digit()).trim_end_matches('-').to_owned();
        score(&folder, &name, sets.entry(set).or_default(), table.as_mut().map(|(_, text)| text));
    }
    println!(
        "set                words  coverage   median     p90     p95    most   within 10/20/50 ms   at 0.9 or more: words, within 15 ms   below 0.5   ends p95"
    );
    let mut all = Scores::default();
    for (name, scores) in &sets {
        say(name, scores);
        all.asked += scores.asked;
        all.errors.extend(&scores.errors);
        all.sure.extend(&scores.sure);
        all.doubtful += scores.doubtful;
    }
    say("all", &all);
    if let Some((file, text)) = table {
        std::fs::write(file, text).expect("the table can be written");
    }
}

fn score(folder: &Path, name: &str, scores: &mut Scores, mut table: Option<&mut String>) {
    let truth: Value =
        serde_json::from_slice(&std::fs::read(folder.join("truth.json")).expect("truth.json")).expect("JSON");
    let rate = u32::try_from(truth["rate"].as_u64().expect("rate")).expect("rate");
    let takes = truth["takes"].as_array().expect("takes");
    let listened: Vec<Listened> =
        takes.iter().map(|take| listen(&folder.join(take["file"].as_str().expect("file")), rate)).collect();
    let (guide, words) = (&listened[0], listened[0].words());
    for (lane, take) in listened.iter().zip(takes).skip(1) {
        let matches = match_words(guide, &words, lane);
        if matches.alike != Alike::Yes {
            println!("{name} {}: {:?} ({:.2})", take["file"], matches.alike, matches.likeness);
        }
        let pairs =
            takes[0]["words"].as_array().expect("words").iter().zip(take["words"].as_array().expect("words"));
        for (guide_word, lane_word) in pairs {
            scores.asked += 1;
            let (from, to) = (seconds(guide_word, "start"), seconds(lane_word, "start"));
            let away = |word: &Word| (word.onset as f64 / f64::from(rate) - from).abs();
            let found = words.iter().zip(&matches.words).filter(|(_, found)| !found.missing);
            let nearest = found.min_by(|a, b| away(a.0).total_cmp(&away(b.0)));
            let near = nearest.filter(|(word, _)| away(word) < NEAR_S);
            let error = near.map(|(word, found)| {
                (found.onset - word.onset as f64) * 1000.0 / f64::from(rate) - (to - from) * 1000.0
            });
            if let (Some((word, found)), Some(error)) = (near, error) {
                scores.errors.push(error.abs());
                scores.doubtful += usize::from(found.confidence < 0.5);
                if found.confidence >= 0.9 {
                    scores.sure.push(error.abs());
                }
                if let (Some(one), Some(other)) = (guide_word["end"].as_f64(), lane_word["end"].as_f64()) {
                    let measured = (found.end - found.guide_end) * 1000.0 / f64::from(rate);
                    scores.ends.push((measured - (other - one) * 1000.0).abs());
                }
                if let Some(table) = table.as_deref_mut() {
                    row(table, name, take, (from, to), error, word.onset as f64 / f64::from(rate), found);
                }
            } else if let Some(table) = table.as_deref_mut() {
                let away = nearest.map_or(9.0, |(word, _)| away(word));
                writeln!(table, "{name}\t{}\t{from:.3}\t{to:.3}\tnone\t{away:.3}", take["file"])
                    .expect("text");
            }
        }
    }
}

fn row(
    table: &mut String,
    name: &str,
    take: &Value,
    (from, to): (f64, f64),
    error: f64,
    at: f64,
    found: &Match,
) {
    let hit = found.evidence.found;
    writeln!(
        table,
        "{name}\t{}\t{from:.3}\t{to:.3}\t{error:.2}\t{:.3}\t{:.3}\t{}\t{:.3}\t{:.3}\t{:.3}\t{:.3}\t{:.1}\t{:.1}",
        take["file"],
        at - from,
        found.confidence,
        u8::from(hit.same),
        hit.likeness,
        hit.lead,
        hit.wave,
        found.evidence.cost,
        found.evidence.unit_ms,
        found.evidence.beside_ms,
    )
    .expect("text");
}

fn say(name: &str, scores: &Scores) {
    let at = |values: &[f64], share: f64| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted
            .get((sorted.len().saturating_sub(1) as f64 * share).round() as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    let within = |values: &[f64], ms: f64| {
        100.0 * values.iter().filter(|error| **error <= ms).count() as f64 / values.len().max(1) as f64
    };
    let e = &scores.errors;
    println!(
        "{name:18} {:5}  {:6.1} %  {:7.2} {:7.1} {:7.1} {:7.0}   {:5.1} {:5.1} {:5.1} %   {:5} {:5.1} %   {:5.1} %   {:.1}",
        scores.asked,
        100.0 * e.len() as f64 / scores.asked.max(1) as f64,
        at(e, 0.5),
        at(e, 0.9),
        at(e, 0.95),
        at(e, 1.0),
        within(e, 10.0),
        within(e, 20.0),
        within(e, 50.0),
        scores.sure.len(),
        within(&scores.sure, 15.0),
        100.0 * scores.doubtful as f64 / e.len().max(1) as f64,
        at(&scores.ends, 0.95),
    );
}

fn seconds(word: &Value, key: &str) -> f64 {
    word[key].as_f64().expect("seconds")
}

fn listen(path: &Path, rate: u32) -> Listened {
    let cache = tempfile::tempdir().expect("a folder to work in");
    let info = probe(path).expect("a recording");
    let wav = working_copy(path, &hash_file(path).expect("a recording"), &info, rate, cache.path(), &Silent)
        .expect("a copy");
    let mut reader = WavReader::open(&wav).expect("the copy");
    let mut samples = vec![0.0; usize::try_from(info.frames).expect("frames")];
    reader.read(0, &mut [samples.as_mut_slice()]).expect("samples");
    Listened::to(&mut Slice { rate, samples: &samples }).expect("samples in memory can be read")
}
