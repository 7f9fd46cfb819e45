//! A session: a history with its assets and marks, checked.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;

use super::document::{self, Document};
use super::error::StoreError;
use super::history::{Edit, History};
use super::journal::Record;
use crate::song::rules::{self, AssetFrames, Violation};
use crate::song::{Asset, AssetId, EditId, Marker, Song, TempoMap};

/// One song's stack: assets, edit graph, marks.
#[derive(Debug, Clone)]
pub struct Session {
    /// The song's title.
    pub title: String,
    /// Sample rate of the timeline in Hz.
    pub rate: u32,
    /// Where position 0 lies, in samples of `rate` since midnight, if the takes carried time references.
    pub time_origin: Option<u64>,
    /// Where the bars lie, if a tempo was given.
    pub tempo: Option<TempoMap>,
    /// Names of places on the timeline, in their order.
    pub markers: Vec<Marker>,
    /// The recordings.
    pub assets: Vec<Asset>,
    /// Names of edits.
    pub marks: BTreeMap<String, EditId>,
    /// All edits and the state at the head.
    pub history: History,
    frames: Frames,
    next_region: u64,
}

/// Frames of each asset at the session's rate.
#[derive(Debug, Clone)]
struct Frames(HashMap<AssetId, u64>);

impl AssetFrames for Frames {
    fn frames(&self, asset: AssetId) -> Option<u64> {
        self.0.get(&asset).copied()
    }
}

impl AssetFrames for Session {
    fn frames(&self, asset: AssetId) -> Option<u64> {
        self.frames.frames(asset)
    }
}

impl Session {
    /// A session without edits.
    #[must_use]
    pub fn new(
        title: String,
        rate: u32,
        time_origin: Option<u64>,
        assets: Vec<Asset>,
        start: Song,
    ) -> Session {
        let frames = Frames(assets.iter().map(|asset| (asset.id, asset.frames_at(rate))).collect());
        let used = start.lanes.iter().flat_map(|lane| &lane.regions).map(|region| region.id.0).max();
        Session {
            title,
            rate,
            time_origin,
            tempo: None,
            markers: Vec::new(),
            assets,
            marks: BTreeMap::new(),
            history: History::new(start),
            frames,
            next_region: used.unwrap_or(0).saturating_add(1),
        }
    }

    /// A session over the same recordings that begins with a state, without the edits: copying thousands of them takes time,
    /// lanes are shared.
    #[must_use]
    pub fn over_same(&self, start: Song) -> Session {
        Session::new(self.title.clone(), self.rate, self.time_origin, self.assets.clone(), start)
    }

    /// The state at the head.
    #[must_use]
    pub fn song(&self) -> &Song {
        self.history.song()
    }

    /// The asset called `id`.
    #[must_use]
    pub fn asset(&self, id: AssetId) -> Option<&Asset> {
        self.assets.iter().find(|asset| asset.id == id)
    }

    /// The first region id that no branch has used.
    #[must_use]
    pub fn next_region(&self) -> u64 {
        self.next_region
    }

    /// Everything at the head that breaks a rule; empty for every session that this program wrote.
    #[must_use]
    pub fn violations(&self) -> Vec<Violation> {
        rules::check_song(self.song(), self)
    }

    /// Tries an edit; see [`History::try_edit`]. With `checked` the rules are checked too.
    pub(super) fn try_edit(&self, edit: &Edit, checked: bool) -> Result<Song, super::HistoryError> {
        self.history.try_edit(edit, checked.then_some(&self.frames as &dyn AssetFrames))
    }

    /// Adds a tried edit.
    pub(super) fn adopt(&mut self, edit: Edit, song: Song) {
        let used = edit.ops.iter().map(super::Op::largest_region).max().unwrap_or(0);
        self.next_region = self.next_region.max(used.saturating_add(1));
        self.history.adopt(edit, song);
    }

