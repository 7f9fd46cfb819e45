//! What is played and listened to, as plain data between the screen and whatever makes the sound.

use serde::{Deserialize, Serialize};

use crate::song::{EditId, LaneId, Position, Span};

/// What is listened to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Hear {
    /// All that is neither muted nor left out by a solo.
    #[default]
    Stack,
    /// The lane that the cursor is on.
    This,
    /// The guide.
    Guide,
    /// The lane and the guide, both in the middle.
    Both,
    /// The guide left, the lane right.
    Split,
}

impl Hear {
    /// All choices with the word that names each.
    pub const ALL: [(Hear, &'static str); 5] = [
        (Hear::Stack, "stack"),
        (Hear::This, "this"),
        (Hear::Guide, "guide"),
        (Hear::Both, "both"),
        (Hear::Split, "split"),
    ];

    /// The word that names this choice.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(hear, _)| *hear == self).map_or("", |(_, word)| word)
    }
}

/// What of the cursor's lane is heard while its tone is worked on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ToneHear {
    /// Its tone as it is set.
    #[default]
    Toned,
    /// The lane before its tone, as loud as behind it.
    Plain,
    /// What the de-esser takes out.
    Taken,
    /// What the de-esser's detector hears.
    Detector,
}

impl ToneHear {
    /// All choices with the word that names each.
    pub const ALL: [(ToneHear, &'static str); 4] = [
        (ToneHear::Toned, "toned"),
        (ToneHear::Plain, "plain"),
        (ToneHear::Taken, "taken"),
        (ToneHear::Detector, "detector"),
    ];
}

/// How the cursor's lane is heard while its tone is worked on; never part of a bounce.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ToneEar {
    /// What of it.
    pub hear: ToneHear,
    /// Where a narrow boost looks for what disturbs, in Hz.
    pub search_hz: Option<f64>,
    /// Gain in dB that makes it as loud as its tone makes it.
    pub gain_db: f64,
}

/// All that a player needs to know about what is to be heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Audible {
    /// What is listened to.
    pub hear: Hear,
    /// The lane that the cursor is on.
    pub lane: Option<LaneId>,
    /// Monitor level, dB.
    pub level_db: f64,
    /// The state that is heard; `None` is the one that is shown.
    pub state: Option<EditId>,
    /// How that lane is heard if not as it is set.
    pub tone: Option<ToneEar>,
}

/// What the player is asked to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TransportRequest {
    /// Play from a position; over a span again and again if there is one.
    Play {
        /// From where.
        from: Position,
        /// What repeats.
        over: Option<Span>,
    },
    /// Stop and stay.
    Stop,
    /// What repeats has changed.
    Loop(Option<Span>),
    /// What is to be heard has changed.
    Hear(Audible),
}

/// What the player says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Playing {
    /// Whether it runs.
    pub running: bool,
    /// The playhead.
    pub at: Position,
    /// Samples of sound that came too late so far.
    pub missed: u64,
    /// Levels of what went out lately, if the player measures them.
    pub levels: Option<Levels>,
    /// What the de-esser and the compressor of the cursor's lane take away, in dB, if the player knows.
    pub reduction: Option<(f32, f32)>,
}

/// Levels of what sounds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Levels {
    /// Peak (linear) of each side.
    pub peaks: (f32, f32),
    /// True peak (dBTP) of the louder side.
    pub true_peak_db: Option<f64>,
    /// Loudness of the last 3 s (LUFS).
    pub short_term: Option<f64>,
    /// Correlation of the sides, -1 to 1.
    pub correlation: Option<f64>,
    /// Peak (linear) of each lane, by its number less one.
    pub lanes: Vec<f32>,
}
