//! A draft of an edit: verbs change it step by step, and it writes down the operations.

use std::sync::Arc;

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::outcome::Action;
use crate::edit::{LaneValue, Op, Session, apply_all};
use crate::song::rules::{self, Rule};
use crate::song::{
    Curve, Edges, Fade, FadeSide, Lane, LaneId, Length, Position, Region, RegionId, Shift, Song, Span, Tone,
};

/// A song being changed, with the operations so far.
pub struct Draft<'a> {
    session: &'a Session,
    song: Song,
    ops: Vec<Op>,
    next_region: u64,
}

impl<'a> Draft<'a> {
    /// A draft that begins with the state at the head.
    #[must_use]
    pub fn new(context: &Context<'a>) -> Draft<'a> {
        let session = context.session;
        Draft { session, song: session.song().clone(), ops: Vec::new(), next_region: session.next_region() }
    }

    /// The state so far.
    #[must_use]
    pub fn song(&self) -> &Song {
        &self.song
    }

    /// The lane in a row.
    #[must_use]
    pub fn lane(&self, row: usize) -> &Lane {
        &self.song.lanes[row]
    }

    /// A region of the lane in a row.
    #[must_use]
    pub fn region(&self, row: usize, index: usize) -> &Region {
        &self.song.lanes[row].regions[index]
    }

    fn region_mut(&mut self, row: usize, index: usize) -> (LaneId, &mut Region) {
        let lane = Arc::make_mut(&mut self.song.lanes[row]);
        (lane.id, Arc::make_mut(&mut lane.regions[index]))
    }

    /// Sets a region's position; call [`Self::settle`] after the last one.
    pub fn slide(&mut self, row: usize, index: usize, by: Shift) {
        let (lane, region) = self.region_mut(row, index);
        let from = region.at;
        region.at = from + by;
        let op = Op::Move { lane, region: region.id, from, to: region.at };
        if by != Shift(0) {
            self.ops.push(op);
        }
    }

    /// Sets a region's edges; call [`Self::settle`] after the last one.
    pub fn set_edges(&mut self, row: usize, index: usize, to: Edges) {
        let (lane, region) = self.region_mut(row, index);
        let from = region.edges();
        if from != to {
            region.set_edges(to);
            let op = Op::SetEdges { lane, region: region.id, from, to };
            self.ops.push(op);
        }
    }

    /// Sets one fade.
    pub fn set_fade(&mut self, row: usize, index: usize, side: FadeSide, to: Fade) {
        let (lane, region) = self.region_mut(row, index);
        let from = region.fade(side);
        if from != to {
            *region.fade_mut(side) = to;
            let op = Op::SetFade { lane, region: region.id, side, from, to };
            self.ops.push(op);
        }
    }

    /// Sets a region's gain.
    pub fn set_gain(&mut self, row: usize, index: usize, to: crate::song::Db) {
        let (lane, region) = self.region_mut(row, index);
        let from = region.gain_db;
        if from != to {
            region.gain_db = to;
            let op = Op::SetGain { lane, region: region.id, from, to };
            self.ops.push(op);
        }
    }

    /// Sets a region's high-pass, in Hz.
    pub fn set_highpass(&mut self, row: usize, index: usize, to: Option<f64>) {
        let (lane, region) = self.region_mut(row, index);
        let from = region.highpass_hz;
        if from != to {
            region.highpass_hz = to;
            let op = Op::SetHighpass { lane, region: region.id, from, to };
            self.ops.push(op);
        }
    }

    /// Cuts the region at an index; the later part comes after it.
    ///
    /// # Errors
    /// The place is at an edge or inside a fade.
    pub fn split(&mut self, row: usize, index: usize, at: Position) -> Result<(), Diagnostic> {
        let number = row + 1;
        let region = self.region(row, index);
        let show = |at| super::context::show_seconds(at, self.session.rate);
        if at == region.at || at == region.end() {
            return Err(Diagnostic::refusal(format!("lane {number} has an edge at {} already", show(at))));
        }
        let (from, to) = (region.at + region.fade_in.length, region.end() - region.fade_out.length);
        if at < from || at > to {
            return Err(Diagnostic::refusal(format!(
                "{} on lane {number} lies inside a fade of region {}",
                show(at),
                region.id
            ))
            .help(format!(
                "cut between {} and {}, or shorten the fade first",
                show(from),
                show(to)
            )));
        }
        let op =
            Op::Split { lane: self.lane(row).id, region: region.id, at, new: RegionId(self.next_region) };
        self.next_region += 1;
        self.push(op)
    }

    /// Joins the region at an index with the next, which it must flow into; facing fades go.
    ///
    /// # Errors
    /// The two do not flow into each other.
    pub fn join(&mut self, row: usize, index: usize) -> Result<(), Diagnostic> {
        self.set_fade(row, index, FadeSide::Out, Fade::NONE);
        self.set_fade(row, index + 1, FadeSide::In, Fade::NONE);
        let (gain, highpass) = (self.region(row, index).gain_db, self.region(row, index).highpass_hz);
        self.set_gain(row, index + 1, gain);
        self.set_highpass(row, index + 1, highpass);
        let (left, right) = (self.region(row, index), self.region(row, index + 1));
        let op = Op::Merge { lane: self.lane(row).id, region: left.id, at: right.at, new: right.id };
        self.push(op)
    }

    /// Takes a region off.
    pub fn remove(&mut self, row: usize, index: usize) {
        let lane = Arc::make_mut(&mut self.song.lanes[row]);
        let region = lane.regions.remove(index);
        self.ops.push(Op::Remove { lane: lane.id, region });
    }

    /// Puts a region on; its id is a new one.
    ///
    /// # Errors
    /// It does not fit.
    pub fn insert(&mut self, row: usize, region: Region) -> Result<(), Diagnostic> {
        let region = Arc::new(Region { id: RegionId(self.next_region), ..region });
        self.next_region += 1;
        self.push(Op::Insert { lane: self.lane(row).id, region })
    }

    /// Sets a value of a lane.
    ///
    /// # Errors
    /// The kinds of the two values differ.
    pub fn set_lane(&mut self, row: usize, from: LaneValue, to: LaneValue) -> Result<(), Diagnostic> {
        if from == to {
            return Ok(());
        }
        self.push(Op::SetLane { lane: self.lane(row).id, from, to })
    }

    /// Sets a lane's tone; one that sets nothing is no tone.
    ///
    /// # Errors
    /// A number is out of its range; says which, and the range.
    pub fn set_tone(&mut self, row: usize, to: Tone) -> Result<(), Diagnostic> {
        if let Some((limit, value)) = to.out_of_range() {
            return Err(super::verbs::out_of_range(&limit, value).on_lane(row));
        }
        let lane = self.lane(row);
        let from = lane.tone.clone();
        let to = (to != Tone::default()).then(|| Arc::new(to));
        if from == to {
            return Ok(());
        }
        self.push(Op::SetTone { lane: lane.id, from, to })
    }

    /// Applies any operation.
    ///
    /// # Errors
    /// It does not fit.
    pub fn push(&mut self, op: Op) -> Result<(), Diagnostic> {
        apply_all(&mut self.song, std::slice::from_ref(&op))
            .map_err(|(_, error)| Diagnostic::refusal(error.to_string()))?;
        self.ops.push(op);
        Ok(())
    }

    /// Shortens the fades of a region that has become too short for them, the fade-in last.
    pub fn fit_fades(&mut self, row: usize, index: usize) {
        let region = self.region(row, index);
        let fade_in = Fade { length: region.fade_in.length.min(region.length), ..region.fade_in };
        let room = Length(region.length.0 - fade_in.length.0);
        let fade_out = Fade { length: region.fade_out.length.min(room), ..region.fade_out };
        self.set_fade(row, index, FadeSide::In, fade_in);
        self.set_fade(row, index, FadeSide::Out, fade_out);
    }

    /// Takes the sound of a span off a lane. What stays keeps its fades, shortened where they no
    /// longer fit; an edge that arises in the middle of a region is hard.
    ///
    /// # Errors
    /// A piece does not fit; this does not happen on a lane that keeps the rules.
    pub fn clear(&mut self, row: usize, span: Span) -> Result<(), Diagnostic> {
        for index in (0..self.lane(row).regions.len()).rev() {
            let region = self.region(row, index).clone();
            if region.end() <= span.start || span.end <= region.at {
                continue;
            }
            let (keeps_head, keeps_rest) = (region.at < span.start, span.end < region.end());
            if !keeps_head && !keeps_rest {
                self.remove(row, index);
                continue;
            }
            if keeps_head && keeps_rest {
                let rest = Region { fade_in: Fade::NONE, ..region.clone() }.between(span.end, region.end());
                self.insert(row, rest)?;
                self.fit_fades(row, index + 1);
                self.set_fade(row, index, FadeSide::Out, Fade::NONE);
            }
            let kept = if keeps_head { (region.at, span.start) } else { (span.end, region.end()) };
            self.set_edges(row, index, region.between(kept.0, kept.1).edges());
            self.fit_fades(row, index);
        }
        self.drop_stubs(row);
        self.settle(row);
        Ok(())
    }

    /// Where a span ended inside a crossfade, one side of it is left as a stub under the other: it goes.
    fn drop_stubs(&mut self, row: usize) {
        let mut index = 0;
        while index + 1 < self.lane(row).regions.len() {
            let (left, right) = (self.region(row, index), self.region(row, index + 1));
            if right.end() <= left.end() {
                self.remove(row, index + 1);
            } else if right.at <= left.at {
                self.remove(row, index);
            } else {
                index += 1;
            }
        }
    }

    /// Puts the regions of a lane in order and makes every overlap of neighbours a crossfade: both
    /// fades span it, and keep their curves if they had any.
    pub fn settle(&mut self, row: usize) {
        if !self.lane(row).regions.is_sorted_by_key(|region| region.at) {
            Arc::make_mut(&mut self.song.lanes[row]).regions.sort_by_key(|region| region.at);
        }
        for index in 0..self.lane(row).regions.len().saturating_sub(1) {
            let overlap = Length(self.lane(row).overlap_after(index));
            if overlap == Length::ZERO {
                continue;
            }
            let spanning = |fade: Fade| match fade.length {
                Length::ZERO => Fade { length: overlap, curve: Curve::EqualPower, ..Fade::NONE },
                _ => Fade { length: overlap, ..fade },
            };
            let (left, right) = (self.region(row, index).fade_out, self.region(row, index + 1).fade_in);
            self.set_fade(row, index, FadeSide::Out, spanning(left));
            self.set_fade(row, index + 1, FadeSide::In, spanning(right));
        }
    }

    /// Ends the draft: checks the rules on every lane that changed.
    ///
    /// # Errors
    /// Nothing would change, or a rule would be broken; says which region of which lane refuses and why.
    pub fn finish(self, summary: String) -> Result<Action, Diagnostic> {
        if self.ops.is_empty() {
            return Err(Diagnostic::refusal("nothing would change: it is so already"));
        }
        let mut violations = Vec::new();
        for (row, lane) in self.song.lanes.iter().enumerate() {
            let unchanged = self.session.song().lanes.get(row).is_some_and(|old| Arc::ptr_eq(old, lane));
            if !unchanged {
                rules::check_lane(lane, self.session, &mut violations);
            }
        }
        rules::check_whole(&self.song, &mut violations);
        if let Some(first) = violations.first() {
            return Err(self.refusal(first, violations.len()));
        }
        Ok(Action::Edit { ops: self.ops, brought_from: None, summary, remarks: Vec::new() })
    }

    fn refusal(&self, first: &rules::Violation, count: usize) -> Diagnostic {
        let row = first.lane.and_then(|lane| self.song.number(lane));
        let place = match (row, first.at) {
            (Some(number), Some(at)) => {
                format!("lane {number} at {}: ", super::context::show_seconds(at, self.session.rate))
            }
            (Some(number), None) => format!("lane {number}: "),
            _ => String::new(),
        };
        let more = if count > 1 { format!(" (and {} more)", count - 1) } else { String::new() };
        let refusal = Diagnostic::refusal(format!("{place}{first}{more}; nothing was changed"));
        match first.rule {
            Rule::FadesMeet { .. } => refusal.help("shorter fades fit; `fit` shortens them where they must"),
            Rule::Order | Rule::BeyondNeighbour => {
                refusal.help("move the neighbour too, or cut and remove the sound in between first")
            }
            Rule::OutsideAsset { .. } => refusal.help("the recording has no more sound there"),
            _ => refusal,
        }
    }
}
