//! Damages seeds, keeps what comes to something new, and holds the limits.

use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use crate::numbers::{Numbers, setting};

/// CPU time that one input may take.
const LONGEST: Duration = Duration::from_secs(2);
/// Memory that one input may take, with all that the run itself holds.
const MOST_BYTES: usize = 512 << 20;
/// Inputs of a target in a short run.
const SHORT_RUN: u64 = 400;
/// Inputs that are damaged further.
const MOST_KEPT: usize = 4_000;
/// Larger inputs are cut: what takes long must do so for another reason than its length.
const LONGEST_INPUT: usize = 1 << 16;

/// What is fed, and with what.
pub struct Target {
    pub name: &'static str,
    /// Text is damaged by words, numbers and lines as well.
    pub text: bool,
    /// Valid inputs.
    pub seeds: fn() -> Vec<Vec<u8>>,
    /// Words that mean something here.
    pub words: fn() -> Vec<Vec<u8>>,
    /// Feeds one input. Gives what it came to, so that inputs with another outcome can be told: an error's text.
    pub feed: fn(&[u8]) -> String,
}

/// Inputs that once brought something down, tried before all others.
fn corpus(name: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/hostile/corpus").join(name);
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.sort();
    paths.iter().map(|path| std::fs::read(path).unwrap()).collect()
}

/// Where an input lies while it is fed, so that one that ends the whole process can be found.
fn current(name: &str) -> PathBuf {
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() { memory.to_owned() } else { std::env::temp_dir() };
    folder.join(format!("tautline-hostile-{name}-{}", std::process::id()))
}

fn cpu() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(now.tv_sec as u64, now.tv_nsec as u32)
}

/// An outcome without its numbers and quoted parts, which differ for each input.
fn kind(outcome: &str) -> u64 {
    let mut hasher = DefaultHasher::new();
    let mut quoted = false;
    for c in outcome.chars() {
        if matches!(c, '`' | '"') {
            quoted = !quoted;
        }
        if !quoted && !c.is_ascii_digit() {
            c.hash(&mut hasher);
        }
    }
    hasher.finish()
}

struct Found {
    what: String,
    input: Vec<u8>,
}

/// Feeds one input and holds the limits.
fn feed(target: &Target, input: &[u8], place: &Path) -> Result<(String, Duration, usize), Found> {
    std::fs::write(place, input).unwrap();
    let found = |what: String| Found { what, input: input.to_vec() };
    crate::most_held();
    let began = cpu();
    let outcome = catch_unwind(AssertUnwindSafe(|| (target.feed)(input)));
    let (took, held) = (cpu() - began, crate::most_held());
    let outcome = outcome.map_err(|panic| {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        found(format!("panic: {}", text.unwrap_or_default()))
    })?;
    if took > LONGEST {
        return Err(found(format!("{took:?} of CPU time")));
    }
    if held > MOST_BYTES {
        return Err(found(format!("{} MB of memory", held >> 20)));
    }
    Ok((outcome, took, held))
}

/// A hang ends the run with the place of the input.
fn watch(count: Arc<AtomicU64>, place: PathBuf) {
    std::thread::spawn(move || {
        let (mut seen, mut since) = (u64::MAX, Instant::now());
        loop {
            std::thread::sleep(Duration::from_millis(500));
            let now = count.load(Ordering::Relaxed);
            if now == u64::MAX {
                return;
            }
            if now != seen {
                (seen, since) = (now, Instant::now());
            } else if since.elapsed() > Duration::from_secs(300) {
                eprintln!("HANG: the input lies in {}", place.display());
                std::process::abort();
            }
        }
    });
}

