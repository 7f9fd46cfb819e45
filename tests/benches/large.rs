//! A large stack through the real program: taking in, opening, editing, playing, bouncing; and how each grows with lanes,
//! with length and with edits.
//!
//!     cargo bench --profile quick --bench large                          small, a few minutes; 128 lanes, 4 minutes, 10,000 edits at most
//!     TAUTLINE_LARGE=big cargo bench --profile quick --bench large       128 lanes of 10 minutes at 96 kHz; 30 GB pass the disk
//!     TAUTLINE_LARGE_OUT=device … --bench large                          plays into the default device (run it in the rig)
//!     TAUTLINE_LARGE_DIR=/dev/shm …                                      the folder to work in
//!
//! Four recordings are written; every lane has a file of its own that is a hard link to one of them. So the disk holds
//! four takes, while the program sees, hashes, reads and keeps as many as there are lanes. What is bounced is written in
//! pieces of time that are removed one after the other. Each figure is of a process of its own: the time on the core (in
//! brackets on the wall) and the most memory that it held. Growth is the exponent between the two largest sizes: 1 is linear.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a panic in a bench is its report"
)]

#[path = "../live/mod.rs"]
mod live;
mod rows;

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rows::Goal;
use tautline::media::{OutputFormat, WavSpec, create_sink};

/// Recordings that lanes share.
const SOURCES: u64 = 4;
/// A bounce is written in pieces of so many samples of all lanes, 3 bytes each: room on the disk for a stack of any length.
const PIECE: u64 = 1_900_000_000;
/// Linear, with room for what a machine with other work adds.
const LINEAR: f64 = 1.15;

/// How large.
#[derive(Clone, Copy)]
struct Size {
    lanes: u64,
    seconds: u64,
    edits: u64,
}

struct Plan {
    rate: u32,
    whole: Size,
    lanes: (Vec<u64>, Size),
    seconds: (Vec<u64>, Size),
    edits: (Vec<u64>, Size),
}

fn plan() -> Plan {
    let size = |lanes, seconds, edits| Size { lanes, seconds, edits };
    match std::env::var("TAUTLINE_LARGE").as_deref() {
        Ok("big") => Plan {
            rate: 96_000,
            whole: size(128, 600, 1_000),
            lanes: (vec![16, 32, 64, 128], size(0, 150, 100)),
            seconds: (vec![60, 150, 300, 600], size(16, 0, 100)),
            edits: (vec![100, 1_000, 10_000], size(64, 60, 0)),
        },
        Ok("") | Err(_) => Plan {
            rate: 96_000,
            whole: size(32, 20, 200),
            lanes: (vec![16, 32, 64, 128], size(0, 5, 50)),
            seconds: (vec![15, 60, 240], size(4, 0, 50)),
            edits: (vec![100, 1_000, 10_000], size(64, 10, 0)),
        },
        Ok(other) => panic!("TAUTLINE_LARGE is `{other}`: big, or not set"),
    }
}

fn main() {
    let plan = plan();
    let at = |size: Size| Stack::new(plan.rate, size);
    let words = |size: Size| {
        format!("{} lanes of {} s at {} Hz, {} edits", size.lanes, size.seconds, plan.rate, size.edits)
    };
    println!("figures: seconds on the core (on the wall), most memory\n\n{}", words(plan.whole));
    at(plan.whole).all(&words(plan.whole));

    let (counts, base) = &plan.lanes;
    let sizes = counts.iter().map(|lanes| Size { lanes: *lanes, ..*base });
    grow("lanes", sizes.map(|size| (size.lanes, at(size).handled())).collect());
    let (counts, base) = &plan.seconds;
    let sizes = counts.iter().map(|seconds| Size { seconds: *seconds, ..*base });
    grow("seconds", sizes.map(|size| (size.seconds, at(size).handled())).collect());
    let (counts, base) = &plan.edits;
    let sizes = counts.iter().map(|edits| Size { edits: *edits, ..*base });
    grow("edits", sizes.map(|size| (size.edits, at(size).worked())).collect());
}

/// What a process took.
#[derive(Clone)]
struct Took {
    what: &'static str,
    /// Seconds on a core, of all its threads.
    cpu: f64,
    wall: f64,
    /// Most memory it held, in MB.
    peak: f64,
    /// How its time may grow, as an exponent.
    most: Goal,
}

impl Took {
    fn print(&self, of: &str) {
        println!("{:<34} {:9.3} s ({:9.3} s) {:7.0} MB   {of}", self.what, self.cpu, self.wall, self.peak);
    }
}

