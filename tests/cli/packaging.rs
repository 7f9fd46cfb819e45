//! What goes into packages, and where the program looks and writes on a user's machine.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::program::{Desk, RATE};

const SUBCOMMANDS: &str = "new open run show timing check levels bounce audition devices verify pack tempo demo keys doctor schema help";

#[test]
fn manual_pages_cover_the_program_its_subcommands_and_the_language() {
    let desk = Desk::new();
    let said = desk.tautline(&["help", "--man", "man"]).ends(0);
    assert_eq!((said.out.as_str(), said.err.as_str()), ("", ""));
    let page = |name: &str| std::fs::read_to_string(desk.path("man").join(name)).unwrap();
    let main = page("tautline.1");
    for part in ["EXIT STATUS", "FILES", "XDG_CACHE_HOME", "tautline\\-bounce(1)", "monitor gain"] {
        assert!(main.contains(part), "{part}: {main}");
    }
    for subcommand in SUBCOMMANDS.split(' ') {
        let page = page(&format!("tautline-{subcommand}.1"));
        assert!(page.contains(".SH NAME") && page.contains(".SH SYNOPSIS"), "{subcommand}: {page}");
    }
    let language = page("tautline-commands.7");
    for verb in tautline::command::VERBS {
        assert!(language.contains(&format!("\n{}", verb.name)), "{}", verb.name);
    }
    let bad = desk.put("file", "x");
    desk.tautline(&["help", "--man", &bad.join("man").display().to_string()])
        .ends(4)
        .complains(&["file/man", "another folder"]);
}

/// The formatter of manual pages finds nothing to complain about, where there is one.
#[test]
fn manual_pages_are_understood_by_the_formatter() {
    let desk = Desk::new();
    desk.tautline(&["help", "--man", "man"]).ends(0);
    for name in ["tautline.1", "tautline-run.1", "tautline-commands.7"] {
        let output = Command::new("man")
            .args(["--warnings", "-l"])
            .arg(desk.path("man").join(name))
            .env("MANPAGER", "cat")
            .output();
        let Ok(output) = output else {
            eprintln!("SKIPPED: there is no `man` here");
            return;
        };
        if String::from_utf8_lossy(&output.stderr).contains("No such file") || output.stdout.is_empty() {
            eprintln!("SKIPPED: `man` has no formatter here");
            return;
        }
        assert_eq!(String::from_utf8_lossy(&output.stderr), "", "{name}");
        assert!(String::from_utf8_lossy(&output.stdout).contains("NAME"), "{name}");
    }
}

#[test]
fn completions_know_every_subcommand_and_its_switches() {
    let desk = Desk::new();
    for shell in ["bash", "zsh", "fish"] {
        let script = desk.tautline(&["help", "--completions", shell]).ends(0).out;
        for word in SUBCOMMANDS.split(' ').chain(["timeline", "dry-run", "keymap", "otio"]) {
            assert!(script.contains(word), "{shell} does not know {word}");
        }
    }
    desk.tautline(&["help", "--completions", "tcsh"]).ends(2).complains(&["bash", "zsh", "fish"]);
    desk.tautline(&["help", "--completions", "bash", "run"]).ends(2).complains(&["cannot be used with"]);
    // What the shell itself makes of it.
    let script = desk.put("tautline.bash", desk.tautline(&["help", "--completions", "bash"]).ends(0).out);
    let ask = format!(
        "source '{}'; COMP_WORDS=(tautline bounce --ti); COMP_CWORD=2; _tautline tautline --ti bounce; echo \"${{COMPREPLY[@]}}\"",
        script.display()
    );
    let output = Command::new("bash").args(["--norc", "-c", &ask]).output().unwrap();
    let answer = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(answer.trim(), "--timeline", "{output:?}");
}

/// Every file under a folder, relative to it.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in std::fs::read_dir(next).unwrap().flatten() {
            if entry.path().is_dir() { folders.push(entry.path()) } else { found.push(entry.path()) }
        }
    }
    found.iter().map(|path| path.strip_prefix(folder).unwrap().to_owned()).collect()
}

/// XDG Base Directory Specification 0.8: the variables name the folders; without them, or where they are relative, the
/// defaults under the home folder hold.
#[test]
fn own_files_and_copies_lie_in_the_folders_of_the_xdg_rules() {
    let desk = Desk::new();
    desk.take("lead.wav", RATE, 1, 48_000);
    desk.take("double.wav", 44_100, 1, 44_100);
    let home = desk.path("").join("own-home");
    std::fs::create_dir(&home).unwrap();
    let relative = |name: &'static str| (name, "not/absolute".to_owned());
    let elsewhere = desk.path("").join("elsewhere");
    let other = |name: &'static str, folder: &str| (name, elsewhere.join(folder).display().to_string());
    let names = ["XDG_CONFIG_HOME", "XDG_CACHE_HOME", "XDG_STATE_HOME"];
    let cases = [
        (Vec::new(), home.join(".config"), home.join(".cache")),
        (names.map(relative).to_vec(), home.join(".config"), home.join(".cache")),
        (
            vec![other(names[0], "config"), other(names[1], "cache"), other(names[2], "state")],
            elsewhere.join("config"),
            elsewhere.join("cache"),
        ),
    ];
    for (number, (variables, config, cache)) in cases.into_iter().enumerate() {
        let tautline = |args: &[&str]| {
            let mut command = desk.command(args);
            for name in names {
                command.env_remove(name);
            }
            command.env("HOME", &home).envs(variables.iter().map(|(name, value)| (*name, value)));
            crate::program::said(&mut command)
        };
        let session = format!("s{number}.json");
        tautline(&["new", &session, "lead.wav", "double.wav"]).ends(0);
        tautline(&["bounce", &session, "--to", &format!("out{number}")]).ends(0);
        let cached = files(&cache);
        assert!(cached.iter().all(|path| path.starts_with("tautline")) && !cached.is_empty(), "{cached:?}");
        assert!(cached.iter().any(|path| path.starts_with("tautline/conformed")), "{cached:?}");
        // A preset of one's own is found there.
        std::fs::create_dir_all(config.join("tautline")).unwrap();
        std::fs::write(config.join("tautline/fades.toml"), "[fade.mine]\nabout = \"x\"\nout = { ms = 7 }\n")
            .unwrap();
        tautline(&["run", &session, "-c", "fade preset mine on lane 1"]).ends(0);
        let doctor = tautline(&["doctor"]);
        let own = config.join("tautline");
        assert!(
            doctor.out.contains(&own.display().to_string()) && doctor.out.contains("mine"),
            "{doctor:#?}"
        );
        for folder in [&config, &cache] {
            std::fs::remove_dir_all(folder).unwrap();
        }
        let strays: Vec<_> =
            files(&home).into_iter().filter(|path| !path.starts_with(".local/state/tautline")).collect();
        assert_eq!(strays, Vec::<PathBuf>::new(), "something else was written into the home folder");
        // (The sound library keeps a file of its own there, relative or not.)
        assert!(!desk.path("not/absolute/tautline").exists());
    }
}
