//! Bad files, bad sessions, bad disks: one clear error with the right exit code, and nothing on disk is changed.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic is the report of a test")]

mod program;

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use program::{Desk, RATE, noise};
use serde_json::{Value, json};

/// A WAV file with any header: format tag, channels, bits, what the data chunk claims, and its bytes.
fn wav(tag: u16, channels: u16, bits: u16, claimed: u32, data: &[u8]) -> Vec<u8> {
    let align = channels.wrapping_mul(bits / 8);
    let mut bytes = b"RIFF".to_vec();
    bytes.extend(claimed.wrapping_add(36).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0");
    bytes.extend([tag, channels].iter().flat_map(|x| x.to_le_bytes()));
    bytes.extend([RATE, RATE.wrapping_mul(u32::from(align))].iter().flat_map(|x| x.to_le_bytes()));
    bytes.extend([align, bits].iter().flat_map(|x| x.to_le_bytes()));
    bytes.extend(b"data");
    bytes.extend(claimed.to_le_bytes());
    bytes.extend(data);
    bytes
}

fn pcm16(frames: u32) -> Vec<u8> {
    noise(frames, "pcm").iter().flat_map(|x| ((x >> 8) as i16).to_le_bytes()).collect()
}

#[test]
fn recordings_that_are_none_are_refused_by_name_and_no_session_is_written() {
    let desk = Desk::new();
    desk.take("lead.wav", RATE, 1, 4_800);
    let data = pcm16(4_800);
    let good = wav(1, 1, 16, 9_600, &data);
    let mut jpeg = b"\xff\xd8\xff\xe0\0\x10JFIF".to_vec();
    jpeg.resize(4_000, 7);
    for (name, bytes, parts) in [
        ("empty.wav", vec![], &["the file is empty"][..]),
        ("head.wav", good[..20].to_vec(), &["inside its header"]),
        (
            "half.wav",
            good[..4_844].to_vec(),
            &["cut short", "promises 9600 bytes of samples, 4800 are there", "--accept-cut-short"],
        ),
        ("text.wav", b"Take three was the good one.\n".to_vec(), &["looks like text"]),
        ("jpeg.wav", jpeg, &["looks like a JPEG picture"]),
        ("zeros.wav", vec![0; 4_000], &["zero bytes only"]),
        ("nobody.wav", wav(1, 0, 16, 9_600, &data), &["no channels"]),
        ("many.wav", wav(1, 65_535, 16, 9_600, &data), &["65535 channels"]),
        ("giant.wav", wav(1, 1, 16, 0xffff_fff0, &data), &["promises 4294967280 bytes", "9600 are there"]),
        ("bits.wav", wav(1, 1, 12_345, 9_600, &data), &["12345 bits"]),
        ("no-samples.wav", wav(1, 1, 16, 0, &[]), &["no samples"]),
    ] {
        desk.put(name, bytes);
        let before = desk.files();
        for args in [&["new", "s.json", "--guide", name][..], &["new", "s.json", "--json", "lead.wav", name]]
        {
            let said = desk.tautline(args).ends(3).complains(&[name]).complains(parts);
            assert_eq!(said.out, "", "{name}");
            assert_eq!(said.err.lines().count(), 1, "{said:#?}");
            assert!(said.err.contains("; "), "no remedy: {}", said.err);
        }
        assert_eq!(desk.files(), before, "{name}");
    }
    desk.tautline(&["new", "s.json", "nowhere.wav"])
        .ends(3)
        .complains(&["nowhere.wav: there is no such file"]);
    fs::create_dir(desk.path("empty")).unwrap();
    desk.tautline(&["new", "s.json", "empty"]).ends(3).complains(&["empty holds no recordings"]);
    desk.tautline(&["new", "s.json", "--guide", "empty"]).ends(3).complains(&["empty", "it is a folder"]);
    assert!(!desk.path("s.json").exists());
}

#[test]
fn odd_but_whole_recordings_are_taken_in_with_a_remark() {
    let desk = Desk::new();
    let mut floats = Vec::new();
    for n in 0..4_800 {
        let value = if n % 100 == 7 { f32::NAN } else { (n as f32 * 0.05).sin() * 0.25 };
        floats.extend(value.to_le_bytes());
    }
    desk.put("lead.wav", wav(3, 1, 32, 19_200, &floats));
    let all_nan: Vec<u8> = (0..4_800).flat_map(|_| f32::NAN.to_le_bytes()).collect();
    desk.put("nan.wav", wav(3, 1, 32, 19_200, &all_nan));
    // A recorder that was switched off leaves the length open; that is no damage.
    desk.put("open.wav", wav(1, 1, 16, u32::MAX, &pcm16(4_800)));
    desk.put("half.wav", &wav(1, 1, 16, 9_600, &pcm16(4_800))[..4_844]);
    let said = desk
        .tautline(&["new", "song.json", "--accept-cut-short", "lead.wav", "nan.wav", "open.wav", "half.wav"])
        .ends(0);
    for part in [
        "holds 48 samples that are no numbers",
        "holds 4800 samples",
        "silent",
        "does not give the length",
        "cut short",
    ] {
        assert!(said.out.contains(part), "{part}: {said:#?}");
    }
    let bounced =
        desk.tautline(&["bounce", "song.json", "--to", "out", "--format", "f32", "--json"]).ends(0).json();
    for file in bounced["files"].as_array().unwrap() {
        let (_, samples) = program::read_wav(&desk.path(file["path"].as_str().unwrap()));
        assert!(samples.iter().all(|x| x.is_finite()), "{file}");
    }
    let check = desk.tautline(&["check", "song.json", "--json"]).ends(0).json();
    let codes: Vec<_> = check["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["code"].as_str().unwrap().to_owned())
        .collect();
    assert!(
        codes.contains(&"not-a-number".to_owned()) && codes.contains(&"odd-file".to_owned()),
        "{codes:?}"
    );
}

#[test]
#[cfg(unix)]
fn a_path_that_is_not_unicode_is_refused_and_not_stored_wrong() {
    use std::ffi::{OsStr, OsString};
    use std::os::unix::ffi::OsStrExt;
    let desk = Desk::new();
    let name = OsStr::from_bytes(b"lead\xff.wav");
    fs::rename(desk.take("lead.wav", RATE, 1, 4_800), desk.path(name)).unwrap();
    let args: Vec<OsString> = vec!["new".into(), "s.json".into(), name.into()];
    desk.tautline(&args).ends(3).complains(&["not Unicode", "rename"]);
    assert!(!desk.path("s.json").exists());
}

/// Changes the text of `song.json` and gives what every subcommand says about it. All must leave the folder as it is.
#[track_caller]
fn refused(desk: &Desk, parts: &[&str]) {
    let before = desk.files();
    for args in [
        &["show", "song.json"][..],
        &["show", "song.json", "--json"],
        &["check", "song.json", "--json"],
        &["bounce", "song.json", "--to", "out"],
        &["run", "song.json", "-c", "undo"],
        &["run", "song.json", "--dry-run", "-c", "undo"],
        &["run", "song.json", "-"],
    ] {
        let said = desk.tautline(args).ends(3).complains(parts);
        assert_eq!(said.out, "", "{args:?}");
        assert_eq!(said.err.lines().count(), 1, "{said:#?}");
    }
    assert_eq!(desk.files(), before);
}

#[test]
fn damaged_sessions_are_refused_and_kept() {
    let desk = Desk::with_session();
    desk.run("cut at 1s on lane 2; shift +5ms on lane 2 at 2s; undo; mute on lane 3; mark \"x\"").ends(0);
    let good = fs::read_to_string(desk.path("song.json")).unwrap();
    let json = |change: &dyn Fn(&mut Value)| {
        let mut session: Value = serde_json::from_str(&good).unwrap();
        change(&mut session);
        session.to_string()
    };
    let half = &good[..good.len() / 2];
    for (text, parts) in [
        (String::new(), &["song.json", "it is empty"][..]),
        (half.to_owned(), &["ends in the middle", "line"]),
        ("[1, 2]".to_owned(), &["song.json"]),
        ("{\"format\": \"other\"}".to_owned(), &["its format is \"other\""]),
        (json(&|s| s["wibble"] = 1.into()), &["unknown field `wibble`"]),
        (json(&|s| s["start"]["lanes"][0]["wobble"] = 1.into()), &["unknown field `wobble`"]),
        (json(&|s| s["edits"][0]["ops"][0]["split"]["x"] = 1.into()), &["unknown field `x`"]),
        (json(&|s| s["version"] = 2.into()), &["version 2", "reads up to 1", "newer tautline"]),
        (json(&|s| (s["version"], s["news"]) = (2.into(), 1.into())), &["version 2", "newer tautline"]),
        (json(&|s| s["version"] = 0.into()), &["version 0"]),
        (json(&|s| s["edits"][0]["parents"] = json!([3])), &["edit 1", "cycle"]),
        (json(&|s| s["edits"][1]["parents"] = json!([2])), &["edit 2", "cycle"]),
        (json(&|s| s["edits"][1]["parents"] = json!([])), &["edit 2"]),
        (json(&|s| s["edits"][1]["id"] = 1.into()), &["edit"]),
        (json(&|s| s["head"] = 99.into()), &["99"]),
        (json(&|s| s["marks"]["y"] = 99.into()), &["mark \"y\"", "99"]),
        (json(&|s| s["rate"] = 1.into()), &["rate is 1 Hz"]),
        (json(&|s| s["assets"][0]["channels"] = 40.into()), &["asset 1"]),
        (json(&|s| s["assets"][1]["id"] = 1.into()), &["asset 1 is listed twice"]),
        (json(&|s| s["edits"][0]["ops"][0]["split"]["at"] = (-5).into()), &["edit 1"]),
    ] {
        desk.put("song.json", text);
        refused(&desk, parts);
    }
    desk.put("song.json", good);
    assert_eq!(desk.show()["head"], 3);
}

#[test]
fn other_files_given_as_sessions_are_refused() {
    let desk = Desk::with_session();
    fs::create_dir(desk.path("folder")).unwrap();
    let before = desk.files();
    for (path, why) in
        [("folder", "not a regular file"), ("nowhere.json", "nowhere.json"), ("lead.wav", "lead.wav")]
    {
        for args in [
            &["show", path][..],
            &["run", path, "-c", "undo"],
            &["bounce", path, "--to", "o"],
            &["check", path],
        ] {
            desk.tautline(args).ends(3).complains(&[why]);
        }
    }
    assert_eq!(desk.files(), before);
    assert_eq!(fs::read_dir(desk.path("folder")).unwrap().count(), 0);
}

#[test]
fn a_damaged_journal_is_kept_and_a_cut_off_one_is_recovered_with_a_note() {
    let desk = Desk::with_session();
    desk.run("cut at 1s on lane 2").ends(0);
    let plain = desk.path("song.json");
    let saved = fs::read(&plain).unwrap();
    // The journal of a run that was killed: what a run writes before it saves.
    desk.run("cut at 2s on lane 2; mark \"two\"").ends(0);
    let session: Value = serde_json::from_slice(&fs::read(&plain).unwrap()).unwrap();
    let line = json!({"edit": session["edits"][1]}).to_string();
    let mark = json!({"mark": {"name": "two", "edit": 2}}).to_string();

    fs::write(&plain, &saved).unwrap();
    for damaged in [
        format!("{line}\nnonsense\n{mark}\n"),
        format!("{{\"edit\": 5}}\n{line}\n"),
        format!("{line}\n{}\n", line.replace("96000", "97000")),
        format!("{line}\n{{\"head\": 44}}\n"),
        "\0\0\0\0\n".to_owned(),
    ] {
        desk.put("song.json.journal", &damaged);
        refused(&desk, &["song.json.journal", "move the journal aside"]);
    }

    let cut_off = format!("{line}\n{mark}\n{}", &line[..40]);
    desk.put("song.json.journal", &cut_off);
    let before = desk.files();
    let shown = desk
        .tautline(&["show", "song.json", "--json"])
        .ends(0)
        .complains(&["recovered 2 change", "unfinished line of 40 bytes"]);
    assert_eq!((&shown.json()["head"], &shown.json()["marks"]["two"]), (&json!(2), &json!(2)));
    assert_eq!(desk.files(), before, "looking changes nothing");
    desk.run("mute on lane 3").ends(0).complains(&["recovered 2 change"]);
    assert!(!desk.path("song.json.journal").exists());
    let shown = desk.tautline(&["show", "song.json", "--json"]).ends(0);
    assert_eq!((shown.err.as_str(), &shown.json()["head"]), ("", &json!(3)));
}

#[test]
fn a_missing_recording_stops_the_work_but_not_the_looking() {
    let desk = Desk::with_session();
    desk.run("cut at 1s on lane 2").ends(0);
    fs::remove_file(desk.path("double-1.wav")).unwrap();
    let before = desk.files();
    desk.run("cut at 2s on lane 2").ends(3).complains(&["double-1.wav", "put the recording back"]);
    desk.tautline(&["bounce", "song.json", "--to", "out"]).ends(3).complains(&["double-1.wav"]);
    let shown = desk
        .tautline(&["show", "song.json", "--json"])
        .ends(0)
        .complains(&["note: the recording double-1.wav"]);
    assert_eq!(shown.json()["lanes"][1]["regions"].as_array().unwrap().len(), 2);
    let found = desk.tautline(&["check", "song.json", "--json"]).ends(1).json();
    assert_eq!(
        (&found["findings"][0]["code"], &found["findings"][0]["lane"]),
        (&json!("media-missing"), &json!(2))
    );
    assert_eq!(desk.files(), before);
}

#[test]
fn a_recording_that_changed_by_one_bit_stops_the_work() {
    let desk = Desk::with_session();
    let path = desk.path("double-2.wav");
    // Old enough that its size and times alone vouch for it, as they do in daily work.
    std::thread::sleep(std::time::Duration::from_millis(2_100));
    desk.run("mute on lane 2").ends(0);
    let times = fs::metadata(&path).unwrap().modified().unwrap();
    let mut bytes = fs::read(&path).unwrap();
    bytes[200_000] ^= 1;
    fs::write(&path, &bytes).unwrap();
    // As a copying program does that keeps times.
    fs::File::options().write(true).open(&path).unwrap().set_modified(times).unwrap();
    let before = desk.files();
    desk.run("cut at 2s on lane 2").ends(3).complains(&["double-2.wav", "changed since it was taken in"]);
    desk.tautline(&["bounce", "song.json", "--to", "out"]).ends(3).complains(&["double-2.wav"]);
    let found = desk.tautline(&["check", "song.json", "--json"]).ends(1).json();
    assert_eq!(
        (&found["findings"][0]["code"], &found["findings"][0]["lane"]),
        (&json!("media-changed"), &json!(3))
    );
    assert_eq!(desk.files(), before);
    // Longer, shorter, or another file altogether.
    fs::write(&path, &bytes[..100_000]).unwrap();
    desk.run("cut at 2s on lane 2").ends(3).complains(&["double-2.wav"]);
    fs::write(&path, "text").unwrap();
    let found = desk.tautline(&["check", "song.json", "--json"]).ends(1).json();
    assert_eq!(found["findings"][0]["code"], "media-changed");
    bytes[200_000] ^= 1;
    fs::write(&path, &bytes).unwrap();
    desk.run("cut at 2s on lane 2").ends(0);
}

#[test]
fn a_second_writer_is_refused_and_a_second_reader_is_not() {
    let desk = Desk::with_session();
    let mut first = Command::new(env!("CARGO_BIN_EXE_tautline"))
        .args(["run", "song.json", "-"])
        .current_dir(desk.path(""))
        .envs(desk.environment())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = first.stdin.take().unwrap();
    let mut answers = BufReader::new(first.stdout.take().unwrap()).lines();
    let mut ask = |line: &str| {
        writeln!(input, "{line}").unwrap();
        answers.next().unwrap().unwrap()
    };
    assert_eq!(ask("cut at 1s on lane 2"), "ok 1");
    let before = desk.files();
    let said =
        desk.run("cut at 2s on lane 2").ends(1).complains(&["another tautline is editing this session"]);
    assert_eq!(said.out, "");
    let said = desk.feed(&["run", "song.json", "-"], b"cut at 2s on lane 2\n").ends(1);
    assert!(said.out.starts_with("refused: ") && said.out.contains("another tautline"), "{said:#?}");
    assert_eq!(desk.show()["head"], 1, "what was acknowledged is seen by others");
    desk.tautline(&["bounce", "song.json", "--to", "../out"]).ends(0);
    assert_eq!(desk.files(), before);
    assert_eq!(ask("cut at 2s on lane 2"), "ok 2");
    drop(input);
    assert!(first.wait().unwrap().success());
    assert_eq!(desk.run("cut at 2.5s on lane 2").ends(0).out.split("  ").next(), Some("ok 3"));
}

/// A small file system in memory at `path` while the value lives; `None` where the machine does not let us.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    fn new(path: &Path, options: &str) -> Option<SmallDisk> {
        fs::create_dir_all(path).unwrap();
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", options, "tmpfs"]).arg(path).output();
        match mounted {
            Ok(output) if output.status.success() => Some(SmallDisk(path.to_owned())),
            _ => {
                eprintln!(
                    "\nSKIPPED, NOT TESTED: a full disk; mounting a tmpfs needs root and the right to mount\n"
                );
                None
            }
        }
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_keeps_the_old_session_and_is_named() {
    let desk = Desk::with_session();
    let Some(disk) = SmallDisk::new(&desk.path("disk"), "size=1536k") else { return };
    for name in ["lead.wav", "double-1.wav"] {
        fs::copy(desk.path(name), disk.0.join(name)).unwrap();
    }
    desk.tautline(&["new", "disk/s.json", "disk/lead.wav", "disk/double-1.wav"]).ends(0);
    desk.tautline(&["run", "disk/s.json", "-c", "cut at 1s on lane 2"]).ends(0);
    // Whatever is left of the disk goes to another file.
    let mut filler = fs::File::create(disk.0.join("filler")).unwrap();
    while filler.write_all(&[1; 512]).is_ok() {}
    let old = fs::read(disk.0.join("s.json")).unwrap();

    let said = desk.tautline(&["run", "disk/s.json", "-c", "cut at 2s on lane 2"]).ends(4).complains(&[
        "s.json",
        "No space left",
        "free some space",
    ]);
    assert!(!said.out.contains("ok"), "{said:#?}");
    let said = desk.feed(&["run", "disk/s.json", "-"], b"cut at 2s on lane 2\nmute on lane 2\n").ends(4);
    assert!(said.out.starts_with("refused: ") && said.out.lines().count() == 1, "{said:#?}");
    desk.tautline(&["bounce", "disk/s.json", "--to", "disk/out"]).ends(4).complains(&["full"]);
    assert!(!disk.0.join("out").exists(), "half a bounce was left");
    desk.tautline(&["new", "disk/t.json", "disk/lead.wav"]).ends(4).complains(&["t.json", "No space left"]);
    assert_eq!(fs::metadata(disk.0.join("t.json")).map(|found| found.len()).ok(), None);
    assert_eq!(fs::read(disk.0.join("s.json")).unwrap(), old);
    let shown = desk.tautline(&["show", "disk/s.json", "--json"]).ends(0).json();
    assert_eq!((&shown["head"], shown["lanes"][1]["regions"].as_array().unwrap().len()), (&json!(1), 2));

    // A little room: enough for the journal, too little to save beside the old file. The edit is acknowledged and stays.
    filler.set_len(filler.metadata().unwrap().len() - 4096).unwrap();
    let said = desk.tautline(&["run", "disk/s.json", "-c", "cut at 2s on lane 2"]);
    if said.code == 4 && said.out.contains("ok 2") {
        let said = said.complains(&["s.json", "No space left"]);
        let shown = desk.tautline(&["show", "disk/s.json", "--json"]).ends(0).json();
        assert_eq!(shown["head"], 2, "{said:#?}");
    }
    filler.set_len(0).unwrap();
    desk.tautline(&["run", "disk/s.json", "-c", "mute on lane 2"]).ends(0);
    let shown = desk.tautline(&["show", "disk/s.json", "--json"]).ends(0).json();
    assert_eq!(shown["lanes"][1]["mute"], true);
}

#[test]
fn a_disk_that_cannot_be_written_can_still_be_looked_at() {
    let desk = Desk::with_session();
    let Some(disk) = SmallDisk::new(&desk.path("disk"), "size=4m") else { return };
    for name in ["lead.wav", "double-1.wav"] {
        fs::copy(desk.path(name), disk.0.join(name)).unwrap();
    }
    desk.tautline(&["new", "disk/s.json", "disk/lead.wav", "disk/double-1.wav"]).ends(0);
    let locked = Command::new("mount").args(["-o", "remount,ro"]).arg(&disk.0).status().unwrap();
    assert!(locked.success());
    desk.tautline(&["run", "disk/s.json", "-c", "mute on lane 2"]).ends(4).complains(&[
        "s.json.journal cannot be written",
        "Read-only file system",
        "Make the file and its folder writable",
    ]);
    desk.tautline(&["show", "disk/s.json"]).ends(0);
    desk.tautline(&["check", "disk/s.json"]).ends(0);
    desk.tautline(&["run", "disk/s.json", "--dry-run", "-c", "mute on lane 2"]).ends(0);
    desk.tautline(&["bounce", "disk/s.json", "--to", "disk/out"]).ends(4).complains(&["disk/out"]);
    desk.tautline(&["bounce", "disk/s.json", "--to", "out"]).ends(0);
    desk.tautline(&["new", "disk/t.json", "disk/lead.wav"])
        .ends(4)
        .complains(&["t.json", "Read-only file system"]);
}
