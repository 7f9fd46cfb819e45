//! The part of the state that is kept from one run to the next: where one looked, not what was edited.

use serde::{Deserialize, Serialize};

use super::transport::Hear;
use crate::song::{LaneId, Position};

/// Which view fills the screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Pane {
    /// All lanes under one cursor.
    #[default]
    Lanes,
    /// Two lanes mirrored about one axis.
    Close,
    /// The tone of the cursor's lane.
    Tone,
    /// What a command proposes, to be gone through one by one.
    Proposals,
    /// The edit graph.
    Graph,
    /// All messages.
    Log,
    /// The keys in force and what they do.
    Help,
}

impl Pane {
    /// All views with the word that names each.
    pub const ALL: [(Pane, &'static str); 7] = [
        (Pane::Lanes, "lanes"),
        (Pane::Close, "close"),
        (Pane::Tone, "tone"),
        (Pane::Proposals, "proposals"),
        (Pane::Graph, "graph"),
        (Pane::Log, "log"),
        (Pane::Help, "help"),
    ];

    /// The word that names this view.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(pane, _)| *pane == self).map_or("", |(_, word)| word)
    }
}

/// By how much one keystroke slides, lengthens or shortens.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Stride {
    /// Samples.
    Samples(u32),
    /// Milliseconds.
    Ms(f64),
}

impl Stride {
    /// The steps that `stride finer` and `stride coarser` go through.
    pub const LADDER: [Stride; 9] = [
        Stride::Samples(1),
        Stride::Samples(10),
        Stride::Ms(0.5),
        Stride::Ms(1.0),
        Stride::Ms(2.0),
        Stride::Ms(5.0),
        Stride::Ms(10.0),
        Stride::Ms(25.0),
        Stride::Ms(100.0),
    ];

    /// As it is written in a command, `times` as large.
    #[must_use]
    pub fn times(self, times: u32) -> String {
        match self {
            Stride::Samples(samples) => format!("{}smp", samples.saturating_mul(times)),
            Stride::Ms(ms) => {
                let text = format!("{:.3}", ms * f64::from(times));
                format!("{}ms", text.trim_end_matches('0').trim_end_matches('.'))
            }
        }
    }

    /// In samples at `rate`, at least 1.
    #[must_use]
    pub fn samples(self, rate: u32) -> i64 {
        match self {
            Stride::Samples(samples) => i64::from(samples.max(1)),
            #[expect(clippy::cast_possible_truncation, reason = "at most a minute")]
            Stride::Ms(ms) => ((ms.clamp(0.0, 60_000.0) * f64::from(rate) / 1000.0).round() as i64).max(1),
        }
    }
}

/// Where one looked and what one listened to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct View {
    /// Which view fills the screen.
    pub pane: Pane,
    /// The view that `view back` returns to.
    pub before: Pane,
    /// Samples that one column of the lanes view stands for: 2 to the power of half of this.
    pub zoom: i16,
    /// The same of the close view.
    pub close_zoom: i16,
    /// Leftmost sample of the lanes view.
    pub left: i64,
    /// The cursor.
    pub cursor: i64,
    /// The lane that the cursor is on.
    pub lane: Option<LaneId>,
    /// First lane below the guide, by row.
    pub top: usize,
    /// Rows per lane; 0 as many as fit.
    pub height: u16,
    /// Lanes shown as one row.
    pub collapsed: Vec<LaneId>,
    /// Whether the view follows the playhead.
    pub follow: bool,
    /// What is listened to.
    pub hear: Hear,
    /// Monitor level, dB.
    pub level_db: f64,
    /// By how much one keystroke moves.
    pub stride: Stride,
    /// The theme's name.
    pub theme: String,
    /// Set once the view was fitted to a song: a fresh one shows it whole.
    pub placed: bool,
}

impl Default for View {
    fn default() -> View {
        View {
            pane: Pane::Lanes,
            before: Pane::Lanes,
            zoom: 20,
            close_zoom: 8,
            left: 0,
            cursor: 0,
            lane: None,
            top: 0,
            height: 0,
            collapsed: Vec::new(),
            follow: true,
            hear: Hear::Stack,
            level_db: -20.0,
            stride: Stride::Ms(1.0),
            theme: "ember".to_owned(),
            placed: false,
        }
    }
}

/// Finest zoom: eight columns to a sample.
pub const CLOSEST: i16 = -6;
/// Coarsest zoom: four hours at 192 kHz in 60 columns.
pub const FARTHEST: i16 = 52;

/// Samples per column at a zoom step.
#[must_use]
pub fn samples_per_column(zoom: i16) -> f64 {
    2f64.powf(f64::from(zoom.clamp(CLOSEST, FARTHEST)) / 2.0)
}

/// The finest zoom step at which `samples` fit into `columns`.
#[must_use]
pub fn zoom_for(samples: u64, columns: u16) -> i16 {
    let per_column = samples.max(1) as f64 / f64::from(columns.max(1));
    let step = (2.0 * per_column.log2()).ceil();
    #[expect(clippy::cast_possible_truncation, reason = "held in range")]
    let step = step.clamp(f64::from(CLOSEST), f64::from(FARTHEST)) as i16;
    step
}

impl View {
    /// Brings numbers from a damaged or foreign file back into reach.
    pub fn sane(&mut self) {
        let far = crate::song::rules::FARTHEST;
        self.zoom = self.zoom.clamp(CLOSEST, FARTHEST);
        self.close_zoom = self.close_zoom.clamp(CLOSEST, 24);
        self.left = self.left.clamp(-far, far);
        self.cursor = self.cursor.clamp(-far, far);
        self.height = self.height.min(24);
        self.level_db = if self.level_db.is_finite() { self.level_db.clamp(-60.0, 12.0) } else { -20.0 };
        if let Stride::Ms(ms) = self.stride
            && !(0.001..=60_000.0).contains(&ms)
        {
            self.stride = Stride::Ms(1.0);
        }
        self.collapsed.truncate(crate::song::rules::MOST_LANES);
    }

    /// The cursor on the timeline.
    #[must_use]
    pub fn at(&self) -> Position {
        Position(self.cursor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_zoom_fits_what_it_was_asked_to_fit() {
        for (samples, columns) in [(960_000, 130), (1, 100), (14_400_000, 60), (1000, 1000)] {
            let zoom = zoom_for(samples, columns);
            assert!(samples_per_column(zoom) * f64::from(columns) >= samples as f64 * 0.999);
            assert!(zoom == CLOSEST || samples_per_column(zoom - 1) * f64::from(columns) < samples as f64);
        }
    }

    #[test]
    fn strides_are_written_as_commands_read_them() {
        assert_eq!(Stride::Ms(0.5).times(1), "0.5ms");
        assert_eq!(Stride::Ms(1.0).times(50), "50ms");
        assert_eq!(Stride::Samples(10).times(3), "30smp");
        assert_eq!(Stride::Ms(1.0).samples(44_100), 44);
    }
}
