//! A session on disk: opening, the journal, saving, and the lock.

use std::fs::{self, File};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::access::{Access, OpenNote};
use super::disk::{Denial, load, lock_journal, protection, remove_if_empty, remove_left_aside, write_whole};
use super::error::StoreError;
use super::history::Edit;
use super::journal::Record;
use super::layer::{Disk, PlainDisk, Through};
use super::op::Op;
use super::session::Session;
use crate::song::{AssetId, EditId, Marker, TempoMap};

/// A session with its place on disk.
///
/// Every change goes to the journal and is synced before the call returns; if that fails, the change
/// is taken back. Dropping a store without [`Store::close`] leaves the journal for the next opening.
#[derive(Debug)]
pub struct Store {
    path: PathBuf,
    session: Session,
    journal: Journal,
    dirty: bool,
    disk: Arc<dyn Disk>,
}

#[derive(Debug)]
enum Journal {
    /// The lock is held on this file for as long as it is open.
    Open {
        file: File,
        bytes: u64,
    },
    ReadOnly(Denial),
    /// Changes are accepted and forgotten.
    Rehearsal,
}

/// Where the journal of a session lies.
#[must_use]
pub fn journal_path(session: &Path) -> PathBuf {
    let mut name = session.as_os_str().to_owned();
    name.push(".journal");
    PathBuf::from(name)
}

impl Store {
    /// Writes a new session file and opens it for editing.
    ///
    /// # Errors
    /// The file exists, or cannot be written.
    pub fn create(path: &Path, session: Session) -> Result<Store, StoreError> {
        Store::create_on(Arc::new(PlainDisk), path, session)
    }

    /// As [`Self::create`], through a file layer.
    ///
    /// # Errors
    /// As [`Self::create`].
    pub fn create_on(disk: Arc<dyn Disk>, path: &Path, session: Session) -> Result<Store, StoreError> {
        let exists = || StoreError::Exists { path: path.to_owned() };
        if path.symlink_metadata().is_ok() || journal_path(path).symlink_metadata().is_ok() {
            return Err(exists());
        }
        write_whole(&*disk, path, &session, false).map_err(|source| match source.kind() {
            io::ErrorKind::AlreadyExists => exists(),
            _ => StoreError::Create { path: path.to_owned(), source },
        })?;
        let journal = match lock_journal(&*disk, &journal_path(path)) {
            Ok(file) => Journal::Open { file, bytes: 0 },
            Err(denial) => Journal::ReadOnly(denial),
        };
        Ok(Store { path: path.to_owned(), session, journal, dirty: false, disk })
    }

    /// Opens a session. For writing, a left-over journal is folded in and the result is saved.
    ///
    /// # Errors
    /// The file or its journal cannot be read or does not hold together. Nothing on disk is changed then.
    pub fn open(path: &Path, access: Access) -> Result<(Store, Vec<OpenNote>), StoreError> {
        Store::open_on(Arc::new(PlainDisk), path, access)
    }

