//! The state of the screen.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use super::colour::ColourLevel;
use super::key::Key;
use super::keymap::{Keymap, Place};
use super::lines::{Lines, Starts};
use super::log::{Log, Weight};
use super::palette::Palette;
use super::prompt::Prompt;
use super::shapes::Shapes;
use super::steps::Step;
use super::theme::Theme;
use super::tone_desk::ToneDesk;
use super::transport::{Audible, Levels, Playing};
use super::view::{Pane, View};
use crate::command::{Context, Cursor, Hearing, Presets};
use crate::edit::Session;
use crate::media::Peaks;
use crate::song::{AssetId, EditId, Lane, LaneId, RegionId, Song};

/// What the screen looks at besides its own state.
#[derive(Debug, Clone, Copy)]
pub struct World<'a> {
    /// The session.
    pub session: &'a Session,
    /// Fade presets.
    pub presets: &'a Presets,
    /// Hears the recordings for commands that need it.
    pub hearing: &'a dyn Hearing,
    /// Whether edits can be made.
    pub writable: bool,
}

/// What the screen begins with.
#[derive(Debug, Clone)]
pub struct Setup {
    /// Columns and rows.
    pub size: (u16, u16),
    /// The keys.
    pub keymap: Keymap,
    /// All themes; never empty.
    pub themes: Vec<Theme>,
    /// How many colours the terminal shows.
    pub colours: ColourLevel,
    /// Which glyphs it shows.
    pub shapes: Shapes,
    /// Where one looked last time.
    pub view: View,
    /// Lines typed in earlier runs.
    pub history: Vec<String>,
    /// What makes the sound, in a few words.
    pub sound: String,
}

/// Samples of a recording that are at hand for close looks.
#[derive(Debug, Clone)]
pub(super) struct Detail {
    pub from: u64,
    pub samples: Arc<[f32]>,
    /// Asked for and not there yet: up to which frame.
    pub asked: Option<(u64, u64)>,
}

/// The state of the screen.
pub struct App {
    pub(super) size: (u16, u16),
    pub(super) keymap: Keymap,
    pub(super) themes: Vec<Theme>,
    pub(super) colours: ColourLevel,
    pub(super) shapes: Shapes,
    pub(super) view: View,
    pub(super) log: Log,
    /// True while the newest message is to be seen.
    pub(super) fresh: bool,
    pub(super) chord: Vec<Key>,
    pub(super) count: Option<u32>,
    /// The last line that edited.
    pub(super) last: Option<String>,
    pub(super) typed: Vec<String>,
    pub(super) prompt: Option<Prompt>,
    pub(super) palette: Option<Palette>,
    pub(super) steps: VecDeque<Step>,
    /// True between an edit that was asked for and its answer.
    pub(super) waiting: bool,
    pub(super) selected: Vec<RegionId>,
    pub(super) peaks: HashMap<AssetId, Arc<Peaks>>,
    pub(super) details: HashMap<AssetId, Detail>,
    pub(super) starts: HashMap<AssetId, Starts>,
    pub(super) starts_seen: u64,
    pub(super) lines: Lines,
    /// The state whose words were asked for last.
    pub(super) asked_words: Option<EditId>,
    /// Why there are no measured words, if there are none.
    pub(super) no_words: Option<String>,
    pub(super) offers: super::proposals::Offers,
    pub(super) progress: Option<(u64, u64)>,
    pub(super) playing: Playing,
    /// Ticks since playing began, to show meters less often than the playhead moves.
    pub(super) ticks: u64,
    pub(super) meters: Vec<u8>,
    /// What goes out, if the player measures it.
    pub(super) sum: Option<Levels>,
    /// The state that is heard instead of the one shown.
    pub(super) heard: Option<EditId>,
    pub(super) sound: String,
    /// Work on the tone of the cursor's lane.
    pub(super) tone: ToneDesk,
    /// Where the graph view stands.
    pub(super) walker: EditId,
    pub(super) scrolled: usize,
    pub(super) drag: Option<super::mouse::Drag>,
    pub(super) quitting: bool,
}