/// Prints figures by size, and the exponent between the two largest.
fn grow(by: &str, figures: Vec<(u64, Vec<Took>)>) {
    println!("\ngrowth with {by}");
    for index in 0..figures[0].1.len() {
        for (size, took) in &figures {
            took[index].print(&format!("{size} {by}"));
        }
        let [.., (small, less), (large, more)] = &figures[..] else { panic!("two sizes at least") };
        let (less, more) = (&less[index], &more[index]);
        let steps = (*large as f64 / *small as f64).ln();
        let time = (more.cpu / less.cpu).ln() / steps;
        // What is over at once is not seen at its peak; the program itself has about so much.
        let memory = (more.peak.max(8.0) / less.peak.max(8.0)).ln() / steps;
        println!("{:<34} time grows as {by}^{time:.2}, memory as {by}^{memory:.2}", more.what);
        let what = format!("growth with {by} ({small} to {large}), {}", more.what);
        rows::row_of(&what, time, "exponent", more.most, &format!("memory: {memory:.2}"), Some(more.peak));
    }
}

/// A folder with takes and a session that was worked on.
struct Stack {
    folder: tempfile::TempDir,
    rate: u32,
    size: Size,
}

impl Stack {
    fn new(rate: u32, size: Size) -> Stack {
        let place = std::env::var_os("TAUTLINE_LARGE_DIR").map_or_else(std::env::temp_dir, PathBuf::from);
        let folder = tempfile::tempdir_in(place).expect("a folder to work in");
        let takes = folder.path().join("takes");
        fs::create_dir(&takes).unwrap();
        for source in 0..SOURCES.min(size.lanes) {
            write_take(&takes.join(take_name(source)), rate, size.seconds, source as u32 + 1);
        }
        for lane in SOURCES..size.lanes {
            let from = takes.join(take_name(lane % SOURCES));
            fs::hard_link(from, takes.join(take_name(lane))).expect("a file system with hard links");
        }
        Stack { folder, rate, size }
    }

    /// Takes in, works on, opens, bounces: what growth with lanes and length is told of.
    fn handled(&self) -> Vec<Took> {
        let linear = |took: Took| Took { most: Goal::AtMost(LINEAR), ..took };
        let intake = self.take_in();
        let (edits, _) = self.work();
        vec![linear(intake), edits, linear(self.open()), linear(self.check()), linear(self.bounce())]
    }

    /// What growth with edits is told of.
    fn worked(&self) -> Vec<Took> {
        self.take_in();
        let (edits, one) = self.work();
        let answer = Took { what: "one more edit, till its answer", cpu: one, wall: one, ..edits.clone() };
        let linear = |took: Took| Took { most: Goal::AtMost(LINEAR), ..took };
        vec![linear(edits), linear(answer), linear(self.open())]
    }

    fn all(&self, words: &str) {
        let tell = |took: &Took, seconds: f64, goal: Goal| {
            took.print("");
            let what = format!("{words}: {}", took.what);
            let core = format!("{:.3} s on the core", took.cpu);
            rows::row_of(&what, seconds, "s", goal, &core, Some(took.peak));
        };
        let intake = self.take_in();
        tell(&intake, intake.wall, Goal::Open);
        let (edits, one) = self.work();
        tell(&edits, edits.wall, Goal::Open);
        println!("one more edit, till its answer     {:9.3} ms, median of 100", one * 1e3);
        rows::row_of(&format!("{words}: one more edit"), one * 1e3, "ms", Goal::Open, "", Some(edits.peak));
        let steps: [fn(&Stack) -> Took; 6] = [
            Stack::open,
            Stack::check,
            |stack| stack.screen(true),
            |stack| stack.screen(false),
            Stack::play,
            Stack::bounce,
        ];
        for step in steps {
            let took = step(self);
            tell(&took, took.wall, Goal::Open);
        }
    }

    fn take_in(&self) -> Took {
        let names: Vec<String> =
            (0..self.size.lanes).map(|lane| format!("takes/{}", take_name(lane))).collect();
        let mut args = vec!["new", "song.json", "--guide"];
        args.extend(names.iter().map(String::as_str));
        self.run("taking in", &args, 0).0
    }

