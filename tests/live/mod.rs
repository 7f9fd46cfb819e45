//! The program in a pseudo-terminal: keys in, a screen out, every byte counted.
#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, native_pty_system};

/// Longest that anything is waited for: a machine under load is slow, and a hang must end the test.
const PATIENCE: Duration = Duration::from_secs(60);
/// No byte for so long: the program has done what it was going to do.
const QUIET: Duration = Duration::from_millis(250);

/// A program that runs in a pseudo-terminal.
pub struct Live {
    child: Box<dyn Child + Send + Sync>,
    master: Box<dyn MasterPty + Send>,
    writer: Box<dyn Write + Send>,
    seen: Arc<Mutex<Seen>>,
}

pub struct Seen {
    pub parser: vt100::Parser,
    pub raw: Vec<u8>,
    pub last: Instant,
    pub ended: bool,
}

/// How a program is started.
pub struct Start<'a> {
    pub args: Vec<String>,
    pub size: (u16, u16),
    pub home: &'a Path,
    pub env: Vec<(&'static str, &'static str)>,
}

impl<'a> Start<'a> {
    pub fn open(session: &Path, home: &'a Path) -> Start<'a> {
        let args = ["open", &session.display().to_string(), "--out", "none"].map(str::to_owned).to_vec();
        Start { args, size: (80, 24), home, env: vec![("TERM", "xterm-256color"), ("LANG", "C.UTF-8")] }
    }

    pub fn size(mut self, columns: u16, rows: u16) -> Start<'a> {
        self.size = (columns, rows);
        self
    }

    pub fn env(mut self, name: &'static str, value: &'static str) -> Start<'a> {
        self.env.push((name, value));
        self
    }

    pub fn arg(mut self, arg: &str) -> Start<'a> {
        self.args.push(arg.to_owned());
        self
    }

    pub fn run(self) -> Live {
        let (columns, rows) = self.size;
        let pty = native_pty_system();
        let pair = pty.openpty(PtySize { rows, cols: columns, pixel_width: 0, pixel_height: 0 }).unwrap();
        let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_tautline"));
        command.args(&self.args);
        command.env_clear();
        for (name, folder) in [
            ("HOME", ""),
            ("XDG_CACHE_HOME", "cache"),
            ("XDG_STATE_HOME", "state"),
            ("XDG_CONFIG_HOME", "config"),
        ] {
            command.env(name, self.home.join(folder));
        }
        for (name, value) in self.env {
            command.env(name, value);
        }
        let child = pair.slave.spawn_command(command).unwrap();
        drop(pair.slave);
        let parser = vt100::Parser::new(rows, columns, 0);
        let seen = Arc::new(Mutex::new(Seen { parser, raw: Vec::new(), last: Instant::now(), ended: false }));
        let mut reader = pair.master.try_clone_reader().unwrap();
        let into = Arc::clone(&seen);
        std::thread::spawn(move || {
            let mut block = [0u8; 65_536];
            loop {
                let read = reader.read(&mut block).unwrap_or(0);
                let mut seen = into.lock().unwrap();
                if read == 0 {
                    seen.ended = true;
                    return;
                }
                seen.parser.process(&block[..read]);
                seen.raw.extend_from_slice(&block[..read]);
                seen.last = Instant::now();
            }
        });
        let writer = pair.master.take_writer().unwrap();
        Live { child, master: pair.master, writer, seen }
    }
}

impl Live {
    /// Types bytes as they are.
    pub fn send(&mut self, bytes: &[u8]) {
        self.writer.write_all(bytes).unwrap();
        self.writer.flush().unwrap();
    }

    /// Types keys, one after the other, each answered before the next; gives the bytes that came.
    pub fn keys(&mut self, keys: &str) -> usize {
        let before = self.sent();
        for key in keys.split(' ').filter(|key| !key.is_empty()) {
            self.send(spell(key));
            self.settle();
        }
        self.sent() - before
    }

    /// Types a command line and runs it; gives the bytes that came.
    pub fn line(&mut self, line: &str) -> usize {
        let before = self.sent();
        self.send(format!("\r{line}\r").as_bytes());
        self.settle();
        self.sent() - before
    }

