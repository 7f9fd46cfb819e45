//! One session and several programs, write protection, and a full disk.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

mod common;
#[path = "common/left.rs"]
mod left;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};

use common::{contents, quick_folder, run, session};
use left::{FRAMES, left_behind, state};
use tautline::edit::{Access, ErrorKind, OpenNote, Session, Store, StoreError, journal_path};
use tautline::song::EditId;

#[cfg(unix)]
#[test]
fn a_session_behind_a_link_is_saved_where_it_lies() {
    use std::os::unix::fs::symlink;
    let left = left_behind();
    let elsewhere = quick_folder();
    let link = elsewhere.path().join("link.json");
    symlink(&left.path, &link).unwrap();
    let (store, _) = Store::open(&link, Access::Write).unwrap();
    let (second, notes) = Store::open(&left.path, Access::Write).unwrap();
    assert!(!second.is_writable() && notes.len() == 1, "both names are one session with one lock");
    store.close().unwrap();
    assert!(link.is_symlink());
    let saved = Session::from_json(&left.path, &fs::read(&left.path).unwrap()).unwrap();
    assert_eq!(state(&saved), *left.states.last().unwrap());
}

#[test]
fn a_second_program_reads_only_until_the_first_one_closes() {
    let folder = quick_folder();
    let mut first = common::store(folder.path(), 2, FRAMES);
    run(&mut first, "gain -1dB on lane 2").unwrap();
    let path = first.path().to_owned();

    let (mut second, notes) = Store::open(&path, Access::Write).unwrap();
    assert!(!second.is_writable());
    let [OpenNote::Recovered { .. } | OpenNote::ReadOnly { .. }, ..] = notes.as_slice() else {
        panic!("{notes:?}")
    };
    assert!(notes.iter().any(|note| note.to_string().contains("another tautline is editing")), "{notes:?}");
    assert_eq!(state(second.session()), state(first.session()), "unsaved lines are seen");
    let before = (state(second.session()), contents(folder.path()));
    let text = run(&mut second, "gain -2dB on lane 2").unwrap_err().to_string();
    assert!(text.contains("reading only") && text.contains("another tautline"), "{text}");
    for line in ["undo", "mark here", "goto start"] {
        run(&mut second, line).unwrap_err();
    }
    second.save().unwrap();
    assert!((state(second.session()), contents(folder.path())) == before, "a reader changes nothing");
    second.close().unwrap();
    assert!(journal_path(&path).exists(), "a reader takes no journal away");

    run(&mut first, "gain -2dB on lane 2").unwrap();
    let expected = state(first.session());
    first.close().unwrap();
    let (mut third, notes) = Store::open(&path, Access::Write).unwrap();
    assert!(third.is_writable() && notes.is_empty(), "{notes:?}");
    assert_eq!(state(third.session()), expected);
    run(&mut third, "gain -3dB on lane 2").unwrap();
    third.close().unwrap();
}

#[test]
fn one_who_looks_sees_what_the_writer_has_not_saved_yet() {
    let folder = quick_folder();
    let mut writer = common::store(folder.path(), 2, FRAMES);
    for line in ["cut at 1s on lane 2", "gain -1dB on lane 2", "mark soft", "undo"] {
        run(&mut writer, line).unwrap();
        let (reader, notes) = Store::open(writer.path(), Access::Read).unwrap();
        assert_eq!(state(reader.session()), state(writer.session()), "{line}: {notes:?}");
        assert!(!reader.is_writable());
    }
}

/// The journal is cleared by each saving and begins anew; what is read across that must not be taken for a line.
#[test]
fn one_who_looks_while_the_writer_saves_sees_what_there_was_at_one_time() {
    let folder = quick_folder();
    let mut writer = common::store(folder.path(), 2, FRAMES);
    let path = writer.path().to_owned();
    let done = AtomicBool::new(false);
    let looks = std::thread::scope(|scope| {
        let look = || {
            let (mut looks, mut seen) = (0, 0);
            while !done.load(Ordering::Relaxed) {
                let (reader, notes) = Store::open(&path, Access::Read).unwrap();
                let (marks, history) = (&reader.session().marks, &reader.session().history);
                for (name, edit) in marks {
                    assert_eq!(*name, format!("n{}", edit.0), "{notes:?}");
                }
                let edits = history.edits().len();
                assert!(marks.len() == edits || marks.len() + 1 == edits, "{edits} {}", marks.len());
                assert!(edits >= seen, "an edit was seen and is gone");
                (looks, seen) = (looks + 1, edits);
            }
            looks
        };
        let readers: Vec<_> = (0..2).map(|_| scope.spawn(look)).collect();
        for edit in 1..=1000 {
            run(&mut writer, &format!("gain {}dB on lane 1", ["+1", "-1"][edit % 2])).unwrap();
            run(&mut writer, &format!("mark n{edit}")).unwrap();
            writer.save().unwrap();
        }
        done.store(true, Ordering::Relaxed);
        readers.into_iter().map(|reader| reader.join().unwrap()).sum::<u32>()
    });
    assert!(looks > 0);
}