    /// As [`Self::open`], through a file layer.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_on(
        disk: Arc<dyn Disk>,
        path: &Path,
        access: Access,
    ) -> Result<(Store, Vec<OpenNote>), StoreError> {
        // A symlink stays one when the file is saved by renaming.
        let path = &fs::canonicalize(path).map_err(|source| StoreError::read(path, source))?;
        let journal_path = journal_path(path);
        let mut notes = Vec::new();
        let mut journal = Journal::of(&*disk, access, path, &mut notes);
        let loaded = load(path, &journal_path, matches!(journal, Journal::Open { .. }));
        let (session, contents) = match loaded {
            Ok(loaded) => loaded,
            Err(error) => {
                if let Journal::Open { file, .. } = &journal {
                    remove_if_empty(&*disk, file, &journal_path);
                }
                return Err(error);
            }
        };
        if contents.torn_bytes > 0 {
            notes.push(OpenNote::TornLine { bytes: contents.torn_bytes });
        }
        if let Journal::Open { file, bytes } = &mut journal {
            remove_left_aside(&*disk, path);
            *bytes = contents.whole_bytes;
            if contents.torn_bytes > 0 {
                let cut = disk.cut(file, *bytes);
                cut.map_err(|source| StoreError::Mend { path: journal_path, source })?;
            }
        }
        let dirty = !contents.records.is_empty();
        if dirty {
            notes.push(OpenNote::Recovered { changes: contents.records.len() });
        }
        let mut store = Store { path: path.clone(), session, journal, dirty, disk };
        if dirty && store.is_writable() {
            store.save()?;
        }
        Ok((store, notes))
    }

    /// The session.
    #[must_use]
    pub fn session(&self) -> &Session {
        &self.session
    }

    /// The session file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The folder from which relative asset paths count.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new("."))
    }

    /// Whether edits can be made.
    #[must_use]
    pub fn is_writable(&self) -> bool {
        matches!(self.journal, Journal::Open { .. })
    }

    /// Notes where a recording lies now. The session file says so from the next saving on.
    pub fn set_asset_path(&mut self, id: AssetId, path: String) {
        if let Some(asset) = self.session.assets.iter_mut().find(|asset| asset.id == id) {
            asset.path = path;
            self.dirty |= self.is_writable();
        }
    }

    /// Gives the session a tempo and markers in place of those it had, and saves it. This is no edit: it moves nothing.
    ///
    /// # Errors
    /// The session is open for reading only, or cannot be saved.
    pub fn set_tempo(&mut self, tempo: TempoMap, markers: Vec<Marker>) -> Result<(), StoreError> {
        if let Journal::ReadOnly(denial) = &self.journal {
            return Err(denial.clone().into());
        }
        (self.session.tempo, self.session.markers) = (Some(tempo), markers);
        self.save()
    }

    /// Applies operations as one edit and puts it on disk.
    ///
    /// `brought_from` is the second parent of a `bring`. `time` is RFC 3339.
    ///
    /// # Errors
    /// An operation does not fit, a rule would be broken, or the journal cannot be written. Nothing
    /// has changed then.
    pub fn commit(
        &mut self,
        command: &str,
        time: &str,
        ops: Vec<Op>,
        brought_from: Option<EditId>,
    ) -> Result<EditId, StoreError> {
        let history = &self.session.history;
        let id = history.next_id();
        let parents = std::iter::once(history.head()).chain(brought_from).collect();
        let edit = Edit { id, parents, time: time.into(), command: command.into(), ops };
        let song = self.session.try_edit(&edit, true)?;
        let record = Record::Edit(edit);
        self.append(&record)?;
        if let Record::Edit(edit) = record {
            self.session.adopt(edit, song);
        }
        Ok(id)
    }

    /// Moves the head to the parent.
    ///
    /// # Errors
    /// Nothing to undo, or the journal cannot be written.
    pub fn undo(&mut self) -> Result<EditId, StoreError> {
        self.move_head(|session| session.history.undo())
    }

    /// Moves the head back by so many edits, all of them or none, as one line of the journal.
    ///
    /// # Errors
    /// There are not so many, or the journal cannot be written. Nothing has changed then.
    pub fn undo_steps(&mut self, steps: u64) -> Result<EditId, StoreError> {
        self.move_head(|session| repeat(session, steps, super::History::undo))
    }

    /// Moves the head forward by so many edits, all of them or none, as one line of the journal.
    ///
    /// # Errors
    /// There are not so many, or the journal cannot be written. Nothing has changed then.
    pub fn redo_steps(&mut self, steps: u64) -> Result<EditId, StoreError> {
        self.move_head(|session| repeat(session, steps, super::History::redo))
    }

    /// Moves the head forward again.
    ///
    /// # Errors
    /// Nothing to redo, or the journal cannot be written.
    pub fn redo(&mut self) -> Result<EditId, StoreError> {
        self.move_head(|session| session.history.redo())
    }

    /// Moves the head to any edit.
    ///
    /// # Errors
    /// No such edit, or the journal cannot be written.
    pub fn go_to(&mut self, id: EditId) -> Result<EditId, StoreError> {
        self.move_head(|session| session.history.go_to(id).map(|()| id))
    }

    /// Names the edit shown. A name in use moves here; gives the edit it named before.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn mark(&mut self, name: &str) -> Result<Option<EditId>, StoreError> {
        let edit = self.session.history.head();
        self.append(&Record::Mark { name: name.into(), edit })?;
        Ok(self.session.marks.insert(name.into(), edit))
    }

    /// Writes the whole session: aside, synced, renamed over the old one; then clears the journal.
    ///
    /// # Errors
    /// The file cannot be written; the old one is intact then and the journal holds what is new.
    pub fn save(&mut self) -> Result<(), StoreError> {
        let Journal::Open { file, bytes } = &mut self.journal else {
            return Ok(());
        };
        let failed = |source| StoreError::Save { path: self.path.clone(), source };
        write_whole(&*self.disk, &self.path, &self.session, true).map_err(failed)?;
        self.disk.cut(file, 0).map_err(failed)?;
        *bytes = 0;
        self.dirty = false;
        Ok(())
    }

    /// Saves if there is something new, and removes the empty journal.
    ///
    /// # Errors
    /// As [`Self::save`].
    pub fn close(mut self) -> Result<(), StoreError> {
        if self.dirty {
            self.save()?;
        }
        if let Journal::Open { file, .. } = &self.journal {
            remove_if_empty(&*self.disk, file, &journal_path(&self.path));
        }
        Ok(())
    }

    fn move_head(
        &mut self,
        step: impl FnOnce(&mut Session) -> Result<EditId, super::HistoryError>,
    ) -> Result<EditId, StoreError> {
        let before = self.session.history.head();
        let moved = step(&mut self.session).map_err(StoreError::from);
        let written = moved.and_then(|head| self.append(&Record::Head(head)).map(|()| head));
        if written.is_err() {
            self.session.history.go_to(before)?;
        }
        written
    }

    fn append(&mut self, record: &Record) -> Result<(), StoreError> {
        let (file, bytes) = match &mut self.journal {
            Journal::Open { file, bytes } => (file, bytes),
            Journal::Rehearsal => return Ok(()),
            Journal::ReadOnly(denial) => return Err(denial.clone().into()),
        };
        let disk = &*self.disk;
        let mut write = || {
            let line = record.line()?;
            // What a failed write may have left must not stand behind a shorter line.
            if file.metadata()?.len() != *bytes {
                disk.cut(file, *bytes)?;
            }
            file.seek(SeekFrom::Start(*bytes))?;
            Through { disk, file }.write_all(&line)?;
            disk.sync(file)?;
            Ok(line.len() as u64)
        };
        match write() {
            Ok(written) => {
                *bytes += written;
                self.dirty = true;
                Ok(())
            }
            Err(source) => {
                // What was written of the line must not be taken for an edit later.
                let left = match file.metadata().map(|metadata| metadata.len()) {
                    Ok(length) if length <= *bytes => false,
                    _ => disk.cut(file, *bytes).is_err(),
                };
                Err(StoreError::Append { path: journal_path(&self.path), source, left })
            }
        }
    }
}

impl Journal {
    /// The journal of a session that is opened, locked where it is to be written.
    fn of(disk: &dyn Disk, access: Access, path: &Path, notes: &mut Vec<OpenNote>) -> Journal {
        match access {
            Access::Read => Journal::ReadOnly(Denial::busy("it was opened to look at")),
            Access::Rehearse => Journal::Rehearsal,
            // Renaming would replace a protected file all the same: its owner's wish has to be asked for.
            Access::Write => {
                match protection(path).map_or_else(|| lock_journal(disk, &journal_path(path)), Err) {
                    Ok(file) => Journal::Open { file, bytes: 0 },
                    Err(denial) => {
                        notes.push(OpenNote::ReadOnly { why: denial.why.clone() });
                        Journal::ReadOnly(denial)
                    }
                }
            }
        }
    }
}

fn repeat(
    session: &mut Session,
    steps: u64,
    step: fn(&mut super::History) -> Result<EditId, super::HistoryError>,
) -> Result<EditId, super::HistoryError> {
    (0..steps).try_fold(session.history.head(), |_, _| step(&mut session.history))
}
