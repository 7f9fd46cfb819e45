//! What is to change at the next opportunity.

use std::sync::Arc;

use super::voice::{Place, Voice};
use super::wire::Staged;
use crate::song::{Position, Span};

/// Changes that wait to begin, all together. Realtime-safe.
#[derive(Debug, Default)]
pub(super) struct Pending {
    pub(super) scene: Option<Staged>,
    pub(super) looped: Option<Option<Span>>,
    pub(super) jump: Option<Position>,
    /// Start to play, until there and for so many frames.
    pub(super) open: Option<(Option<Position>, Option<u64>)>,
    /// Frame of the stream at which the oldest of them arrived.
    pub(super) since: u64,
}

impl Pending {
    pub(super) fn is_empty(&self) -> bool {
        self.scene.is_none() && self.looped.is_none() && self.jump.is_none() && self.open.is_none()
    }

    /// True if it leads to samples that nobody could foresee.
    pub(super) fn jumps(&self) -> bool {
        self.jump.is_some() || self.open.is_some()
    }

    /// The place that it leads to from the present one, which plays if it is `moving`.
    ///
    /// A head outside a new loop goes to its start; so does one that stands outside when a play begins. A head that was sent
    /// to a place goes there, loop or no loop.
    pub(super) fn next(&self, current: &Voice, moving: bool) -> Place {
        let mut head = current.head;
        if let Some(looped) = self.looped {
            head.looped = looped;
        }
        let opens = self.open.is_some() && !moving;
        let sounds_in_a_new_loop = self.looped.is_some() && moving;
        let outside = head.looped.filter(|span| !span.contains(head.at));
        match (self.jump, outside) {
            (Some(at), _) => head.at = at,
            (None, Some(span)) if sounds_in_a_new_loop || opens => head.at = span.start,
            _ => {}
        }
        let scene = self.scene.as_ref().map_or(&current.scene, |staged| &staged.scene);
        Place { scene: Arc::clone(scene), head }
    }
}
