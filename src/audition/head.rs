//! The play head: where the next sample of the stream comes from.
//!
//! ```text
//!            start−seam   start                      end−seam      end
//!   ─────────────┼──────────┼────────────────────────────┼──────────┼────
//!                 └ fades in ┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┐
//!                            plays ─────────────────────── fades out  │
//!                            ▲                                        │
//!                            └────────────────────────────────────────┘
//! ```
//!
//! The last samples of a loop are blended into those before its start, so that the first sample of every
//! pass, which is where a word begins, stands as it was sung. A loop too short for two seams gets a seam of half its
//! length; one of a single sample has none.

use crate::song::{Length, Position, Span};

/// Where the stream is in the song, and the span that it loops.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Head {
    pub(super) at: Position,
    pub(super) looped: Option<Span>,
}

/// Samples in a row that come from one place, or from two while a seam is blended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    pub(super) at: Position,
    pub(super) frames: usize,
    pub(super) seam: Option<SeamPart>,
}

/// The part of a loop's seam that a stretch lies in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct SeamPart {
    /// Where the samples that fade in come from.
    pub(super) from: Position,
    /// Number within the seam of the stretch's first sample.
    pub(super) number: u64,
    /// Length of the seam.
    pub(super) length: u64,
}

impl Head {
    /// The next stretch of at most `most` frames. Realtime-safe.
    pub(super) fn stretch(self, most: usize, seam: u64) -> Stretch {
        let plain = |frames: usize| Stretch { at: self.at, frames, seam: None };
        let within = |length: Length| usize::try_from(length.0).map_or(most, |frames| frames.min(most));
        let Some(span) = self.looped.filter(|span| self.at < span.end) else { return plain(most) };
        let length = seam.min(span.end.since(span.start).0 / 2);
        let seam_at = span.end - Length(length);
        if self.at < seam_at {
            return plain(within(seam_at.since(self.at)));
        }
        if length == 0 {
            return plain(within(span.end.since(self.at)));
        }
        let number = self.at.since(seam_at).0;
        let from = span.start - Length(length) + Length(number);
        let frames = within(span.end.since(self.at));
        Stretch { at: self.at, frames, seam: Some(SeamPart { from, number, length }) }
    }

    /// Moves on by a stretch; true if it went back to the start of the loop. Realtime-safe.
    pub(super) fn advance(&mut self, frames: usize) -> bool {
        let inside = self.looped.filter(|span| self.at < span.end);
        self.at = self.at + Length(frames as u64);
        match inside {
            Some(span) if self.at >= span.end => {
                self.at = span.start;
                true
            }
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(at: i64, start: i64, end: i64) -> Head {
        Head { at: Position(at), looped: Some(Span { start: Position(start), end: Position(end) }) }
    }

    /// (position, position blended in) of the next `count` samples, one by one.
    fn walk(mut head: Head, seam: u64, count: usize) -> Vec<(i64, Option<i64>)> {
        let step = |_| {
            let stretch = head.stretch(1, seam);
            head.advance(stretch.frames);
            (stretch.at.0, stretch.seam.map(|seam| seam.from.0))
        };
        (0..count).map(step).collect()
    }

    #[test]
    fn a_loop_goes_round_with_its_seam_at_the_end() {
        let found = walk(head(6, 0, 10), 2, 6);
        assert_eq!(found, [(6, None), (7, None), (8, Some(-2)), (9, Some(-1)), (0, None), (1, None)]);
    }

    #[test]
    fn short_loops_have_short_seams_or_none() {
        assert_eq!(walk(head(0, 0, 1), 240, 3), [(0, None), (0, None), (0, None)]);
        assert_eq!(walk(head(0, 0, 2), 240, 3), [(0, None), (1, Some(-1)), (0, None)]);
        assert_eq!(walk(head(0, 0, 3), 240, 4), [(0, None), (1, None), (2, Some(-1)), (0, None)]);
    }

    #[test]
    fn before_a_loop_it_plays_into_it_and_behind_it_plays_on() {
        assert_eq!(walk(head(-2, 0, 2), 0, 5).iter().map(|s| s.0).collect::<Vec<_>>(), [-2, -1, 0, 1, 0]);
        assert_eq!(walk(head(2, 0, 2), 0, 3).iter().map(|s| s.0).collect::<Vec<_>>(), [2, 3, 4]);
    }

    #[test]
    fn stretches_of_any_length_walk_the_same_way() {
        for most in [1usize, 2, 3, 7, 100] {
            let (mut head, mut found) = (head(3, 0, 11), Vec::new());
            while found.len() < 40 {
                let stretch = head.stretch(most.min(40 - found.len()), 3);
                found.extend((0..stretch.frames as i64).map(|n| {
                    (stretch.at.0 + n, stretch.seam.map(|seam| (seam.from.0 + n, seam.number as i64 + n)))
                }));
                head.advance(stretch.frames);
            }
            let one_by_one = walk(self::head(3, 0, 11), 3, 40);
            let seams = found.iter().map(|(at, seam)| (*at, seam.map(|seam| seam.0)));
            assert_eq!(seams.collect::<Vec<_>>(), one_by_one, "{most} at a time");
        }
    }
}
