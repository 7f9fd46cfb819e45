//! The edit graph and every state it leads to.

use std::collections::{BTreeMap, HashMap};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::apply::{OpError, apply_all};
use super::op::{Op, inverse_all};
use crate::song::rules::{self, AssetFrames, Violation};
use crate::song::{EditId, Song};

/// A state is kept for every so many edits along a branch; others are replayed from there.
///
/// At 32 a jump replays at most 31 edits, some tens of microseconds, while the memory for states
/// stays a thirtieth of what keeping each would take.
const SNAPSHOT_EVERY: u32 = 32;

/// One applied command with its resolved operations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Edit {
    /// Its name; one more than the edit made before it, on whatever branch.
    pub id: EditId,
    /// The edit that it followed (0 for the start) and, for `bring`, the one it brought from.
    pub parents: Vec<EditId>,
    /// When it was made, RFC 3339.
    pub time: String,
    /// The command as it was written.
    pub command: String,
    /// What the command came to.
    pub ops: Vec<Op>,
}

/// Why the graph refuses.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum HistoryError {
    /// Nothing was edited before this state.
    #[error("there is nothing to undo: this is the state in which the session began")]
    NothingToUndo,
    /// Nothing follows this state.
    #[error("there is nothing to redo: no edit follows this one")]
    NothingToRedo,
    /// No such edit.
    #[error("there is no edit {0}")]
    NoEdit(EditId),
    /// An edit does not follow another one.
    #[error("edit {1} does not follow edit {0}")]
    NoWay(EditId, EditId),
    /// Ids do not count up by one.
    #[error("edit {found} stands where edit {expected} is due")]
    OutOfTurn {
        /// The id that is there.
        found: EditId,
        /// The id that should be there.
        expected: EditId,
    },
    /// A parent is not older than its child: the graph would have a cycle.
    #[error("edit {0} names {1} as a parent, which is not an earlier edit: the graph would have a cycle")]
    Cycle(EditId, EditId),
    /// Not one or two parents.
    #[error("edit {0} has {1} parents; it may have one, or two where it brings a lane")]
    Parents(EditId, usize),
    /// An operation does not fit the state that it follows.
    #[error("edit {edit}, operation {op}: {source}")]
    Op {
        /// The edit.
        edit: EditId,
        /// Which of its operations, from 1.
        op: usize,
        /// Why.
        source: OpError,
    },
    /// The result would break a rule.
    #[error("edit {edit}: {}", list(.violations))]
    Rules {
        /// The edit.
        edit: EditId,
        /// What would be broken.
        violations: Vec<Violation>,
    },
}

fn list(violations: &[Violation]) -> String {
    let mut text: Vec<String> = violations.iter().take(3).map(ToString::to_string).collect();
    if violations.len() > 3 {
        text.push(format!("and {} more", violations.len() - 3));
    }
    text.join("; ")
}

/// All edits, the head, and the state at the head.
///
/// The states on the way are kept for every 32nd edit of a branch and replayed from there, so that
/// undo, redo and jumps take far less than a millisecond. Nothing is ever removed.
#[derive(Debug, Clone)]
pub struct History {
    start: Song,
    edits: Vec<Edit>,
    depths: Vec<u32>,
    snapshots: BTreeMap<EditId, Song>,
    head: EditId,
    song: Song,
    /// Which of the edits that follow one the head was last at, or beyond: there redo goes.
    ways: HashMap<EditId, EditId>,
    children: HashMap<EditId, Vec<EditId>>,
}

impl History {
    /// A history without edits.
    #[must_use]
    pub fn new(start: Song) -> History {
        History {
            song: start.clone(),
            start,
            edits: Vec::new(),
            depths: Vec::new(),
            snapshots: BTreeMap::new(),
            head: EditId(0),
            ways: HashMap::new(),
            children: HashMap::new(),
        }
    }

    /// The state in which the session began.
    #[must_use]
    pub fn start(&self) -> &Song {
        &self.start
    }

    /// The state at the head.
    #[must_use]
    pub fn song(&self) -> &Song {
        &self.song
    }

    /// The edit whose state is shown; 0 for the start.
    #[must_use]
    pub fn head(&self) -> EditId {
        self.head
    }

