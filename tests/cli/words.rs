//! What the program says about itself, wrong calls, and readers that go away.

use std::io::Read;
use std::process::{Command, Stdio};

use crate::program::Desk;

const SUBCOMMANDS: [&str; 8] = ["new", "run", "show", "check", "bounce", "demo", "schema", "help"];

#[test]
fn the_printed_schema_accepts_sessions_and_refuses_others() {
    let desk = Desk::with_session();
    desk.run(
        "cut at 1s on lane 2; shift -5ms on lane 2 at 2s; fade out 9ms curve exponential bend 0.3 on lane 3; loop 1s..2s; \
         mark \"first try\"; undo; note \"check the t\" at 1s on lane 2; pan 0.2 on lane 3; polarity invert on lane 3; \
         bring lane 2 from \"first try\"",
    )
    .ends(0);
    let said = desk.tautline(&["schema"]).ends(0);
    assert_eq!(said.err, "");
    let validator = jsonschema::validator_for(&said.json()).unwrap();
    let session = serde_json::from_slice(&std::fs::read(desk.path("song.json")).unwrap()).unwrap();
    let wrong: Vec<_> = validator.iter_errors(&session).map(|error| error.to_string()).collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    for (key, value) in [("wibble", serde_json::json!(1)), ("rate", "fast".into()), ("head", (-1).into())] {
        let mut other = session.clone();
        other[key] = value;
        assert!(!validator.is_valid(&other), "{key}");
    }
}

#[test]
fn help_and_version_are_printed_and_end_well() {
    let desk = Desk::new();
    let out = |args: &[&str]| {
        let said = desk.tautline(args).ends(0);
        assert_eq!(said.err, "", "{args:?}");
        said.out
    };
    assert_eq!(out(&["--version"]), format!("tautline {}\n", env!("CARGO_PKG_VERSION")));
    let overview = out(&["help"]);
    for subcommand in SUBCOMMANDS {
        assert!(overview.contains(&format!("\n  {subcommand} ")), "{overview}");
        assert!(out(&["help", subcommand]).contains("Usage"), "{subcommand}");
        assert!(out(&[subcommand, "--help"]).contains("Usage"), "{subcommand}");
    }
    assert!(overview.contains("monitor gain"), "the hearing caution is missing:\n{overview}");
    assert_eq!(out(&["--help"]), overview);
    let commands = out(&["help", "commands"]);
    for verb in "cut join remove restore edge shift fade crossfade tail trim gain pan polarity lane role mute solo loop undo redo mark goto bring note"
        .split(' ')
    {
        assert!(commands.contains(&format!("\n{verb}")), "{verb}");
        let one = out(&["help", "commands", verb]);
        assert!(commands.contains(&one), "{verb}:\n{one}");
        assert_eq!(out(&["help", verb]), one);
    }
    let fade = out(&["help", "commands", "fade"]);
    assert!(
        fade.starts_with("fade (") && fade.contains("fade out 40ms curve equal-power bend 0.3 on all"),
        "{fade}"
    );
}

#[test]
fn unknown_words_are_usage_errors_with_a_suggestion() {
    let desk = Desk::with_session();
    let before = desk.files();
    for (args, parts) in [
        (&["shwo", "song.json"][..], &["shwo", "'show'"][..]),
        (&["bounce", "song.json", "--too", "x"], &["--too", "'--to'"]),
        (&["bounce", "song.json", "--to", "x", "--format", "i42"], &["i42", "i24"]),
        (&["help", "comands"], &["no help topic `comands`", "did you mean `commands`?"]),
        (&["help", "bonce"], &["did you mean `bounce`?"]),
        (&["help", "zzzzzz"], &["`tautline help` lists all"]),
        (&["help", "commands", "fad"], &["no verb `fad`", "did you mean `fade`?"]),
        (&["help", "commands", "qqqq"], &["`tautline help commands` lists all"]),
        (&["run", "song.json"], &["-c COMMANDS | -f SCRIPT | -"]),
        (&["run", "song.json", "-c", "undo", "-"], &["cannot be used with"]),
        (&["show"], &["SESSION"]),
        (&["bounce", "song.json"], &["--to"]),
        (&[], &["Usage"]),
        (&[""], &["Usage"]),
    ] {
        let said = desk.tautline(args).ends(2).complains(parts);
        assert_eq!(said.out, "", "{args:?}");
    }
    assert_eq!(desk.files(), before);
}

#[test]
fn wrong_commands_name_the_column_and_what_could_stand_there() {
    let desk = Desk::with_session();
    for (line, parts) in [
        ("ctu at 1s on lane 2", &["column 1", "no verb `ctu`", "`cut`"][..]),
        ("split at 1s", &["`cut` does that"]),
        ("cut at 12 on lane 2", &["column 8: `12` needs a unit: ms, s or smp"]),
        ("mute on lane 2; shift 12ms", &["column 23"]),
        ("cut at 1s on lane 9", &["no lane 9", "lanes 1 to 3"]),
        ("cut at 1s", &["no cursor in a script"]),
        ("tail to guide on lane 2", &["all last words end within"]),
        ("fade both 5ms curve rased-cosine on lane 2", &["raised-cosine"]),
        ("fade preset sotf-ends on lane 2", &["soft-ends"]),
        ("goto \"nowhere\"", &["no mark \"nowhere\""]),
        ("shift +5s on lane 2 at 1s..1s", &["empty"]),
        ("cut at 99999999999999999999s on lane 2", &["out of reach"]),
        ("\"", &["column 1"]),
        ("ß at 1s", &["no verb `ß`"]),
    ] {
        let said = desk.run(line).ends(1).complains(&["refused: "]).complains(parts);
        assert_eq!(said.out, "", "{line}");
    }
    assert_eq!(desk.show()["head"], 0);
    for line in ["", "  ", ";;", "# only a remark"] {
        desk.run(line).ends(0);
    }
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let desk = Desk::with_session();
    desk.put(
        "gains.txt",
        (0..200).map(|n| format!("gain to -{}.5dB on lane 2\n", n % 30)).collect::<String>(),
    );
    for args in [
        &["help", "commands"][..],
        &["help"],
        &["schema"],
        &["show", "song.json", "--json"],
        &["run", "song.json", "-f", "gains.txt"],
        &["--help"],
    ] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tautline"));
        command.args(args).current_dir(desk.path("")).envs(desk.environment());
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        // As `head -c 1` does: one byte, then gone.
        let mut byte = [0];
        let mut out = child.stdout.take().unwrap();
        out.read_exact(&mut byte).unwrap();
        drop(out);
        let ended = child.wait_with_output().unwrap();
        assert_eq!(String::from_utf8_lossy(&ended.stderr), "", "{args:?}");
        assert_eq!(ended.status.code(), Some(0), "{args:?}");
    }
    // Every line of the script was carried out, though nobody read the answers.
    assert_eq!(desk.show()["head"], 200);
}