    /// Applies one line of a journal. A record that the session holds already is passed over, so that
    /// a journal can be folded in again after a crash between saving and clearing it.
    pub(super) fn fold(&mut self, record: Record) -> Result<(), String> {
        match record {
            Record::Edit(edit) => match self.history.edit(edit.id) {
                Some(known) if *known == edit => {
                    self.history.go_to(edit.id).map_err(|error| error.to_string())
                }
                Some(_) => Err(format!("edit {} is another one in the session", edit.id)),
                None => {
                    let song = self.try_edit(&edit, true).map_err(|error| error.to_string())?;
                    self.adopt(edit, song);
                    Ok(())
                }
            },
            Record::Head(id) => self.history.go_to(id).map_err(|error| error.to_string()),
            Record::Mark { name, edit } => {
                if edit.0 != 0 && self.history.edit(edit).is_none() {
                    return Err(format!("mark \"{name}\" names edit {edit}, which does not exist"));
                }
                self.marks.insert(name, edit);
                Ok(())
            }
        }
    }

    /// Builds a session from the text of its file.
    ///
    /// States that break a rule are let in, so that they can be shown and reported; ask
    /// [`Self::violations`] before working with one.
    ///
    /// # Errors
    /// The text is not a session, or its graph does not hold together.
    pub fn from_json(path: &Path, bytes: &[u8]) -> Result<Session, StoreError> {
        let document = document::parse(path, bytes)?;
        check_frame(path, &document)?;
        let Document {
            title,
            rate,
            time_origin,
            tempo,
            markers,
            assets,
            start,
            edits,
            marks,
            head,
            redo,
            ..
        } = document;
        let mut session = Session::new(title, rate, time_origin, assets, start);
        (session.tempo, session.markers) = (tempo, markers);
        for edit in edits {
            let song = session
                .try_edit(&edit, false)
                .map_err(|error| StoreError::damaged(path, error.to_string()))?;
            session.adopt(edit, song);
        }
        for (name, edit) in marks {
            session.fold(Record::Mark { name, edit }).map_err(|why| StoreError::damaged(path, why))?;
        }
        let torn = |error: super::HistoryError| StoreError::damaged(path, error.to_string());
        session.history.go_to(head).map_err(torn)?;
        let wrong = |error| StoreError::damaged(path, format!("its list of ways for redo is wrong: {error}"));
        session.history.set_ways(&redo).map_err(wrong)?;
        Ok(session)
    }

    /// The text of its file.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn write_json(&self, to: impl std::io::Write) -> std::io::Result<()> {
        document::write(self, to)
    }
}

fn check_frame(path: &Path, document: &Document) -> Result<(), StoreError> {
    let damaged = |why: String| Err(StoreError::damaged(path, why));
    if !(8_000..=384_000).contains(&document.rate) {
        return damaged(format!("its rate is {} Hz; 8000 to 384000 can be", document.rate));
    }
    if let Some(fault) = document.tempo.as_ref().and_then(crate::song::TempoMap::fault) {
        return damaged(format!("its tempo has {fault}"));
    }
    let mut ids = std::collections::HashSet::new();
    for asset in &document.assets {
        if !ids.insert(asset.id) {
            return damaged(format!("asset {} is listed twice", asset.id));
        }
        if !(1..=2).contains(&asset.channels) || !(8_000..=384_000).contains(&asset.rate) {
            return damaged(format!(
                "asset {} has {} channels at {} Hz",
                asset.id, asset.channels, asset.rate
            ));
        }
        if asset.frames > 1 << 40 {
            return damaged(format!("asset {} claims {} frames", asset.id, asset.frames));
        }
    }
    // With two of one name nobody can tell what an edit did.
    let mut found = Vec::new();
    rules::check_ids(&document.start, &mut found);
    let Some((violation, lane)) = found.first().and_then(|violation| Some((violation, violation.lane?)))
    else {
        return Ok(());
    };
    damaged(format!("in the state it begins with, under lane id {lane}: {violation}"))
}