    /// All edits in the order in which they were made, on all branches.
    #[must_use]
    pub fn edits(&self) -> &[Edit] {
        &self.edits
    }

    /// The edit called `id`; `None` for the start and for ids that do not exist.
    #[must_use]
    pub fn edit(&self, id: EditId) -> Option<&Edit> {
        let index = usize::try_from(id.0.checked_sub(1)?).ok()?;
        self.edits.get(index)
    }

    /// The id that the next edit will get.
    #[must_use]
    pub fn next_id(&self) -> EditId {
        EditId(self.edits.len() as u64 + 1)
    }

    /// The edit before `id` on its branch.
    #[must_use]
    pub fn parent(&self, id: EditId) -> Option<EditId> {
        self.edit(id).and_then(|edit| edit.parents.first().copied())
    }

    /// The edits that follow `id` directly, oldest first.
    #[must_use]
    pub fn children(&self, id: EditId) -> &[EditId] {
        self.children.get(&id).map_or(&[], Vec::as_slice)
    }

    /// Tries an edit on the state that it would follow and gives the state after it. Nothing is changed.
    ///
    /// # Errors
    /// Its id or parents are wrong, an operation does not fit, or (with `assets`) a rule would be broken.
    pub fn try_edit(&self, edit: &Edit, assets: Option<&dyn AssetFrames>) -> Result<Song, HistoryError> {
        self.check_place(edit)?;
        let parent = edit.parents[0];
        let mut song = self.song_at(parent)?;
        let touched = apply_all(&mut song, &edit.ops).map_err(|(index, source)| HistoryError::Op {
            edit: edit.id,
            op: index + 1,
            source,
        })?;
        if let Some(assets) = assets {
            let mut violations = Vec::new();
            for lane in song.lanes.iter().filter(|lane| touched.contains(&lane.id)) {
                rules::check_lane(lane, assets, &mut violations);
            }
            rules::check_whole(&song, &mut violations);
            if !violations.is_empty() {
                return Err(HistoryError::Rules { edit: edit.id, violations });
            }
        }
        Ok(song)
    }

    /// Adds an edit with the state that [`Self::try_edit`] gave for it, and moves the head there.
    pub fn adopt(&mut self, edit: Edit, song: Song) {
        let id = edit.id;
        let parent = edit.parents[0];
        let depth = self.depth(parent) + 1;
        if depth.is_multiple_of(SNAPSHOT_EVERY) {
            self.snapshots.insert(id, song.clone());
        }
        self.children.entry(parent).or_default().push(id);
        self.depths.push(depth);
        self.edits.push(edit);
        self.set_head(id);
        self.song = song;
    }

    /// Moves the head to the parent of the edit shown.
    ///
    /// # Errors
    /// Nothing was edited before this state.
    pub fn undo(&mut self) -> Result<EditId, HistoryError> {
        let here = self.head;
        let edit = self.edit(here).ok_or(HistoryError::NothingToUndo)?;
        let parent = edit.parents[0];
        let back = inverse_all(&edit.ops);
        let mut song = self.song.clone();
        apply_all(&mut song, &back).map_err(|(index, source)| HistoryError::Op {
            edit: here,
            op: index + 1,
            source,
        })?;
        self.song = song;
        self.head = parent;
        Ok(parent)
    }

    /// Moves the head on along the branch on which it last was, or else to the newest edit that follows.
    ///
    /// # Errors
    /// Nothing follows this state.
    pub fn redo(&mut self) -> Result<EditId, HistoryError> {
        let next = self.after(self.head).ok_or(HistoryError::NothingToRedo)?;
        let mut song = self.song.clone();
        let edit = self.edit(next).ok_or(HistoryError::NoEdit(next))?;
        apply_all(&mut song, &edit.ops).map_err(|(index, source)| HistoryError::Op {
            edit: next,
            op: index + 1,
            source,
        })?;
        self.song = song;
        self.set_head(next);
        Ok(next)
    }

    /// How many of `wanted` steps undo can go.
    #[must_use]
    pub fn steps_back(&self, wanted: u64) -> u64 {
        let mut here = self.head;
        (0..wanted).take_while(|_| self.parent(here).map(|parent| here = parent).is_some()).count() as u64
    }