/// Runs a target for as long as was asked for, prints its line of the table, and fails with what was found.
pub fn run(target: &Target) {
    let seconds = setting("TAUTLINE_HOSTILE_SECONDS", 0);
    let mut numbers = Numbers(setting("TAUTLINE_HOSTILE_SEED", 20_261_125));
    let place = current(target.name);
    let count = Arc::new(AtomicU64::new(0));
    watch(Arc::clone(&count), place.clone());
    // As the program does: what a decoder says over a damaged file helps nobody.
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        if !tautline::media::panic_is_guarded() {
            before(info);
        }
    }));
    let (mut known, mut inputs) = (HashSet::new(), Vec::new());
    let (mut findings, mut kinds) = (Vec::new(), HashSet::new());
    let (mut slowest, mut largest) = (Duration::ZERO, 0);
    // What counts is the time that was worked, not the time that passed on a busy machine.
    let began = cpu();
    let mut give = |input: Vec<u8>, keep: bool, inputs: &mut Vec<Vec<u8>>| {
        count.fetch_add(1, Ordering::Relaxed);
        match feed(target, &input, &place) {
            Ok((outcome, took, held)) => {
                (slowest, largest) = (slowest.max(took), largest.max(held));
                // More of them would only fill the memory that is being watched.
                if keep || (known.insert(kind(&outcome)) && inputs.len() < MOST_KEPT) {
                    inputs.push(input);
                }
            }
            // Each fault once: the next thousand inputs that come to the same tell nothing more.
            Err(found) if kinds.insert(kind(&found.what)) => findings.push(found),
            Err(_) => {}
        }
    };
    let (old, seeds, words) = (corpus(target.name), (target.seeds)(), (target.words)());
    let kept = old.len();
    for input in old.into_iter().chain(seeds) {
        give(input, true, &mut inputs);
    }
    let firsts = inputs.len();
    let mut turn = 0u64;
    while if seconds > 0 { (cpu() - began).as_secs() < seconds } else { turn < SHORT_RUN } {
        turn += 1;
        // New outcomes half of the time, the seeds themselves for the rest.
        let from = if numbers.one_in(2) { inputs.len() } else { firsts.max(1).min(inputs.len()) };
        let Some(base) = inputs.get(numbers.index(from)) else { break };
        let mut input = base.clone();
        for _ in 0..1 << numbers.below(4) {
            let other = &inputs[numbers.index(inputs.len())];
            damage(&mut input, other, &words, target.text, &mut numbers);
        }
        input.truncate(LONGEST_INPUT);
        give(input, false, &mut inputs);
    }
    let fed = count.swap(u64::MAX, Ordering::Relaxed);
    let _ = std::fs::remove_file(&place);
    println!(
        "{:<10} {:>9} inputs {:>6.0} s CPU {:>4} outcomes, slowest {:>5.0} ms, most memory {:>3} MB, kept {:>2}, found {}",
        target.name,
        fed,
        (cpu() - began).as_secs_f64(),
        known.len(),
        slowest.as_secs_f64() * 1000.0,
        largest >> 20,
        kept,
        findings.len()
    );
    report(target.name, &findings);
}

fn report(name: &str, findings: &[Found]) {
    if findings.is_empty() {
        return;
    }
    let folder = std::env::temp_dir().join("tautline-hostile").join(name);
    std::fs::create_dir_all(&folder).unwrap();
    let mut text = String::new();
    for found in findings {
        let mut hasher = DefaultHasher::new();
        found.input.hash(&mut hasher);
        let path = folder.join(format!("{:016x}", hasher.finish()));
        std::fs::write(&path, &found.input).unwrap();
        text.push_str(&format!("{}: {}\n", path.display(), found.what));
    }
    panic!("{name}: {} found; keep what is mended in tests/hostile/corpus/{name}\n{text}", findings.len());
}

/// Numbers at which counters and lengths break.
const EDGES: [u64; 18] = [
    0,
    1,
    2,
    3,
    7,
    8,
    0x7f,
    0x80,
    0xff,
    0x7fff,
    0x8000,
    0xffff,
    0x7fff_ffff,
    0x8000_0000,
    0xffff_ffff,
    0x7fff_ffff_ffff_ffff,
    0x8000_0000_0000_0000,
    u64::MAX,
];