#[test]
fn a_session_is_not_created_over_another_or_over_a_journal() {
    let left = left_behind();
    let before = contents(left.folder.path());
    let error = Store::create(&left.path, session(2, FRAMES)).err().unwrap();
    assert!(matches!(error, StoreError::Exists { .. }) && error.to_string().contains("song.json"));
    fs::remove_file(&left.path).unwrap();
    assert!(Store::create(&left.path, session(2, FRAMES)).is_err(), "the journal belongs to somebody");
    fs::write(&left.path, &left.file).unwrap();
    assert!(contents(left.folder.path()) == before);
}

#[test]
fn programs_that_open_and_close_all_the_time_lose_no_edit() {
    let folder = quick_folder();
    let store = common::store(folder.path(), 2, FRAMES);
    let path = store.path().to_owned();
    store.close().unwrap();
    let acknowledged: usize = std::thread::scope(|scope| {
        let work = |thread: usize| {
            let path = &path;
            move || {
                let mut done = 0;
                while done < 25 {
                    let (mut store, _) = Store::open(path, Access::Write).unwrap();
                    if store.is_writable() {
                        run(&mut store, &format!("gain {}dB on lane 1", ["+1", "-1"][done % 2])).unwrap();
                        done += 1;
                    }
                    // Every third one dies without closing.
                    if done % 3 == thread % 3 { drop(store) } else { store.close().unwrap() }
                }
                done
            }
        };
        let threads: Vec<_> = (0..4).map(|thread| scope.spawn(work(thread))).collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).sum()
    });
    let (store, _) = Store::open(&path, Access::Write).unwrap();
    assert_eq!(store.session().history.edits().len(), acknowledged);
    assert_eq!(acknowledged, 4 * 25);
    store.close().unwrap();
    assert_eq!(contents(folder.path()).into_keys().collect::<Vec<_>>(), ["song.json"]);
}

#[test]
fn what_a_killed_program_left_half_written_goes_and_nothing_else_does() {
    let folder = quick_folder();
    let store = common::store(folder.path(), 2, FRAMES);
    let path = store.path().to_owned();
    store.close().unwrap();
    let names =
        [".other.json.AbC123.saving", ".song.json.AbC123.saving", ".song.json.x.AbC123.saving", "takes.wav"];
    for name in names {
        fs::write(folder.path().join(name), "x").unwrap();
    }
    let (reader, _) = Store::open(&path, Access::Read).unwrap();
    assert_eq!(contents(folder.path()).len(), 5, "one who looks takes nothing away");
    drop(reader);
    let (store, _) = Store::open(&path, Access::Write).unwrap();
    store.close().unwrap();
    let left: Vec<String> = contents(folder.path()).into_keys().collect();
    assert_eq!(left, [names[0], names[2], "song.json", "takes.wav"]);
}

#[cfg(unix)]
#[test]
fn a_write_protected_session_is_opened_to_read() {
    use std::os::unix::fs::PermissionsExt;
    let left = left_behind();
    fs::set_permissions(&left.path, fs::Permissions::from_mode(0o444)).unwrap();
    let before = contents(left.folder.path());
    let (mut store, notes) = Store::open(&left.path, Access::Write).unwrap();
    assert!(!store.is_writable());
    assert!(notes.iter().any(|note| note.to_string().contains("write-protected")), "{notes:?}");
    assert_eq!(state(store.session()), *left.states.last().unwrap());
    run(&mut store, "gain -1dB on lane 2").unwrap_err();
    store.close().unwrap();
    assert!(contents(left.folder.path()) == before);
}

/// A small file system in memory, gone with its owner.
struct Small(tempfile::TempDir);

impl Small {
    /// `None`, loudly, where this machine does not let us mount one.
    fn mount(what: &str, size: &str) -> Option<Small> {
        let folder = tempfile::tempdir().unwrap();
        let options = format!("size={size}");
        let done =
            Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs"]).arg(folder.path()).output();
        if done.is_ok_and(|output| output.status.success()) {
            return Some(Small(folder));
        }
        eprintln!("SKIPPED: {what} needs a small file system, and mounting one takes root");
        None
    }

    fn path(&self) -> &Path {
        self.0.path()
    }

    fn protect(&self) {
        let done = Command::new("mount").args(["-o", "remount,ro"]).arg(self.path()).status().unwrap();
        assert!(done.success());
    }

