//! Takes with known truth: spoken words of the fixtures laid out with gaps, over a noise floor, with leakage; and a session
//! around them, so that commands are run as a user runs them.
#![allow(dead_code)]

use std::cell::RefCell;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Deserialize;
use tautline::command::{Action, Context, Cursor, Diagnostic, Done, Hearing, Presets, carry_out, parse};
use tautline::edit::Store;
use tautline::listen::{Heard, Slice, Source, listen};
use tautline::media::{Silent, WavReader, hash_file, probe, working_copy};
use tautline::mix::{Plan, Samples, Scratch, render_lane};
use tautline::song::{AssetId, Lane, Position};

pub use crate::common::RATE;
use crate::common::{TIME, session_of};

/// Even noise between -1 and 1 from a 64-bit congruential generator.
#[derive(Clone)]
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64 * 2.0 - 1.0
    }

    /// White noise of a level in dBFS rms.
    pub fn white(&mut self, frames: usize, dbfs: f64) -> Vec<f32> {
        let gain = 3f64.sqrt() * 10f64.powf(dbfs / 20.0);
        (0..frames).map(|_| (self.next() * gain) as f32).collect()
    }

    /// A whole number from one bound to below the other.
    pub fn between(&mut self, from: u64, to: u64) -> u64 {
        from + ((self.next() * 0.5 + 0.5) * (to - from) as f64) as u64
    }
}

pub fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The samples of a recording at 48 kHz.
pub fn read(path: &Path) -> Vec<f32> {
    let cache = tempfile::tempdir().unwrap();
    let info = probe(path).unwrap();
    let copy = working_copy(path, &hash_file(path).unwrap(), &info, RATE, cache.path(), &Silent).unwrap();
    let mut reader = WavReader::open(&copy).unwrap();
    let mut samples = vec![0.0; reader.info().frames as usize];
    reader.read(0, &mut [&mut samples]).unwrap();
    samples
}

#[derive(Deserialize)]
struct Endings {
    words: Vec<EndingWord>,
}

#[derive(Deserialize)]
struct EndingWord {
    voice: String,
    word: String,
    ending: String,
    start: usize,
    end: usize,
    phones: Vec<(String, usize, usize)>,
}

/// A spoken word by itself.
#[derive(Clone)]
pub struct Word {
    pub voice: String,
    pub word: String,
    pub ending: String,
    pub sound: Vec<f32>,
    /// From where to where its last consonants sound, in `sound`.
    pub last: (usize, usize),
}

/// All words with which thresholds were set, their samples scaled by `gain`.
pub fn words(gain: f32) -> Vec<Word> {
    words_of("endings", gain)
}

/// All words of a fixture, their samples scaled by `gain`.
pub fn words_of(name: &str, gain: f32) -> Vec<Word> {
    let folder = root().join("tests/fixtures/endings");
    let truth: Endings =
        serde_json::from_slice(&std::fs::read(folder.join(format!("{name}.json"))).unwrap()).unwrap();
    let samples = read(&folder.join(format!("{name}.flac")));
    let consonants = |ending: &str| if ending == "st" || ending == "ks" { 2 } else { 1 };
    let word = |word: EndingWord| {
        let first = word.phones.len() - consonants(&word.ending);
        Word {
            sound: samples[word.start..word.end].iter().map(|sample| sample * gain).collect(),
            last: (word.phones[first].1 - word.start, word.end - word.start),
            voice: word.voice,
            word: word.word,
            ending: word.ending,
        }
    };
    truth.words.into_iter().map(word).collect()
}

/// A word where it lies in a take.
#[derive(Clone)]
pub struct Placed {
    pub voice: String,
    pub word: String,
    pub ending: String,
    pub start: usize,
    pub end: usize,
    pub last: (usize, usize),
}

/// A take with its truth.
#[derive(Clone)]
pub struct Take {
    /// What the microphone heard.
    pub sound: Vec<f32>,
    /// The voice alone.
    pub clean: Vec<f32>,
    pub words: Vec<Placed>,
}

/// Words laid out with gaps of 0.5 to 2 s.
pub fn lay_out(words: &[Word], noise: &mut Noise) -> Take {
    let gap = |noise: &mut Noise| noise.between(u64::from(RATE) / 2, u64::from(RATE) * 2) as usize;
    let mut clean = vec![0.0f32; gap(noise)];
    let mut placed = Vec::new();
    for word in words {
        let start = clean.len();
        clean.extend(&word.sound);
        placed.push(Placed {
            voice: word.voice.clone(),
            word: word.word.clone(),
            ending: word.ending.clone(),
            start,
            end: clean.len(),
            last: (start + word.last.0, start + word.last.1),
        });
        clean.resize(clean.len() + gap(noise), 0.0);
    }
    Take { sound: clean.clone(), clean, words: placed }
}

impl Take {
    /// Adds a white floor of a level in dBFS rms.
    pub fn with_floor(mut self, dbfs: f64, noise: &mut Noise) -> Take {
        let floor = noise.white(self.sound.len(), dbfs);
        self.sound.iter_mut().zip(floor).for_each(|(sample, floor)| *sample += floor);
        self
    }

