//! What is fed: everything of the program that reads bytes from outside.

use std::collections::HashMap;
use std::path::Path;
use std::sync::{LazyLock, Mutex};

use tautline::cli::{read_fades, read_tones};
use tautline::command::{Context, Deaf, Presets, VERBS, carry_out, complete, parse};
use tautline::edit::{Access, Session, Store, journal_path};
use tautline::handoff::{CheckRequest, check};
use tautline::media::read_midi;
use tautline::mix::Plan;
use tautline::screen::keymap::Keymap;
use tautline::screen::{Theme, check_line};
use tautline::song::{Position, Tempo, TempoMap};

use crate::build::read_every_way;
use crate::common::{TIME, quick_folder};
use crate::engine::Target;
use crate::seeds;

pub const WAV: Target =
    Target { name: "wav", text: false, seeds: seeds::wav, words: seeds::wav_words, feed: take };
pub const BEXT: Target =
    Target { name: "bext", text: false, seeds: seeds::bext_files, words: seeds::none, feed: take };
pub const AIFF: Target =
    Target { name: "aiff", text: false, seeds: seeds::aiff_files, words: seeds::aiff_words, feed: take };
pub const FLAC: Target =
    Target { name: "flac", text: false, seeds: seeds::flac_files, words: seeds::flac_words, feed: take };
pub const LOSSY: Target =
    Target { name: "lossy", text: false, seeds: seeds::lossy, words: seeds::lossy_words, feed: take };
pub const SESSION: Target = Target {
    name: "session",
    text: true,
    seeds: seeds::sessions,
    words: seeds::session_words,
    feed: session,
};
pub const JOURNAL: Target = Target {
    name: "journal",
    text: true,
    seeds: seeds::journals,
    words: seeds::session_words,
    feed: journal,
};
pub const COMMANDS: Target =
    Target { name: "commands", text: true, seeds: seeds::lines, words: seeds::line_words, feed: commands };
pub const KEYMAP: Target =
    Target { name: "keymap", text: true, seeds: seeds::keymaps, words: seeds::toml_words, feed: keymap };
pub const THEME: Target =
    Target { name: "theme", text: true, seeds: seeds::themes, words: seeds::toml_words, feed: theme };
pub const FADES: Target =
    Target { name: "fades", text: true, seeds: seeds::fades, words: seeds::toml_words, feed: fades };
pub const TONES: Target =
    Target { name: "tones", text: true, seeds: seeds::tones, words: seeds::toml_words, feed: tones };
pub const MIDI: Target =
    Target { name: "midi", text: false, seeds: seeds::midis, words: seeds::midi_words, feed: midi };

fn outcome<T, E: std::fmt::Display>(result: Result<T, E>) -> String {
    result.map_or_else(|error| error.to_string(), |_| "read".to_owned())
}

/// A recording that is taken in: everything that reads it.
fn take(bytes: &[u8]) -> String {
    let folder = quick_folder();
    let path = folder.path().join("take.bin");
    std::fs::write(&path, bytes).unwrap();
    match read_every_way(&path, bytes.len()) {
        Ok(report) => {
            format!("{:?} {:?} {}", report.info.container, report.info.sample, report.info.channels)
        }
        Err(error) => error.to_string().replace(&path.display().to_string(), ""),
    }
}

/// A session file: refused, or whole, and everything that is done with one.
fn session(bytes: &[u8]) -> String {
    match Session::from_json(Path::new("s.json"), bytes) {
        Ok(session) => exercise(&session),
        Err(error) => error.to_string(),
    }
}

fn exercise(session: &Session) -> String {
    let mut written = Vec::new();
    session.write_json(&mut written).unwrap();
    // Most damaged journals come to a session that was looked at before.
    static SEEN: LazyLock<Mutex<HashMap<Vec<u8>, String>>> = LazyLock::new(Mutex::default);
    if let Some(outcome) = SEEN.lock().unwrap().get(&written) {
        return outcome.clone();
    }
    let again = Session::from_json(Path::new("s.json"), &written)
        .unwrap_or_else(|error| panic!("its own text is refused: {error}"));
    assert_eq!(again.song(), session.song());
    assert_eq!((again.history.head(), &again.marks), (session.history.head(), &session.marks));
    assert_eq!(again.history.ways(), session.history.ways());
    let violations = session.violations();
    let plan = Plan::compile(session.song(), session.rate, &|_| None);
    // A song of hours would be rendered for long.
    if plan.extent().is_none_or(|extent| extent.end.since(extent.start).0 < 1_000_000)
        || !violations.is_empty()
    {
        let intake = HashMap::new();
        let request = CheckRequest {
            song: session.song(),
            rate: session.rate,
            intake: &intake,
            violations: &violations,
            copies: &[],
            hearing: &Deaf,
            levels: true,
        };
        check(&request).unwrap();
    }
    let presets = Presets::new();
    let context = Context { session, cursor: None, presets: &presets, hearing: &Deaf };
    for verb in VERBS {
        for command in verb.examples.iter().flat_map(|example| parse(example).unwrap()) {
            let _ = command.call.resolve(&context);
        }
    }
    let outcome = violations.first().map_or_else(|| "lawful".to_owned(), ToString::to_string);
    let mut seen = SEEN.lock().unwrap();
    // Room for a few: what is held counts as memory of the inputs.
    if seen.len() < 256 {
        seen.insert(written, outcome.clone());
    }
    outcome
}

