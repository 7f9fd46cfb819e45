//! The whole program in a pseudo-terminal over the demo: what hands do in a day, and what goes wrong.

mod live;

use std::time::Duration;

use live::Demo;

/// Takes an ordinary terminal as it was before: every mode set is unset again.
fn gave_the_terminal_back(raw: &[u8]) -> bool {
    let text = String::from_utf8_lossy(raw);
    ["?1049", "?1002", "?1006", "?2004"].iter().all(|mode| {
        let set = text.rfind(&format!("\x1b[{mode}h"));
        let unset = text.rfind(&format!("\x1b[{mode}l"));
        set.is_some() && set < unset
    }) && text.rfind("\x1b[?25h") > text.rfind("\x1b[?25l")
}

/// First everyday use: tighten a stack over a thin line. Every edit is on disk, every step is small.
#[test]
fn tighten_a_stack_over_a_thin_line() {
    let demo = Demo::new();
    let mut live = demo.start().size(100, 30).run();
    live.wait_ready();
    live.line("goto \"gaps emptied\"");
    live.line("focus lane 2; cursor to 1.552s; zoom to 4s");
    let steps: Vec<usize> = (0..6).map(|_| live.keys("right")).collect();
    assert!(steps.iter().all(|bytes| *bytes < 1500), "a cursor step is small: {steps:?}");
    live.line("cursor to 1.552s");
    // Cut before the late word and after it, slide it home by 35 ms, hide the seam.
    let cut = live.keys("f");
    live.line("cursor to 1.806s");
    live.keys("f");
    live.line("cursor to 1.7s; stride 5ms");
    let slide = live.keys("7 g");
    live.wait_for("slid 1 region");
    assert!(cut < 4000 && slide < 6000, "an edit is small: cut {cut}, slide {slide}");
    let regions = demo.regions(2);
    let at = |seconds: f64| (seconds * 48_000.0).round() as i64;
    let piece = regions
        .iter()
        .find(|region| region.0 == at(1.552) - at(0.035))
        .expect("the piece lies 35 ms earlier");
    assert_eq!(piece.1, at(1.806) - at(1.552));
    live.line("fade missing on all; tail to 4.42s on lane 2");
    // Take back, go another way, bring the first way's lane along.
    live.line("mark \"first way\"");
    live.keys("backspace backspace");
    live.line("shift +3ms on lane 2 at 1.7s");
    live.line("bring lane 2 from \"first way\"");
    live.wait_for("brought");
    live.keys("f4");
    live.wait_for("branches");
    live.keys("esc");
    live.quit();
    let show = demo.show();
    assert_eq!(show["lanes"][1]["name"], "double-1");
    let regions = demo.regions(2);
    assert!(regions.iter().any(|region| region.0 == piece.0), "{regions:?}");
    assert!(regions.iter().all(|region| region.3 > 0 || region.2 > 0), "every piece has fades: {regions:?}");
}

/// Second everyday use: loop one phrase and trim its fades by keyboard while it plays.
#[test]
fn trim_the_fades_of_a_phrase_while_it_loops() {
    let demo = Demo::new();
    let mut live = demo.start().run();
    live.wait_ready();
    live.line("focus lane 1; cursor to 6s; stride 10ms");
    live.keys("u");
    live.wait_for("loop");
    live.send(b" ");
    live.wait_for("▶");
    let before = demo.regions(1)[1];
    live.send(b"lllk");
    live.send(b"dd");
    live.wait_for("in 28 ms");
    assert!(live.row(0).contains('▶'), "it plays on: {}", live.row(0));
    live.send(b" ");
    live.wait_for("■");
    live.settle();
    live.quit();
    let after = demo.regions(1)[1];
    assert_eq!((after.2 - before.2, after.3 - before.3), (2 * 480, 2 * 480));
    assert_eq!((after.0, after.1), (before.0, before.1));
}

/// Third everyday use: a fade preset on all regions at once, and back.
#[test]
fn apply_a_fade_preset_to_everything_and_take_it_back() {
    let demo = Demo::new();
    let before: Vec<_> = (1..=5).map(|lane| demo.regions(lane)).collect();
    let mut live = demo.start().run();
    live.wait_ready();
    live.keys("tab");
    live.send(b"soft-ends all");
    live.wait_for("fade preset soft-ends on all");
    live.keys("esc");
    let bytes = live.line("fade preset soft-ends fit on all");
    live.wait_for("set fades of");
    assert!(bytes < 12_000, "{bytes}");
    let changed: Vec<_> = (1..=5).map(|lane| demo.regions(lane)).collect();
    assert!(before.iter().zip(&changed).all(|(before, changed)| before != changed));
    live.keys("backspace");
    live.wait_for("took back");
    live.quit();
    let after: Vec<_> = (1..=5).map(|lane| demo.regions(lane)).collect();
    assert_eq!(before, after);
}

#[test]
fn nothing_is_sent_while_nothing_happens_and_keys_faster_than_frames_coalesce() {
    let demo = Demo::new();
    let mut live = demo.start().run();
    live.wait_ready();
    let before = live.sent();
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(live.sent() - before, 0, "idle");
    let before = live.sent();
    live.send(&b"\x1b[C".repeat(300));
    live.send(b"\x1b[H");
    live.settle();
    let bytes = live.sent() - before;
    assert!(bytes < 300 * 600, "frames are left out: {bytes}");
    assert!(live.text().contains("0:00.490"), "{}", live.text());
    live.quit();
}