    /// Adds another take's voice, by so many dB.
    pub fn with_leakage(mut self, other: &Take, db: f64) -> Take {
        let gain = 10f32.powf(db as f32 / 20.0);
        let other = other.clean.iter().chain(std::iter::repeat(&0.0));
        self.sound.iter_mut().zip(other).for_each(|(sample, leak)| *sample += leak * gain);
        self
    }
}

/// Recordings in memory that can be listened to.
#[derive(Default)]
pub struct Memory {
    pub takes: HashMap<AssetId, Vec<f32>>,
    heard: RefCell<HashMap<AssetId, Arc<Heard>>>,
}

impl std::fmt::Debug for Memory {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} takes", self.takes.len())
    }
}

impl Hearing for Memory {
    fn heard(&self, asset: AssetId) -> Result<Arc<Heard>, Diagnostic> {
        let mut heard = self.heard.borrow_mut();
        let fresh = || Arc::new(listen(&mut Slice { rate: RATE, samples: &self.takes[&asset] }).unwrap());
        Ok(Arc::clone(heard.entry(asset).or_insert_with(fresh)))
    }

    fn samples(&self, asset: AssetId, from: u64, out: &mut [f32]) -> Result<(), Diagnostic> {
        Slice { rate: RATE, samples: &self.takes[&asset] }.read(from, out).map_err(Diagnostic::refusal)
    }
}

impl Samples for Memory {
    fn fill(&mut self, asset: AssetId, _: u16, from: u64, out: &mut [f32]) {
        Slice { rate: RATE, samples: &self.takes[&asset] }.read(from, out).unwrap();
    }
}

/// A session of takes in memory, the first one the guide.
pub struct Desk {
    pub store: Store,
    pub memory: Memory,
    pub presets: Presets,
    pub cursor: Option<Cursor<'static>>,
    _folder: tempfile::TempDir,
}

pub fn desk(takes: Vec<Vec<f32>>) -> Desk {
    let folder = tempfile::tempdir().unwrap();
    let session = session_of(takes.iter().map(|take| take.len() as u64));
    let store = Store::create(&folder.path().join("song.json"), session).unwrap();
    let takes = takes.into_iter().zip(1..).map(|(take, id)| (AssetId(id), take)).collect();
    let memory = Memory { takes, ..Memory::default() };
    Desk { store, memory, presets: Presets::new(), cursor: None, _folder: folder }
}

impl Desk {
    pub fn resolve(&self, line: &str) -> Result<Vec<Action>, Diagnostic> {
        let context = Context {
            session: self.store.session(),
            cursor: self.cursor,
            presets: &self.presets,
            hearing: &self.memory,
        };
        parse(line)?.iter().map(|command| command.call.resolve(&context)).collect()
    }

    pub fn run(&mut self, line: &str) -> Result<Done, Diagnostic> {
        let mut done = Err(Diagnostic::refusal("empty line"));
        for command in parse(line)? {
            let context = Context {
                session: self.store.session(),
                cursor: self.cursor,
                presets: &self.presets,
                hearing: &self.memory,
            };
            let action = command.call.resolve(&context)?;
            done = Ok(carry_out(&mut self.store, action, &command.text, TIME)
                .map_err(|error| Diagnostic::refusal(error.to_string()))?);
        }
        done
    }

    pub fn lane(&self, number: usize) -> &Lane {
        &self.store.session().song().lanes[number - 1]
    }

    /// What a lane sounds like; with `other` in place of its recording, what becomes of that.
    pub fn render(&self, number: usize, other: Option<&[f32]>, frames: usize) -> Vec<f32> {
        let plan = Plan::compile(self.store.session().song(), RATE, &|_| Some(1));
        let mut takes = self.memory.takes.clone();
        if let Some(other) = other {
            takes.insert(AssetId(number as u64), other.to_vec());
        }
        let mut memory = Memory { takes, ..Memory::default() };
        let mut out = vec![0.0; frames];
        let mut scratch = Scratch::new(4096);
        render_lane(&plan.lanes()[number - 1], Position(0), &mut [&mut out], &mut memory, &mut scratch);
        out
    }
}

pub fn energy(samples: &[f32]) -> f64 {
    samples.iter().map(|sample| f64::from(*sample).powi(2)).sum()
}

pub fn level_db(samples: &[f32]) -> f64 {
    10.0 * (energy(samples) / samples.len().max(1) as f64).max(1e-20).log10()
}

/// What lies above 100 Hz: four simple high-passes in a row.
pub fn above_100_hz(samples: &[f32]) -> Vec<f32> {
    let mut out = samples.to_vec();
    for _ in 0..4 {
        let (keep, mut low) = (2.0 * std::f32::consts::PI * 100.0 / RATE as f32, 0.0);
        for sample in &mut out {
            low += keep * (*sample - low);
            *sample -= low;
        }
    }
    out
}

/// The high part: twice differenced, 12 dB per octave.
pub fn high(samples: &[f32]) -> Vec<f32> {
    samples.windows(3).map(|w| w[2] - 2.0 * w[1] + w[0]).collect()
}