static KEPT: LazyLock<(Vec<u8>, Vec<u8>)> = LazyLock::new(seeds::session);

/// A journal beside a good session: folded in or refused, and nothing on disk is changed by a refusal.
fn journal(bytes: &[u8]) -> String {
    let folder = quick_folder();
    let path = folder.path().join("song.json");
    std::fs::write(&path, &KEPT.0).unwrap();
    std::fs::write(journal_path(&path), bytes).unwrap();
    let looked = Store::open(&path, Access::Read);
    match Store::open(&path, Access::Write) {
        Ok((store, _)) => {
            let looked = looked.unwrap().0;
            assert_eq!(looked.session().song(), store.session().song());
            assert!(store.session().history.edits().len() >= 10);
            store.close().unwrap();
            exercise(looked.session())
        }
        Err(error) => {
            assert_eq!(looked.err().map(|error| error.to_string()), Some(error.to_string()));
            assert!(
                std::fs::read(&path).unwrap() == KEPT.0
                    && std::fs::read(journal_path(&path)).unwrap() == bytes
            );
            error.to_string().replace(&folder.path().display().to_string(), "")
        }
    }
}

/// Lines of commands: read or refused at a column of their own, completed, carried out or refused whole.
fn commands(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let folder = quick_folder();
    let path = folder.path().join("song.json");
    std::fs::write(&path, &KEPT.0).unwrap();
    let (mut store, _) = Store::open(&path, Access::Rehearse).unwrap();
    let presets = Presets::new();
    let mut outcome = String::new();
    for line in text.lines().take(8) {
        let half = line.char_indices().map(|(at, _)| at).nth(line.chars().count() / 2).unwrap_or(0);
        let context = Context { session: store.session(), cursor: None, presets: &presets, hearing: &Deaf };
        for typed in [line, &line[..half]] {
            assert!(complete(typed, Some(&context)).iter().all(|candidate| !candidate.text.is_empty()));
        }
        let _ = check_line(line);
        match parse(line) {
            Ok(commands) => {
                for command in commands {
                    let context =
                        Context { session: store.session(), cursor: None, presets: &presets, hearing: &Deaf };
                    match command.call.resolve(&context) {
                        Ok(action) => {
                            let before = store.session().song().clone();
                            if let Err(error) = carry_out(&mut store, action, &command.text, TIME) {
                                assert_eq!(*store.session().song(), before, "{error}");
                            }
                            assert_eq!(store.session().violations(), vec![], "{}", command.text);
                            outcome.push_str(command.call.verb.name);
                        }
                        Err(error) => outcome.push_str(&error.to_string()),
                    }
                }
            }
            Err(error) => {
                assert!(!error.message.is_empty() && error.span.start <= error.span.end, "{error:?}");
                assert!(error.span.start <= line.len(), "{error:?}");
                outcome.push_str(&error.to_string());
            }
        }
    }
    outcome.truncate(outcome.char_indices().nth(120).map_or(outcome.len(), |(at, _)| at));
    outcome
}

fn keymap(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    let mut map = Keymap::new();
    let _ = Keymap::builds_on(&text);
    let mut problems = map.read(&text, "mine.toml", &check_line);
    // Over a good one, as a user's own is.
    let mut over = Keymap::new();
    over.read(include_str!("../../keymaps/two-hands.toml"), "keymaps/two-hands.toml", &check_line);
    problems.extend(over.read(&text, "mine.toml", &check_line));
    for (place, _, binding) in over.all() {
        assert!(!binding.file.is_empty());
        let _ = over.find(place, &[]);
    }
    problems.last().map_or_else(|| "read".to_owned(), |problem| problem.text.clone())
}

fn theme(bytes: &[u8]) -> String {
    outcome(Theme::read(&String::from_utf8_lossy(bytes)))
}

fn fades(bytes: &[u8]) -> String {
    outcome(read_fades(&String::from_utf8_lossy(bytes), Path::new("fades.toml")).map_err(|error| error.text))
}

fn tones(bytes: &[u8]) -> String {
    outcome(read_tones(&String::from_utf8_lossy(bytes), Path::new("tones.toml")).map_err(|error| error.text))
}

/// A tempo file, and where its bars and markers lie.
fn midi(bytes: &[u8]) -> String {
    let folder = quick_folder();
    let path = folder.path().join("tempo.mid");
    std::fs::write(&path, bytes).unwrap();
    match read_midi(&path) {
        Ok(found) => {
            let tempi = found
                .tempi
                .iter()
                .map(|t| Tempo { tick: t.tick, us_per_quarter: t.us_per_quarter })
                .collect();
            let meters = found
                .meters
                .iter()
                .map(|m| tautline::song::Meter { tick: m.tick, beats: m.beats, unit: m.unit })
                .collect();
            let map =
                TempoMap { ticks_per_quarter: found.ticks_per_quarter, origin: Position(0), tempi, meters };
            if let Some(fault) = map.fault() {
                return fault.to_string();
            }
            for marker in &found.markers {
                let _ = map.position(marker.tick, 48_000);
            }
            format!("read {} {}", found.tempi.len().min(3), found.markers.len().min(3))
        }
        Err(error) => error.to_string().replace(&path.display().to_string(), ""),
    }
}
