//! Softens a stretch of a lane, by a gain or a high-pass, with short ramps: the region is cut and its pieces overlap, so that they cross.

use super::diagnostic::Diagnostic;
use super::draft::Draft;
use crate::song::rules::GAIN_RANGE;
use crate::song::{Bend, Curve, Db, Edges, Fade, FadeSide, Length, Position, Region, Span};

/// What is done to a stretch.
#[derive(Debug, Clone, Copy)]
pub(super) enum Dip {
    /// Its gain changes by this.
    By(Db),
    /// What lies below this frequency (Hz) is taken away.
    Below(f64),
}

impl Draft<'_> {
    /// Does `what` to that which lies in `span` on a lane, with ramps of `ramp` centred on its two ends. Both
    /// sides of a ramp are the same sound in phase, so that a raised cosine crosses from one to the other without a bump.
    /// A ramp that would reach into a fade is left out: the change then begins at that edge. Gives how many pieces
    /// were changed.
    ///
    /// # Errors
    /// The gain would leave its range.
    pub(super) fn dip(
        &mut self,
        row: usize,
        span: Span,
        what: Dip,
        ramp: Length,
    ) -> Result<usize, Diagnostic> {
        let mut changed = 0;
        for index in (0..self.lane(row).regions.len()).rev() {
            let region = self.region(row, index);
            let part = Span { start: span.start.max(region.at), end: span.end.min(region.end()) };
            if part.start < part.end && !within_a_fade(region, part) {
                self.dip_region(row, index, part, what, ramp)?;
                changed += 1;
            }
        }
        Ok(changed)
    }

    fn dip_region(
        &mut self,
        row: usize,
        index: usize,
        part: Span,
        what: Dip,
        ramp: Length,
    ) -> Result<(), Diagnostic> {
        let region = self.region(row, index).clone();
        let (gain, highpass) = match what {
            Dip::By(by) => (Db(region.gain_db.0 + by.0), region.highpass_hz),
            Dip::Below(hz) => (region.gain_db, Some(hz)),
        };
        if !GAIN_RANGE.contains(&gain.0) {
            return Err(Diagnostic::refusal(format!("{} dB is out of range", gain.0)));
        }
        let half = Length((ramp.0.min(part.end.since(part.start).0) / 2).max(1));
        let from = region.at + region.fade_in.length;
        let to = region.end() - region.fade_out.length;
        // In the middle part both ramps must find room beside the fades that are there.
        let (cuts_start, cuts_end) = (part.start - half > from, part.end + half < to);
        let mut middle = index;
        if cuts_end {
            self.split(row, index, part.end)?;
        }
        if cuts_start {
            self.split(row, index, part.start)?;
            middle += 1;
            self.overlap(row, index, half);
        }
        if cuts_end {
            self.overlap(row, middle, half);
        }
        self.set_gain(row, middle, gain);
        self.set_highpass(row, middle, highpass);
        Ok(())
    }

    /// Lets two pieces that flow into each other go on under each other for `half` on either side, and cross.
    fn overlap(&mut self, row: usize, left: usize, half: Length) {
        let longer = |region: &Region, at: Position| Edges {
            source_in: region.source_in - region.at.since(at).0,
            length: region.length + half,
            at,
        };
        let (before, after) = (self.region(row, left), self.region(row, left + 1));
        let (before, after) = (longer(before, before.at), longer(after, after.at - half));
        self.set_edges(row, left, before);
        self.set_edges(row, left + 1, after);
        let fade = Fade { length: Length(half.0 * 2), curve: Curve::RaisedCosine, bend: Bend(0.0) };
        self.set_fade(row, left, FadeSide::Out, fade);
        self.set_fade(row, left + 1, FadeSide::In, fade);
    }
}

/// True if a part of a region lies in a fade of it: what is heard there belongs to the neighbour, and nothing can be cut.
pub(super) fn within_a_fade(region: &Region, part: Span) -> bool {
    let (from, to) = (region.at + region.fade_in.length, region.end() - region.fade_out.length);
    (part.end <= from && part.end < region.end()) || (part.start >= to && part.start > region.at)
}
