//! End to end through the real device path: `tautline audition` plays into a private sound server's null device, and what
//! arrived there is held against the bounce, sample for sample.
//!
//! The rig is `../shared/tools/null-sink.sh` beside the checkout, or where TAUTLINE_RIG says (Debian: pulseaudio
//! pulseaudio-utils libasound2-plugins). Without it the tests are skipped, loudly; TAUTLINE_REQUIRE_RIG=1 makes that a
//! failure.
#![cfg(feature = "audio")]

mod live;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// One server at a time: the machine's cores are few, and late callbacks prove nothing.
static ONE: Mutex<()> = Mutex::new(());
const RATE: usize = 48_000;
/// The loop's seam: 5 ms.
const SEAM: usize = 240;

struct Rig {
    script: PathBuf,
    folder: tempfile::TempDir,
    _one: MutexGuard<'static, ()>,
}

impl Rig {
    /// Starts the server; `None` if the rig cannot be had and need not be.
    fn start() -> Option<Rig> {
        let script = std::env::var_os("TAUTLINE_RIG").map(PathBuf::from).or_else(beside_the_checkout);
        let missing = match &script {
            None => Some("no ../shared/tools/null-sink.sh and no TAUTLINE_RIG".to_owned()),
            Some(_) => {
                ["pulseaudio", "pactl", "parec"].iter().find(|tool| !has(tool)).map(|t| format!("no {t}"))
            }
        };
        if let Some(missing) = missing {
            assert!(std::env::var_os("TAUTLINE_REQUIRE_RIG").is_none(), "the rig is required: {missing}");
            eprintln!("SKIPPED: the device path is NOT tested: {missing}");
            return None;
        }
        let rig = Rig {
            script: script.expect("checked"),
            folder: tempfile::Builder::new().prefix("rig").tempdir_in("/tmp").expect("a folder"),
            _one: ONE.lock().unwrap_or_else(PoisonError::into_inner),
        };
        let started = rig.call("start", &[]).status().expect("bash");
        assert!(started.success(), "the server did not start");
        Some(rig)
    }

    fn sink(&self) -> PathBuf {
        self.folder.path().join("s")
    }

    fn call(&self, verb: &str, arguments: &[&str]) -> Command {
        let mut command = Command::new("bash");
        command.arg(&self.script).arg(verb).arg(self.sink()).args(arguments);
        command
    }

    /// The demo, laid out and edited.
    fn demo(&self) -> PathBuf {
        let folder = self.folder.path().join("demo");
        let made =
            Command::new(program()).arg("demo").arg(&folder).arg("--no-open").output().expect("tautline");
        assert!(made.status.success(), "{}", text(&made));
        folder.join("lantern-row.json")
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        let _ = self.call("stop", &[]).status();
    }
}

fn program() -> &'static str {
    env!("CARGO_BIN_EXE_tautline")
}

fn beside_the_checkout() -> Option<PathBuf> {
    let checkout = Path::new(env!("CARGO_MANIFEST_DIR"));
    // A worktree lies deeper than the checkout that it belongs to.
    let mut places = checkout.ancestors().skip(1).map(|folder| folder.join("shared/tools/null-sink.sh"));
    places.find(|path| path.is_file())
}