/// Changes an input in one way.
pub fn damage(input: &mut Vec<u8>, other: &[u8], words: &[Vec<u8>], text: bool, numbers: &mut Numbers) {
    let at = numbers.index(input.len() + 1).min(input.len());
    let most = 1 << (1 + numbers.below(7));
    let length = 1 + numbers.index(most);
    let end = (at + length).min(input.len());
    match numbers.below(if text { 16 } else { 11 }) {
        0 => {
            if let Some(byte) = input.get_mut(at) {
                *byte ^= 1 << numbers.below(8);
            }
        }
        1 => {
            if let Some(byte) = input.get_mut(at) {
                *byte = numbers.next() as u8;
            }
        }
        2 => drop(input.drain(at..end)),
        3 => {
            let part = input[at..end].to_vec();
            let most = if numbers.one_in(8) { 200 } else { 3 };
            let times = 1 + numbers.index(most);
            input.splice(at..at, part.repeat(times));
        }
        4 => {
            let from = numbers.index(other.len() + 1).min(other.len());
            let part = other[from..(from + length * 8).min(other.len())].to_vec();
            input.splice(at..end, part);
        }
        5 => input.truncate(at),
        // A length or counter of 16, 32 or 64 bits, in either order of bytes; those in headers most of all.
        6..=8 => {
            let at =
                if numbers.one_in(2) { at } else { numbers.index(input.len().min(64) + 1).min(input.len()) };
            let mut value = EDGES[numbers.index(EDGES.len())];
            if numbers.one_in(3) {
                value = value.wrapping_add(numbers.below(9)).wrapping_sub(4);
            }
            let width = [2, 4, 4, 8][numbers.index(4)];
            let bytes = if numbers.one_in(2) {
                value.to_le_bytes()[..width].to_vec()
            } else {
                value.to_be_bytes()[8 - width..].to_vec()
            };
            for (place, byte) in input[at..].iter_mut().zip(bytes) {
                *place = byte;
            }
        }
        9 => {
            if let Some(word) = (!words.is_empty()).then(|| &words[numbers.index(words.len())]) {
                let end = if numbers.one_in(2) { at } else { (at + word.len()).min(input.len()) };
                input.splice(at..end, word.iter().copied());
            }
        }
        10 => input.extend_from_slice(&other[..length.min(other.len())]),
        11 | 12 => number(input, at, numbers),
        13 => line(input, other, numbers),
        14 => {
            let (open, close) = [("[", "]"), ("{\"a\":", "}"), ("\"", "\""), ("(", ")")][numbers.index(4)];
            let most = if numbers.one_in(4) { 3000 } else { 3 };
            let times = 1 + numbers.index(most);
            input.splice(at..at, [open.repeat(times), close.repeat(times)].concat().bytes());
        }
        _ => {
            let odd = [
                "\u{0}",
                "\u{1b}[31m",
                "\u{202e}",
                "\u{feff}",
                "e\u{301}",
                "\u{1f3a4}",
                "\r\n",
                "\\u0000",
                "\\ud800",
                "\t",
                "\u{ff11}",
            ];
            input.splice(at..at, numbers.pick(&odd).bytes());
        }
    }
}

/// Puts another number where one stands.
fn number(input: &mut Vec<u8>, from: usize, numbers: &mut Numbers) {
    let Some(start) = input[from..].iter().position(u8::is_ascii_digit).map(|more| from + more) else {
        return;
    };
    let long = input[start..].iter().take_while(|byte| byte.is_ascii_digit() || **byte == b'.').count();
    let edge = EDGES[numbers.index(EDGES.len())];
    let text = match numbers.below(8) {
        0 => format!("-{edge}"),
        1 => format!("{edge}.5"),
        2 => format!("{}", numbers.below(1000)),
        3 => "1e308".into(),
        4 => "1e-320".into(),
        5 => "9".repeat(1 + numbers.index(400)),
        6 => format!("0.{}", "0".repeat(numbers.index(300))),
        _ => edge.to_string(),
    };
    input.splice(start..start + long, text.bytes());
}

/// Doubles, drops, swaps or brings a line.
fn line(input: &mut Vec<u8>, other: &[u8], numbers: &mut Numbers) {
    let mut lines: Vec<Vec<u8>> = input.split_inclusive(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect();
    if lines.is_empty() {
        return;
    }
    let (one, two) = (numbers.index(lines.len()), numbers.index(lines.len()));
    match numbers.below(4) {
        0 => lines.insert(one, lines[two].clone()),
        1 => drop(lines.remove(one)),
        2 => lines.swap(one, two),
        _ => {
            let others: Vec<&[u8]> = other.split_inclusive(|byte| *byte == b'\n').collect();
            if !others.is_empty() {
                lines.insert(one, others[numbers.index(others.len())].to_vec());
            }
        }
    }
    *input = lines.concat();
}
