//! Bytes from a terminal, into the real program in a pseudo-terminal: keys, half keys, answers nobody asked for, pastes.

use std::time::{Duration, Instant};

use crate::live::{Demo, Live};
use crate::numbers::{Numbers, setting};

/// Bursts in a short run; a long one goes by time.
const SHORT_RUN: u64 = 12;

const PIECES: [&[u8]; 40] = [
    b"\x1b",
    b"\x1b[",
    b"\x1bO",
    b"\x1b[A",
    b"\x1b[B",
    b"\x1b[C",
    b"\x1b[D",
    b"\x1b[H",
    b"\x1b[F",
    b"\x1b[5~",
    b"\x1b[6~",
    b"\x1bOP",
    b"\x1bOR",
    b"\x1bOS",
    b"\x1b[15~",
    b"\x1b[1;5C",
    b"\x1b[200~",
    b"\x1b[201~",
    b"\x1b[<0;10;10M",
    b"\x1b[<0;999;999m",
    b"\x1b[<64;1;1M",
    b"\x1b[<-1;0;0M",
    b"\x1b[M   ",
    b"\x1b[99999999999999999999~",
    b"\x1b[?62c",
    b"\x1b[5;3R",
    b"\x1b]11;rgb:ffff/ffff/ffff\x07",
    b"\x1bP1$r0m\x1b\\",
    b"\x1b[I",
    b"\x1b[O",
    b"\xff\xfe",
    b"\xc3",
    "\u{1f3a4}\u{e9}\u{202e}".as_bytes(),
    b"\r",
    b"\t",
    b"\x7f",
    b"\0",
    b"\x1b\x1b\x1b",
    b"\x1b[27;5;9~",
    b"\x1b[97;5u",
];

const LINES: [&str; 10] = [
    "cut at cursor",
    "shift +900ms",
    "fade both 3s",
    "zoom samples",
    "zoom all",
    "view close",
    "remove on all",
    "cursor to 99s",
    "height 24",
    "loop here",
];

/// What once left the program deaf: a report of the mouse at column 0, on which its reader panics.
const KEPT: [&[u8]; 1] = [b"\x1b[M   xyz\x1b[C\x1b[C"];

fn burst(numbers: &mut Numbers) -> Vec<u8> {
    let mut bytes = Vec::new();
    while bytes.len() < 700 {
        match numbers.below(10) {
            0..=4 => bytes.extend_from_slice(numbers.pick(&PIECES)),
            5..=7 => bytes.push(b' ' + numbers.below(95) as u8),
            8 => bytes.extend(format!("\r{}\r", numbers.pick(&LINES)).bytes()),
            _ => bytes.push(numbers.next() as u8),
        }
    }
    // These stop or end the program as they should: another test's matter.
    bytes.retain(|byte| !matches!(byte, 0x11 | 0x1a | 0x03 | 0x1c));
    bytes
}

/// Most memory that a process ever held, in MB.
fn most_memory(id: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<u64>().ok()).unwrap_or(0) >> 10
}

/// After a burst it still answers: the command line opens and takes a command.
fn answers(live: &mut Live, turn: u64) -> bool {
    // Ends a paste that was left open, closes whatever is open.
    live.send(b"\x1b[201~");
    live.settle();
    live.keys("esc esc esc");
    live.send(format!("\rmark \"t{turn}\"\r").as_bytes());
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(20) {
        if live.text().contains(&format!("\"t{turn}\"")) {
            return true;
        }
        std::thread::sleep(Duration::from_millis(30));
    }
    false
}

#[test]
fn fuzz_hostile_terminal() {
    let seconds = setting("TAUTLINE_HOSTILE_SECONDS", 0);
    let mut numbers = Numbers(setting("TAUTLINE_HOSTILE_SEED", 20_261_125));
    let demo = Demo::new();
    let began = Instant::now();
    let (mut turn, mut bytes, mut most, mut starts) = (0u64, 0, 0, 0);
    let going = |turn| if seconds > 0 { began.elapsed().as_secs() < seconds } else { turn < SHORT_RUN };
    while going(turn) {
        starts += 1;
        let (wide, high) = (60 + numbers.below(120) as u16, 16 + numbers.below(40) as u16);
        let mut live = demo.start().size(wide, high).run();
        live.wait_ready();
        for _ in 0..12 {
            if !going(turn) {
                break;
            }
            turn += 1;
            let input = KEPT.get(turn as usize - 1).map_or_else(|| burst(&mut numbers), |kept| kept.to_vec());
            bytes += input.len();
            live.send(&input);
            live.settle();
            let shown = || format!("burst {turn}: {:?}\n{}", String::from_utf8_lossy(&input), live.text());
            let raw = live.raw();
            assert!(!String::from_utf8_lossy(&raw).contains("panicked"), "{}", shown());
            if live.ended() {
                // A key that leaves was among them; it has to leave well.
                break;
            }
            most = most.max(live.id().map_or(0, most_memory));
            assert!(most < 512, "{most} MB after {}", shown());
            let text = shown();
            assert!(
                answers(&mut live, turn) || live.ended(),
                "it does not answer after {text}\nnow {}",
                live.text()
            );
        }
        if live.ended() {
            assert!(live.end().0, "it ended badly");
        } else {
            live.signal("TERM");
            assert!(live.end().0, "it does not end well");
        }
    }
    println!(
        "{:<10} {turn:>9} bursts {:>6.0} s, {bytes} bytes, {starts} starts, most memory {most:>3} MB, found 0",
        "terminal",
        began.elapsed().as_secs_f64()
    );
}