    /// Makes edits all over the song, one line after the other as answers come; gives the median of the last ones too.
    fn work(&self) -> (Took, f64) {
        let (mut child, began) = (self.start(&["run", "song.json", "-"], Stdio::piped()), Instant::now());
        let mut input = child.stdin.take().unwrap();
        let mut answers = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut times = Vec::new();
        let (mut made, mut step, mut refused) = (0, 0u64, Vec::new());
        while made < self.size.edits + 100 {
            step += 1;
            let asked = Instant::now();
            writeln!(input, "{}", line(step, self.size)).unwrap();
            let answer = answers.next().expect("an answer").unwrap();
            if answer.starts_with("ok ") {
                made += 1;
                times.push(asked.elapsed().as_secs_f64());
            } else {
                refused.push(answer.clone());
            }
            assert!(step < 10 * self.size.edits + 1_000, "hardly anything is accepted: {answer}");
        }
        let end = times.split_off(times.len() - 100);
        drop(input);
        // A line that would change nothing, as a fade over a crossfade, is refused, and the end says so.
        let took = watch("edits, and saving", child, began, &[i32::from(!refused.is_empty())]);
        if let Some(first) = refused.first() {
            println!("{:<34} {} of {step} lines were refused, the first: {first}", took.what, refused.len());
        }
        (took, median(end))
    }

    fn open(&self) -> Took {
        let runs = (0..3).map(|_| self.run("opening", &["show", "song.json", "--json"], 0).0);
        runs.min_by(|a, b| a.cpu.total_cmp(&b.cpu)).unwrap()
    }

    fn check(&self) -> Took {
        let args = ["check", "song.json", "--json"];
        let child = self.start(&args, Stdio::null());
        watch("checking", child, Instant::now(), &[0, 1])
    }