    /// Takes all the space there is but for so many bytes.
    fn fill(&self, but: u64) -> PathBuf {
        use std::io::Write;
        let filler = self.path().join("filler");
        let mut file = fs::File::create(&filler).unwrap();
        while file.write_all(&[1; 512]).is_ok() {}
        file.set_len(file.metadata().unwrap().len() - but).unwrap();
        filler
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        // Lazily: a process that is just being started may still hold a copy of an open file.
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_opened_to_read() {
    let Some(small) = Small::mount("a read-only folder", "1m") else { return };
    let mut store = common::store(small.path(), 2, FRAMES);
    run(&mut store, "gain -1dB on lane 2").unwrap();
    let (path, expected) = (store.path().to_owned(), state(store.session()));
    drop(store);
    small.protect();
    let (mut store, notes) = Store::open(&path, Access::Write).unwrap();
    assert!(!store.is_writable());
    assert!(notes.iter().any(|note| note.to_string().contains("cannot be written")), "{notes:?}");
    assert_eq!(state(store.session()), expected);
    let text = run(&mut store, "gain -1dB on lane 2").unwrap_err().to_string();
    assert!(text.contains("Read-only file system"), "{text}");
    assert_eq!(
        Store::create(&small.path().join("new.json"), session(2, 9)).err().unwrap().kind(),
        ErrorKind::Output
    );
}

/// Commits until the disk is full; gives the error.
fn commit_until_full(store: &mut Store) -> StoreError {
    for _ in 0..100_000 {
        let lane = store.session().song().lanes[1].clone();
        let change = |db| tautline::edit::LaneValue::GainDb(tautline::song::Db(db));
        let to = if lane.gain_db.0 == 1.0 { 2.0 } else { 1.0 };
        let op = tautline::edit::Op::SetLane { lane: lane.id, from: change(lane.gain_db.0), to: change(to) };
        let before = state(store.session());
        if let Err(error) = store.commit("gain", common::TIME, vec![op], None) {
            assert_eq!(state(store.session()), before, "the failed edit was taken back");
            return error;
        }
    }
    panic!("the disk never got full")
}

#[test]
fn a_full_disk_loses_no_edit_that_was_acknowledged() {
    let Some(small) = Small::mount("a full disk", "256k") else { return };
    let mut store = common::store(small.path(), 2, FRAMES);
    run(&mut store, "cut at 1s on lane 2; mark before").unwrap();
    store.save().unwrap();
    let (path, saved) = (store.path().to_owned(), fs::read(store.path()).unwrap());
    let filler = small.fill(8192);

    let error = commit_until_full(&mut store);
    assert!(matches!(error, StoreError::Append { .. }) && error.kind() == ErrorKind::Output, "{error:?}");
    let text = error.to_string();
    assert!(text.contains("song.json.journal") && text.contains("taken back"), "{text}");
    // What moves the head is acknowledged by the same journal.
    let expected = state(store.session());
    assert!(expected.0 > 1);
    while store.undo().is_ok() {}
    let expected = (expected.0, store.session().history.head(), expected.2, store.session().song().clone());

    let error = store.save().err().unwrap();
    assert!(matches!(error, StoreError::Save { .. }) && error.kind() == ErrorKind::Output, "{error:?}");
    let text = error.to_string();
    assert!(text.contains("song.json") && text.contains("is intact"), "{text}");
    assert!(fs::read(&path).unwrap() == saved, "the old file is the last saved one");
    let names: Vec<String> = contents(small.path()).into_keys().collect();
    assert_eq!(names, ["filler", "song.json", "song.json.journal"], "nothing half written stays behind");

    let (reader, _) = Store::open(&path, Access::Read).unwrap();
    assert_eq!(state(reader.session()), expected);
    drop(store);
    let before = contents(small.path());
    let error = Store::open(&path, Access::Write).err().unwrap();
    assert!(matches!(error, StoreError::Save { .. }), "{error:?}");
    assert!(contents(small.path()) == before, "opening on a full disk changes nothing");
    let (reader, _) = Store::open(&path, Access::Read).unwrap();
    assert_eq!(state(reader.session()), expected);

    fs::remove_file(filler).unwrap();
    let (mut store, _) = Store::open(&path, Access::Write).unwrap();
    assert_eq!(state(store.session()), expected);
    run(&mut store, "gain -7dB on lane 2").unwrap();
    store.close().unwrap();
}

#[test]
fn several_steps_are_one_on_a_full_disk_too() {
    let Some(small) = Small::mount("a full disk", "256k") else { return };
    let mut store = common::store(small.path(), 2, FRAMES);
    for _ in 0..10 {
        run(&mut store, "gain -1dB on lane 2").unwrap();
    }
    let filler = small.fill(0);
    // Leaves room for the line of one step, not for more.
    let journal = journal_path(store.path());
    let page = 4096 - usize::try_from(fs::metadata(&journal).unwrap().len()).unwrap() % 4096;
    let name = "x".repeat(page - r#"{"mark":{"name":"","edit":10}}"#.len() - 1 - 15);
    store.mark(&name).unwrap();
    let before = state(store.session());
    let done = run(&mut store, "undo 5");
    let gone = (state(store.session()).1, done.is_ok());
    assert!(
        gone == (EditId(5), true) || gone == (before.1, false),
        "`undo 5` went part of the way: {gone:?}"
    );
    fs::remove_file(filler).unwrap();
    store.close().unwrap();
}