#[test]
fn a_lost_line_saves_and_reopening_brings_the_view_back() {
    let demo = Demo::new();
    for signal in ["TERM", "HUP"] {
        let mut live = demo.start().run();
        live.wait_ready();
        live.line("focus lane 4; cursor to 7.25s; zoom to 2s; stride 25ms");
        live.line(&format!("note \"{signal}\""));
        live.wait_for("25ms");
        live.signal(signal);
        let (well, raw) = live.end();
        assert!(well && gave_the_terminal_back(&raw), "{signal}");
        assert!(!demo.folder.path().join("lantern-row.json.journal").exists(), "saved whole");
        let live = demo.start().run();
        live.wait_ready();
        assert!(live.text().contains("0:07.250  4 harmony-high"), "{}", live.text());
        assert!(live.text().contains("stride 25ms"));
        live.quit();
    }
}

/// Only builds with debug assertions fail on request.
#[cfg(debug_assertions)]
#[test]
fn a_fault_of_the_program_gives_the_terminal_back_and_tells_what_happened() {
    let demo = Demo::new();
    let live = demo.start().env("TAUTLINE_TEST_FAULT", "1").run();
    live.wait_for("Every edit is on disk");
    let (well, raw) = live.end();
    assert!(!well, "it ends with an error");
    let text = String::from_utf8_lossy(&raw).into_owned();
    let (screen, after) = text.split_at(text.rfind("\x1b[?1049l").expect("the other screen is left"));
    assert!(screen.contains("\x1b[?1049h") && screen.contains("\x1b[?25h"));
    assert!(
        after.contains("a fault of the program ended it") && after.contains("TAUTLINE_TEST_FAULT"),
        "{after}"
    );
    assert!(!demo.folder.path().join("lantern-row.json.journal").exists(), "saved whole");
}

#[test]
fn ctrl_z_gives_the_terminal_back_and_fg_takes_it_again() {
    let demo = Demo::new();
    let mut live = demo.start().run();
    live.wait_ready();
    live.send(b"\x1a");
    live.settle();
    assert!(gave_the_terminal_back(&live.raw()));
    live.signal("CONT");
    live.settle();
    assert!(!gave_the_terminal_back(&live.raw()), "it is taken again");
    live.wait_for("harmony-low");
    live.keys("f1");
    live.wait_for("two-hands");
    live.quit();
}

#[test]
fn sizes_change_under_way_and_a_tiny_one_says_so() {
    let demo = Demo::new();
    let mut live = demo.start().run();
    live.wait_ready();
    live.resize(40, 10);
    live.wait_for("is too small");
    live.resize(132, 50);
    live.wait_for("harmony-low");
    live.resize(1, 1);
    live.resize(60, 16);
    live.wait_for("lead");
    live.keys("f");
    live.quit();
}

#[test]
fn no_color_is_honoured_and_unknown_terminals_get_something() {
    let demo = Demo::new();
    let live = demo.start().env("NO_COLOR", "1").env("COLORTERM", "truecolor").run();
    live.wait_ready();
    let raw = live.raw();
    live.quit();
    let coloured = |raw: &[u8]| {
        let text = String::from_utf8_lossy(raw).into_owned();
        text.split("\x1b[").skip(1).any(|rest| {
            let (codes, end) = rest.split_at(rest.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(0));
            end.starts_with('m')
                && codes.split(';').any(|code| matches!(code.parse(), Ok(30..=49 | 90..=107)))
        })
    };
    assert!(!coloured(&raw));
    let live = demo.start().env("TERM", "a-terminal-nobody-knows").env("LANG", "C").run();
    live.wait_ready();
    let raw = live.raw();
    assert!(coloured(&raw));
    assert!(live.text().is_ascii(), "{}", live.text());
    live.quit();
    let (well, raw) = demo.start().env("TERM", "dumb").run().end();
    let text = String::from_utf8_lossy(&raw).into_owned();
    assert!(!well && text.contains("tautline run") && !text.contains("\x1b[?1049h"), "{text}");
}

#[test]
fn a_keymap_full_of_errors_still_works_and_names_each_by_file_and_line() {
    let demo = Demo::new();
    let file = demo.folder.path().join("mine.toml");
    std::fs::write(
        &file,
        "[everywhere]\n\"x\" = \"shfit +1ms\"\n\"f12\" = \"mark \\\"mine\\\"\"\n???\n\"q\" = false\n",
    )
    .unwrap();
    let mut live = demo.start().size(120, 40).arg("--keymap").arg(&file.display().to_string()).run();
    live.wait_ready();
    live.keys("f5");
    let text = live.text();
    assert!(text.contains("mine.toml line 2: `x`: ") && text.contains("did you mean `shift`"), "{text}");
    assert!(text.contains("mine.toml line 4: "), "{text}");
    live.keys("esc");
    live.send(b"\x1b[24~");
    live.wait_for("marked edit 124 \"mine\"");
    live.keys("q");
    live.wait_for("nothing is bound to q");
    live.quit();
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_tautline"))
        .args(["keys", "--keymap"])
        .arg(&file)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let keys = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        keys.contains("f12  mark \"mine\"")
            && keys.contains("cut at cursor")
            && !keys.contains("  q  hear guide"),
        "{keys}"
    );
}

#[test]
fn output_that_is_no_terminal_is_refused_in_words() {
    let demo = Demo::new();
    let output = std::process::Command::new("setsid")
        .arg(env!("CARGO_BIN_EXE_tautline"))
        .arg("open")
        .arg(demo.session())
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("needs a terminal"));
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_tautline")).arg("doctor").output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(text.contains("colours") && text.contains("two-hands") && text.contains("soft-ends"), "{text}");
}