    /// Till the first frame; the first time no peaks are known.
    fn screen(&self, first: bool) -> Took {
        let began = Instant::now();
        let start = live::Start::open(&self.folder.path().join("song.json"), self.folder.path());
        let live = start.size(200, 60).run();
        while live.sent() < 1_000 && !live.ended() {
            std::thread::sleep(Duration::from_millis(1));
        }
        let wall = began.elapsed().as_secs_f64();
        // The peaks of the lanes are read behind the frame, and the next frames say so; recordings of one content once.
        let (patience, mut seen) = (Instant::now(), Instant::now());
        while seen.elapsed() < Duration::from_secs(2) && patience.elapsed() < Duration::from_secs(600) {
            if live.text().contains("reading takes") {
                seen = Instant::now();
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let (cpu, peak) = live.id().map_or((0.0, 0.0), |id| (cpu_of(id).0, peak_of(id).unwrap_or(0.0)));
        let what = if first { "screen, first time: first frame" } else { "screen, again: first frame" };
        println!("{what:<34} peaks of all lanes {:.1} s after it", (seen - patience).as_secs_f64());
        live.quit();
        Took { what, cpu, wall, peak, most: Goal::Open }
    }

    fn play(&self) -> Took {
        let out = std::env::var("TAUTLINE_LARGE_OUT").unwrap_or_else(|_| "none".to_owned());
        let args = ["audition", "song.json", "--out", &out, "--for", "10s"];
        let (took, said) = self.run("playing all lanes for 10 s", &args, 0);
        let missing =
            said.lines().find(|line| line.contains("frames were silent")).unwrap_or("nothing was missing");
        println!("{:<34} {missing}", took.what);
        took
    }

    /// The stack and all lanes, in pieces of time.
    fn bounce(&self) -> Took {
        let pieces = (self.size.lanes * self.size.seconds * u64::from(self.rate)).div_ceil(PIECE).max(1);
        let mut all =
            Took { what: "bouncing all lanes and the sum", cpu: 0.0, wall: 0.0, peak: 0.0, most: Goal::Open };
        for piece in 0..pieces {
            let edge =
                |piece: u64| format!("{:.3}s", self.size.seconds as f64 * piece as f64 / pieces as f64);
            let (from, until) = (edge(piece), edge(piece + 1));
            let args = ["bounce", "song.json", "--to", "out", "--from", &from, "--until", &until];
            let took = self.run(all.what, &args, 0).0;
            fs::remove_dir_all(self.folder.path().join("out")).unwrap();
            all.cpu += took.cpu;
            all.wall += took.wall;
            all.peak = all.peak.max(took.peak);
        }
        all
    }

    fn run(&self, what: &'static str, args: &[&str], code: i32) -> (Took, String) {
        let began = Instant::now();
        let mut child = self.start(args, Stdio::null());
        let mut said = child.stderr.take().unwrap();
        let reader = std::thread::spawn(move || {
            let mut text = String::new();
            let _ = said.read_to_string(&mut text);
            text
        });
        let took = watch(what, child, began, &[code]);
        (took, reader.join().unwrap())
    }

    fn start(&self, args: &[&str], out: Stdio) -> Child {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tautline"));
        command.args(args).current_dir(self.folder.path());
        for (name, folder) in [
            ("HOME", ""),
            ("XDG_CACHE_HOME", "cache"),
            ("XDG_STATE_HOME", "state"),
            ("XDG_CONFIG_HOME", "config"),
        ] {
            command.env(name, self.folder.path().join(folder));
        }
        command.stdin(Stdio::piped()).stdout(out).stderr(Stdio::piped()).spawn().unwrap()
    }
}

fn take_name(lane: u64) -> String {
    format!("{:03}-take.wav", lane + 1)
}

/// Bursts of noise with silence between, 24 bit, other ones for each source.
fn write_take(path: &Path, rate: u32, seconds: u64, seed: u32) {
    let spec = WavSpec { channels: 1, rate, format: OutputFormat::I24 };
    let mut sink = create_sink(path, spec).expect("room for the takes");
    let mut x = seed;
    let mut block = vec![0.0f32; rate as usize];
    for second in 0..seconds {
        for (place, sample) in block.iter_mut().enumerate() {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let level = if (second as u32 + seed).is_multiple_of(5) { 0.000_1 } else { 0.02 };
            let swell = (place as f32 / rate as f32 * std::f32::consts::PI).sin();
            *sample = level * swell * ((x >> 8) as f32 / 8_388_608.0 - 1.0);
        }
        sink.write(&[&block]).expect("room for the takes");
    }
    sink.finish().expect("room for the takes");
}

/// Cuts, slides, fades and gains all over the song.
fn line(step: u64, size: Size) -> String {
    let lane = step % size.lanes + 1;
    // The golden ratio spreads the positions evenly, never twice the same.
    let at = (step as f64 * 0.618_033_988_75).fract() * (size.seconds as f64 - 2.0) + 1.0;
    match step % 5 {
        0 | 1 => format!("cut at {at:.4}s on lane {lane}"),
        2 => format!("shift {:+}smp on lane {lane} at {at:.4}s", (step % 7) + 1),
        3 => format!("fade both {}smp fit on lane {lane} at {at:.4}s", 100 + step % 300),
        _ => format!("gain {:+}dB on lane {lane} at {at:.4}s", if step.is_multiple_of(2) { 1 } else { -1 }),
    }
}

/// Waits for a process, and reads what it took from the system while it is still known there.
fn watch(what: &'static str, mut child: Child, began: Instant, codes: &[i32]) -> Took {
    let id = child.id();
    let (mut peak, mut cpu) = (0.0, 0.0);
    loop {
        let (now, over) = cpu_of(id);
        cpu = now.max(cpu);
        peak = peak_of(id).unwrap_or(peak);
        if over {
            break;
        }
        std::thread::sleep(Duration::from_micros(if began.elapsed().as_millis() < 200 {
            100
        } else {
            2_000
        }));
    }
    let wall = began.elapsed().as_secs_f64();
    let status = child.wait().unwrap();
    assert!(status.code().is_some_and(|code| codes.contains(&code)), "{what}: {status}");
    Took { what, cpu, wall, peak, most: Goal::Open }
}

/// Seconds that a process and its threads have been on a core, and whether it is over. Linux counts those of all threads
/// in hundredths of a second (proc(5), USER_HZ), those of the first one in nanoseconds.
fn cpu_of(id: u32) -> (f64, bool) {
    let Ok(stat) = fs::read_to_string(format!("/proc/{id}/stat")) else { return (0.0, true) };
    let after = stat.rsplit(") ").next().unwrap_or("");
    let fields: Vec<&str> = after.split(' ').collect();
    let ticks = |index: usize| fields.get(index).and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.0);
    let first = fs::read_to_string(format!("/proc/{id}/schedstat")).unwrap_or_default();
    let first = first.split(' ').next().and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.0) * 1e-9;
    (((ticks(11) + ticks(12)) / 100.0).max(first), fields.first() == Some(&"Z"))
}

/// Most memory that a process has held so far, in MB; `None` when it is over.
fn peak_of(id: u32) -> Option<f64> {
    rows::peak_in(&fs::read_to_string(format!("/proc/{id}/status")).ok()?)
}

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}