    /// Waits until nothing has come for a while.
    pub fn settle(&self) {
        let begun = Instant::now();
        std::thread::sleep(Duration::from_millis(40));
        while begun.elapsed() < PATIENCE {
            let seen = self.seen.lock().unwrap();
            if seen.ended || seen.last.elapsed() > QUIET {
                return;
            }
            drop(seen);
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Waits until it is quiet, but no longer than this: while it plays it never is.
    pub fn settle_within(&self, limit: Duration) {
        let begun = Instant::now();
        while begun.elapsed() < limit {
            let seen = self.seen.lock().unwrap();
            if seen.ended || seen.last.elapsed() > QUIET {
                return;
            }
            drop(seen);
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Waits until the screen shows a text.
    pub fn wait_for(&self, text: &str) {
        let begun = Instant::now();
        while !self.text().contains(text) {
            assert!(begun.elapsed() < PATIENCE, "`{text}` never came:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Waits until all takes are read and drawn, and the words are measured.
    pub fn wait_ready(&self) {
        let begun = Instant::now();
        let busy = |text: &str| {
            let words = text.contains("measured") || text.contains("no words;");
            text.contains("reading takes") || !words
        };
        while busy(&self.text()) && begun.elapsed() < PATIENCE {
            std::thread::sleep(Duration::from_millis(20));
        }
        self.settle();
    }

    pub fn text(&self) -> String {
        self.seen.lock().unwrap().parser.screen().contents()
    }

    pub fn row(&self, row: usize) -> String {
        self.text().lines().nth(row).unwrap_or("").to_owned()
    }

    /// Bytes that came so far.
    pub fn sent(&self) -> usize {
        self.seen.lock().unwrap().raw.len()
    }

    pub fn raw(&self) -> Vec<u8> {
        self.seen.lock().unwrap().raw.clone()
    }

    pub fn resize(&self, columns: u16, rows: u16) {
        self.seen.lock().unwrap().parser.screen_mut().set_size(rows, columns);
        self.master.resize(PtySize { rows, cols: columns, pixel_width: 0, pixel_height: 0 }).unwrap();
        self.settle();
    }

    pub fn signal(&self, name: &str) {
        let id = self.child.process_id().unwrap().to_string();
        let sent = std::process::Command::new("kill").args(["-s", name, &id]).status().unwrap();
        assert!(sent.success());
    }

    /// Whether nothing can come any more.
    pub fn ended(&self) -> bool {
        self.seen.lock().unwrap().ended
    }

    pub fn id(&self) -> Option<u32> {
        self.child.process_id()
    }

    /// Waits for the end; gives whether it went well.
    pub fn end(mut self) -> (bool, Vec<u8>) {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                std::thread::sleep(Duration::from_millis(100));
                return (status.success(), self.raw());
            }
            assert!(begun.elapsed() < PATIENCE, "it does not end:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub fn quit(mut self) {
        self.send(b"\x11");
        assert!(self.end().0);
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        let _ = self.child.kill();
    }
}

/// The bytes that a terminal sends for a key; a name that is none of these is what it says.
pub fn spell(key: &str) -> &[u8] {
    match key {
        "enter" => b"\r",
        "esc" => b"\x1b",
        "tab" => b"\t",
        "space" => b" ",
        "backspace" => b"\x7f",
        "delete" => b"\x1b[3~",
        "up" => b"\x1b[A",
        "down" => b"\x1b[B",
        "right" => b"\x1b[C",
        "left" => b"\x1b[D",
        "shift-right" => b"\x1b[1;2C",
        "shift-left" => b"\x1b[1;2D",
        "home" => b"\x1b[H",
        "end" => b"\x1b[F",
        "f1" => b"\x1bOP",
        "f2" => b"\x1bOQ",
        "f3" => b"\x1bOR",
        "f4" => b"\x1bOS",
        "f5" => b"\x1b[15~",
        "ctrl-q" => b"\x11",
        "ctrl-z" => b"\x1a",
        key => key.as_bytes(),
    }
}

/// The demo as the program lays it out, with a home folder of its own, all of it gone when dropped.
pub struct Demo {
    pub folder: tempfile::TempDir,
}

impl Demo {
    pub fn new() -> Demo {
        let folder = tempfile::tempdir().unwrap();
        let (home, laid_out) = (folder.path(), folder.path().join("demo"));
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_tautline"));
        command.arg("demo").arg(&laid_out).arg("--no-open");
        command.env("HOME", home).env("XDG_CACHE_HOME", home.join("cache"));
        let output = command.output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        for name in ["takes", "lantern-row.json"] {
            std::fs::rename(laid_out.join(name), home.join(name)).unwrap();
        }
        // Its bounces are most of its size, and nobody asks for them.
        std::fs::remove_dir_all(laid_out).unwrap();
        Demo { folder }
    }

    pub fn home(&self) -> &Path {
        self.folder.path()
    }

    pub fn session(&self) -> PathBuf {
        self.folder.path().join("lantern-row.json")
    }

    pub fn start(&self) -> Start<'_> {
        Start::open(&self.session(), self.home())
    }

    /// `tautline show --json`.
    pub fn show(&self) -> serde_json::Value {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_tautline"));
        let output = command.arg("show").arg(self.session()).arg("--json").output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    /// Regions of a lane as (at, length, fade-in, fade-out).
    pub fn regions(&self, number: usize) -> Vec<(i64, i64, i64, i64)> {
        let whole = |value: &serde_json::Value| value.as_i64().unwrap();
        let show = self.show();
        let regions = show["lanes"][number - 1]["regions"].as_array().unwrap();
        regions
            .iter()
            .map(|r| {
                (
                    whole(&r["at"]),
                    whole(&r["length"]),
                    whole(&r["fade_in"]["length"]),
                    whole(&r["fade_out"]["length"]),
                )
            })
            .collect()
    }
}