fn has(tool: &str) -> bool {
    let found = Command::new("sh").arg("-c").arg(format!("command -v {tool}")).stdout(Stdio::null()).status();
    found.is_ok_and(|status| status.success())
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Frames of a headerless recording of 32-bit float stereo.
fn recorded(path: &Path) -> Vec<[f32; 2]> {
    let bytes = fs::read(path).expect("the recording");
    let sample = |bytes: &[u8]| f32::from_le_bytes(bytes.try_into().expect("four bytes"));
    bytes.chunks_exact(8).map(|frame| [sample(&frame[..4]), sample(&frame[4..])]).collect()
}

/// The sum of the stack as the bounce writes it.
fn bounced(session: &Path, to: &Path) -> Vec<[f32; 2]> {
    let done = Command::new(program())
        .arg("bounce")
        .arg(session)
        .arg("--to")
        .arg(to)
        .args(["--format", "f32"])
        .output();
    let done = done.expect("tautline");
    assert!(done.status.success(), "{}", text(&done));
    let stack = fs::read_dir(to).expect("files").map(|entry| entry.expect("a file").path());
    let stack =
        stack.into_iter().find(|path| path.to_string_lossy().ends_with("_stack_48k.wav")).expect("the sum");
    let mut reader = tautline::media::WavReader::open(&stack).expect("a WAV file");
    let frames = usize::try_from(reader.info().frames).expect("short");
    let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
    reader.read(0, &mut [&mut left, &mut right]).expect("samples");
    left.into_iter().zip(right).map(|(left, right)| [left, right]).collect()
}

/// (frame, whether it must be equal bit for bit): `frames` frames of the loop from `start` to `end`.
fn expected(stack: &[[f32; 2]], start: usize, end: usize, frames: usize) -> Vec<([f32; 2], bool)> {
    let pass = |number: usize| {
        let place = number % (end - start);
        let into = (place + SEAM).checked_sub(end - start);
        let here = stack[start + place];
        let Some(into) = into else { return (here, true) };
        let there = stack[start - SEAM + into];
        let part = (into as f64 + 0.5) / SEAM as f64;
        let blend = |side: usize| {
            (f64::from(here[side]) + (f64::from(there[side]) - f64::from(here[side])) * part) as f32
        };
        ([blend(0), blend(1)], false)
    };
    (0..frames).map(pass).collect()
}

fn sounds(frame: &[f32; 2]) -> bool {
    frame[0] != 0.0 || frame[1] != 0.0
}

#[test]
fn ten_seconds_of_a_loop_arrive_at_the_device_as_the_bounce_has_them() {
    let Some(rig) = Rig::start() else { return };
    let session = rig.demo();
    let stack = bounced(&session, &rig.folder.path().join("bounce"));
    let raw = rig.folder.path().join("out.raw");
    let played = rig
        .call("capture", &[raw.to_str().expect("a plain path"), program(), "audition"])
        .arg(&session)
        .args(["--loop", "1.6s..3.9s", "--for", "10s", "--level", "0dB", "--rise", "0ms", "--buffer", "2048"])
        .output()
        .expect("bash");
    assert!(played.status.success(), "{}", text(&played));
    let said = text(&played);
    assert!(!said.contains("ALSA") && !said.contains("silent because"), "{said}");
    let (start, end) = (RATE * 16 / 10, RATE * 39 / 10);
    let wanted: Vec<_> =
        expected(&stack, start, end, RATE * 10).into_iter().filter(|(f, _)| sounds(f)).collect();
    assert!(wanted.len() > RATE * 9, "the loop of the demo must sound nearly everywhere: {}", wanted.len());
    let found: Vec<[f32; 2]> = recorded(&raw).into_iter().filter(sounds).collect();
    let gaps = rig.call("gaps", &[raw.to_str().expect("a plain path")]).output().expect("bash");
    eprintln!("null sink: {}", text(&gaps).trim());
    assert_eq!(found.len(), wanted.len(), "frames that sound");
    for (index, (found, (wanted, exact))) in found.iter().zip(&wanted).enumerate() {
        let near = (0..2).all(|side| (found[side] - wanted[side]).abs() < 2e-7);
        assert!(if *exact { found == wanted } else { near }, "frame {index}: {found:?}, not {wanted:?}");
    }
}

#[test]
fn devices_are_listed_and_played_by_name() {
    let Some(rig) = Rig::start() else { return };
    let session = rig.demo();
    let list = rig.call("run", &[program(), "devices", "--json"]).output().expect("bash");
    let list: serde_json::Value = serde_json::from_slice(&list.stdout).expect("one JSON document");
    let devices = list["devices"].as_array().expect("devices");
    assert!(devices.iter().any(|device| device["default"] == true && device["name"] == "default"), "{list}");
    let played = rig
        .call("run", &[program(), "audition"])
        .arg(&session)
        .args(["--out", "device:default", "--for", "300ms"])
        .output()
        .expect("bash");
    assert!(played.status.success(), "{}", text(&played));
}

#[test]
fn a_sound_server_that_dies_ends_playing_with_a_word() {
    let Some(rig) = Rig::start() else { return };
    let session = rig.demo();
    let mut playing = rig
        .call("run", &[program(), "audition"])
        .arg(&session)
        .args(["--loop", "1s..3s", "--level", "-20dB"])
        .stderr(Stdio::piped())
        .spawn()
        .expect("bash");
    std::thread::sleep(Duration::from_millis(1500));
    assert!(playing.try_wait().expect("a child").is_none(), "it plays");
    assert!(rig.call("stop", &[]).status().expect("bash").success());
    let begin = Instant::now();
    while playing.try_wait().expect("a child").is_none() {
        // Far beyond the watchdog's second, so that a busy machine does not matter.
        if begin.elapsed() > Duration::from_secs(60) {
            let _ = playing.kill();
            panic!("it plays on without a server");
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let ended = playing.wait_with_output().expect("a child");
    assert_eq!(ended.status.code(), Some(4), "{}", text(&ended));
    let said = text(&ended);
    assert!(said.contains("is gone") && said.contains("keeps its place"), "{said}");
    assert!(!said.contains("ALSA lib"), "{said}");
}

/// Whether a stretch was recorded somewhere, as it is.
fn holds(recorded: &[[f32; 2]], wanted: &[[f32; 2]]) -> bool {
    let same = |a: &[f32; 2], b: &[f32; 2]| (0..2).all(|side| (a[side] - b[side]).abs() < 2e-7);
    recorded.windows(wanted.len()).any(|part| {
        same(&part[0], &wanted[0]) && part.iter().zip(wanted).all(|(found, wanted)| same(found, wanted))
    })
}

#[test]
fn a_proposal_is_heard_as_it_would_be_and_as_it_is() {
    let Some(rig) = Rig::start() else { return };
    let demo = live::Demo::new();
    let done = Command::new(program())
        .arg("run")
        .arg(demo.session())
        .args(["-c", "goto start"])
        .output()
        .expect("tautline");
    assert!(done.status.success(), "{}", text(&done));
    let before = bounced(&demo.session(), &rig.folder.path().join("before"));
    let (raw, stop) = (rig.folder.path().join("heard.raw"), rig.folder.path().join("stop"));
    let wait = format!("while [ ! -e '{}' ]; do sleep 0.1; done", stop.display());
    let path = raw.to_str().expect("a plain path");
    let mut recorder = rig.call("capture", &[path, "sh", "-c", &wait]).spawn().expect("bash");
    let environment = rig.call("env", &[]).output().expect("bash");
    let environment = text(&environment);
    let value = |name: &str| {
        let line = environment.lines().find_map(|line| line.split_once(&format!("{name}=")));
        line.map(|(_, value)| value.trim_matches(['\'', '"']).to_owned())
            .unwrap_or_else(|| panic!("{name}: {environment}"))
    };
    let mut start = demo.start().size(120, 40);
    start.args = ["open", &demo.session().display().to_string(), "--out", "device:default"]
        .map(str::to_owned)
        .to_vec();
    for name in ["XDG_RUNTIME_DIR", "PULSE_SERVER", "PULSE_COOKIE", "ALSA_CONFIG_PATH"] {
        start = start.env(name, String::leak(value(name)));
    }
    let mut live = start.run();
    live.wait_ready();
    live.wait_for("measured");
    let begin = Instant::now();
    while live.text().contains("sound not ready") && begin.elapsed() < Duration::from_secs(60) {
        std::thread::sleep(Duration::from_millis(50));
    }
    live.line("hear level to 0dB; focus lane 2");
    live.send(b"\x12");
    live.wait_for("proposals of `tighten on lane 2`");
    live.send(b"p");
    live.wait_for("heard: after proposal 1");
    // It starts softly; then it goes round a few times.
    std::thread::sleep(Duration::from_secs(8));
    live.send(b"p");
    live.wait_for("heard: before proposal 1");
    std::thread::sleep(Duration::from_secs(5));
    live.send(b" ");
    live.wait_for("\u{25a0}");
    live.keys("j k");
    live.wait_for("1 done");
    live.quit();
    fs::write(&stop, b"").expect("a file");
    assert!(recorder.wait().expect("a child").success());
    let after = bounced(&demo.session(), &rig.folder.path().join("after"));
    let differs =
        |index: &usize| (0..2).any(|side| (before[*index][side] - after[*index][side]).abs() > 0.01);
    let first = (0..before.len().min(after.len())).find(differs).expect("the proposal changes something");
    let (was, is) = (&before[first..first + 4800], &after[first..first + 4800]);
    let heard = recorded(&raw);
    assert!(holds(&heard, is), "as it would be was not heard");
    assert!(holds(&heard, was), "as it is was not heard");
    assert!(!holds(&before, is), "the two differ");
}