    /// How many of `wanted` steps redo can go.
    #[must_use]
    pub fn steps_forward(&self, wanted: u64) -> u64 {
        let mut here = self.head;
        (0..wanted).take_while(|_| self.after(here).map(|next| here = next).is_some()).count() as u64
    }

    fn after(&self, here: EditId) -> Option<EditId> {
        self.ways.get(&here).copied().or_else(|| self.children(here).last().copied())
    }

    /// Where redo goes from an edit, for those from which it does not go to the newest that follows.
    #[must_use]
    pub fn ways(&self) -> BTreeMap<EditId, EditId> {
        let newest = |from: &EditId| self.children(*from).last().copied();
        let ways = self.ways.iter().map(|(from, to)| (*from, *to));
        ways.filter(|(from, to)| newest(from) != Some(*to)).collect()
    }

    /// Says where redo goes, as [`Self::ways`] gave it; from all other edits it goes to the newest that follows.
    ///
    /// # Errors
    /// An edit is none of those that follow the other.
    pub fn set_ways(&mut self, ways: &BTreeMap<EditId, EditId>) -> Result<(), HistoryError> {
        if let Some((from, to)) = ways.iter().find(|(from, to)| !self.children(**from).contains(to)) {
            return Err(HistoryError::NoWay(*from, *to));
        }
        self.ways = ways.iter().map(|(from, to)| (*from, *to)).collect();
        let mut here = self.head;
        while let Some(parent) = self.parent(here) {
            self.ways.insert(parent, here);
            here = parent;
        }
        Ok(())
    }

    /// Moves the head and remembers the way to it from the start. The way to the head of before is known already, so
    /// only what lies beyond the place where the two part is written down.
    fn set_head(&mut self, to: EditId) {
        let (mut there, mut here) = (to, self.head);
        while there != here {
            // Ids grow along a branch: the larger one cannot be an ancestor of the other.
            if here > there {
                here = self.parent(here).unwrap_or(EditId(0));
            } else {
                let parent = self.parent(there).unwrap_or(EditId(0));
                self.ways.insert(parent, there);
                there = parent;
            }
        }
        self.head = to;
    }

    /// Moves the head to any edit.
    ///
    /// # Errors
    /// There is no such edit.
    pub fn go_to(&mut self, id: EditId) -> Result<(), HistoryError> {
        self.song = self.song_at(id)?;
        self.set_head(id);
        Ok(())
    }

    /// The state after the edit `id`.
    ///
    /// # Errors
    /// There is no such edit.
    pub fn song_at(&self, id: EditId) -> Result<Song, HistoryError> {
        let mut path = Vec::new();
        let mut here = id;
        let mut song = loop {
            if here == self.head {
                break self.song.clone();
            }
            if let Some(song) = self.snapshots.get(&here) {
                break song.clone();
            }
            if here == EditId(0) {
                break self.start.clone();
            }
            let edit = self.edit(here).ok_or(HistoryError::NoEdit(here))?;
            path.push(edit);
            here = edit.parents[0];
        };
        for edit in path.into_iter().rev() {
            apply_all(&mut song, &edit.ops).map_err(|(index, source)| HistoryError::Op {
                edit: edit.id,
                op: index + 1,
                source,
            })?;
        }
        Ok(song)
    }

    fn depth(&self, id: EditId) -> u32 {
        let index = id.0.checked_sub(1).and_then(|index| usize::try_from(index).ok());
        index.and_then(|index| self.depths.get(index).copied()).unwrap_or(0)
    }

    fn check_place(&self, edit: &Edit) -> Result<(), HistoryError> {
        let expected = self.next_id();
        if edit.id != expected {
            return Err(HistoryError::OutOfTurn { found: edit.id, expected });
        }
        if !(1..=2).contains(&edit.parents.len()) {
            return Err(HistoryError::Parents(edit.id, edit.parents.len()));
        }
        match edit.parents.iter().find(|parent| **parent >= edit.id) {
            Some(parent) => Err(HistoryError::Cycle(edit.id, *parent)),
            None => Ok(()),
        }
    }
}