impl App {
    /// The screen before anything has happened.
    #[must_use]
    pub fn new(setup: Setup) -> App {
        let mut view = setup.view;
        view.sane();
        App {
            size: setup.size,
            keymap: setup.keymap,
            themes: setup.themes,
            colours: setup.colours,
            shapes: setup.shapes,
            view,
            log: Log::default(),
            fresh: false,
            chord: Vec::new(),
            count: None,
            last: None,
            typed: setup.history,
            prompt: None,
            palette: None,
            steps: VecDeque::new(),
            waiting: false,
            selected: Vec::new(),
            peaks: HashMap::new(),
            details: HashMap::new(),
            starts: HashMap::new(),
            starts_seen: 0,
            lines: Lines::default(),
            asked_words: None,
            no_words: None,
            offers: super::proposals::Offers::default(),
            progress: None,
            playing: Playing::default(),
            ticks: 0,
            meters: Vec::new(),
            sum: None,
            heard: None,
            sound: setup.sound,
            tone: ToneDesk::default(),
            walker: EditId(0),
            scrolled: 0,
            drag: None,
            quitting: false,
        }
    }

    /// Columns and rows.
    #[must_use]
    pub fn size(&self) -> (u16, u16) {
        self.size
    }

    /// Where one looks, to be kept for the next run.
    #[must_use]
    pub fn view(&self) -> &View {
        &self.view
    }

    /// Lines typed so far, the newest last.
    #[must_use]
    pub fn typed(&self) -> &[String] {
        &self.typed
    }

    /// Regions that are selected.
    #[must_use]
    pub fn selected(&self) -> &[RegionId] {
        &self.selected
    }

    /// All messages, the oldest first.
    #[must_use]
    pub fn messages(&self) -> Vec<(Weight, String)> {
        self.log.entries().map(|entry| (entry.weight, entry.text.clone())).collect()
    }

    /// What is to be heard.
    #[must_use]
    pub fn audible(&self) -> Audible {
        Audible {
            hear: self.view.hear,
            lane: self.view.lane,
            level_db: self.view.level_db,
            state: self.heard,
            tone: self.view.lane.and_then(|lane| self.tone.ear(lane)),
        }
    }

    /// The state that is heard instead of the one shown, if any.
    #[must_use]
    pub fn heard(&self) -> Option<EditId> {
        self.heard
    }

    /// What is heard instead of any state: a proposal as it would be, with a number that changes with it.
    #[must_use]
    pub fn trial(&self) -> Option<(u64, &Arc<Song>)> {
        self.offers.trial.as_ref().map(|trial| (trial.number, &trial.song))
    }

    /// True while the player runs.
    #[must_use]
    pub fn is_playing(&self) -> bool {
        self.playing.running
    }

    /// The theme in use.
    #[must_use]
    pub fn theme(&self) -> &Theme {
        let named = self.themes.iter().find(|theme| theme.name == self.view.theme);
        named.or(self.themes.first()).unwrap_or(Theme::plain())
    }

    /// Where the hand is, for commands.
    #[must_use]
    pub fn cursor(&self) -> Option<Cursor<'_>> {
        let at = self.view.at();
        self.view.lane.map(|lane| Cursor { lane, at, selected: &self.selected })
    }

    /// What commands are resolved against.
    #[must_use]
    pub fn context<'a>(&'a self, world: &World<'a>) -> Context<'a> {
        Context {
            session: world.session,
            cursor: self.cursor(),
            presets: world.presets,
            hearing: world.hearing,
        }
    }

    /// The row of the lane that the cursor is on.
    pub(super) fn row(&self, world: &World) -> usize {
        self.view.lane.and_then(|lane| world.session.song().number(lane)).map_or(0, |number| number - 1)
    }

    /// The lane that the cursor is on.
    pub(super) fn lane<'a>(&self, world: &World<'a>) -> Option<&'a Arc<Lane>> {
        world.session.song().lanes.get(self.row(world))
    }

    /// Where the keys of the view in front are looked up.
    pub(super) fn place(&self) -> Place {
        match self.view.pane {
            Pane::Lanes => Place::Lanes,
            Pane::Close => Place::Close,
            Pane::Tone => Place::Tone,
            Pane::Proposals => Place::Proposals,
            Pane::Graph => Place::Graph,
            Pane::Log | Pane::Help => Place::Everywhere,
        }
    }

    /// Tells something.
    pub(super) fn say(&mut self, weight: Weight, text: &str) {
        self.log.add(weight, text);
        self.fresh = true;
    }

    /// The lane against which the close view holds the lane of the cursor: the guide, or for the guide
    /// the next lane.
    pub(super) fn partner(&self, world: &World) -> Option<LaneId> {
        let song = world.session.song();
        let own = self.lane(world)?.id;
        let guide = song.guide().map(|guide| guide.id).filter(|guide| *guide != own);
        guide.or_else(|| song.lanes.iter().map(|lane| lane.id).find(|lane| *lane != own))
    }
}
