//! A desk for tests of the real program: a folder to work in, a home of its own, takes to work on.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use tempfile::TempDir;

pub const RATE: u32 = 48_000;

/// A temporary folder with `work` in it, where the program runs, and `home`, which it takes for the user's.
pub struct Desk(TempDir);

/// What a run of the program left behind.
#[derive(Debug)]
pub struct Said {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Said {
    /// The only JSON document on standard output.
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }

    /// The same, if the run ended with `code`.
    #[track_caller]
    pub fn ends(self, code: i32) -> Said {
        assert_eq!(self.code, code, "{self:#?}");
        self
    }

    /// The same, if standard error holds all of `parts`.
    #[track_caller]
    pub fn complains(self, parts: &[&str]) -> Said {
        for part in parts {
            assert!(self.err.contains(part), "{part:?} is not in {self:#?}");
        }
        self
    }
}

impl Desk {
    pub fn new() -> Desk {
        let desk = Desk(tempfile::tempdir().unwrap());
        for folder in ["work", "home"] {
            fs::create_dir(desk.0.path().join(folder)).unwrap();
        }
        desk
    }

    /// A desk with three takes of three seconds and the session `song.json` of them.
    pub fn with_session() -> Desk {
        let desk = Desk::new();
        desk.take("lead.wav", RATE, 1, 3 * 48_000);
        desk.take("double-1.wav", RATE, 1, 3 * 48_000);
        desk.take("double-2.wav", RATE, 1, 3 * 48_000);
        desk.tautline(&[
            "new",
            "song.json",
            "--title",
            "Lantern Row",
            "lead.wav",
            "double-1.wav",
            "double-2.wav",
        ])
        .ends(0);
        desk
    }

    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.0.path().join("work").join(name)
    }

    pub fn home(&self) -> PathBuf {
        self.0.path().join("home")
    }

    /// The folders that the program is told; nothing of the machine's user is read or written.
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        let home = self.home();
        vec![
            ("XDG_CACHE_HOME", home.join("cache").into()),
            ("XDG_CONFIG_HOME", home.join("config").into()),
            ("HOME", home.into()),
        ]
    }

    pub fn command(&self, args: &[impl AsRef<OsStr>]) -> assert_cmd::Command {
        let mut command = assert_cmd::Command::new(env!("CARGO_BIN_EXE_tautline"));
        command.current_dir(self.path("")).envs(self.environment()).args(args);
        command
    }

    #[track_caller]
    pub fn tautline(&self, args: &[impl AsRef<OsStr>]) -> Said {
        said(&mut self.command(args))
    }

    /// Runs the program with text on its standard input.
    #[track_caller]
    pub fn feed(&self, args: &[&str], input: &[u8]) -> Said {
        said(self.command(args).write_stdin(input))
    }

    /// Runs commands on `song.json`.
    #[track_caller]
    pub fn run(&self, line: &str) -> Said {
        self.tautline(&["run", "song.json", "-c", line])
    }

    /// `show --json` of `song.json`.
    #[track_caller]
    pub fn show(&self) -> Value {
        self.tautline(&["show", "song.json", "--json"]).ends(0).json()
    }

    pub fn put(&self, name: impl AsRef<Path>, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, bytes).unwrap();
        path
    }

    pub fn take(&self, name: &str, rate: u32, channels: u16, frames: u32) -> PathBuf {
        let path = self.path(name);
        write_i24(&path, rate, channels, &noise(frames * u32::from(channels), name));
        path
    }

    /// Every file in the working folder with a hash of its bytes.
    pub fn files(&self) -> BTreeMap<PathBuf, String> {
        let mut files = BTreeMap::new();
        collect(&self.path(""), &mut files);
        files
    }
}

fn collect(folder: &Path, into: &mut BTreeMap<PathBuf, String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, into);
        } else {
            let hash = blake3::hash(&fs::read(&path).unwrap());
            into.insert(path, hash.to_hex()[..16].to_owned());
        }
    }
}

/// Runs a command to its end. Whatever happens, no panic may reach the user.
#[track_caller]
pub fn said(command: &mut assert_cmd::Command) -> Said {
    let output = command.timeout(std::time::Duration::from_secs(120)).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let said = Said {
        code: output.status.code().unwrap_or(-1),
        out: text(&output.stdout),
        err: text(&output.stderr),
    };
    for word in ["panicked", "RUST_BACKTRACE", "unwrap()"] {
        assert!(!said.out.contains(word) && !said.err.contains(word), "{said:#?}");
    }
    said
}

/// Samples of 24 bits: noise that is of another level every 100 ms, from -60 to -18 dBFS at its peaks, 6 dB each, then
/// from the start again. Each name has a noise of its own.
pub fn noise(count: u32, name: &str) -> Vec<i32> {
    let mut state =
        name.bytes().fold(1u32, |state, byte| state.wrapping_mul(31).wrapping_add(u32::from(byte)));
    (0..count)
        .map(|n| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state as i32 >> 18) << ((n / 4800) % 8)
        })
        .collect()
}

pub fn write_i24(path: &Path, rate: u32, channels: u16, samples: &[i32]) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    samples.iter().for_each(|sample| writer.write_sample(*sample).unwrap());
    writer.finalize().unwrap();
}

/// A WAV file through hound: its header, and its samples as floats, interleaved.
pub fn read_wav(path: &Path) -> (hound::WavSpec, Vec<f32>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let samples = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(Result::unwrap).collect(),
        hound::SampleFormat::Int => {
            let scale = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
            reader.samples::<i32>().map(|x| (f64::from(x.unwrap()) / scale) as f32).collect()
        }
    };
    (spec, samples)
}
