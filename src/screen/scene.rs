//! What one column of one lane looks like: which sound it shows, how loud, under which fade.

use super::app::{App, Detail, World};
use crate::media::peaks::{BASE, Stretch};
use crate::song::{AssetId, Db, Lane, Position, Region};
use crate::sound::fade_law::gain;

/// What a stretch of a lane shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Look {
    /// Extremes and RMS of what sounds there, fades and gains applied. `None`: nothing known, or silence
    /// beyond the recording.
    pub sound: Option<Stretch>,
    /// True where the sound was cut away.
    pub gone: bool,
    /// Index of the region, if there is one.
    pub region: Option<usize>,
    /// Gain (linear) of the fade there, if one is under way; of the later region where two cross.
    pub ramp: Option<f32>,
    /// The same of the earlier region where two cross.
    pub other_ramp: Option<f32>,
}

/// Looks at lanes.
pub struct Scene<'a> {
    app: &'a App,
    /// Drawn magnitudes are multiplied by this, so that the loudest take fills its lane.
    pub scale: f32,
}

impl<'a> Scene<'a> {
    /// Looks through the eyes of this state.
    #[must_use]
    pub fn new(app: &'a App, world: &World) -> Scene<'a> {
        let takes = world.session.song().lanes.iter().filter_map(|lane| app.peaks.get(&lane.asset));
        let loudest =
            takes.filter_map(|peaks| peaks.over(0, i64::MAX)).map(Stretch::peak).fold(0.0, f32::max);
        Scene { app, scale: if loudest > 0.0 { (0.98 / loudest).clamp(0.5, 16.0) } else { 1.0 } }
    }

    /// What a lane shows from one position up to another.
    #[must_use]
    pub fn look(&self, lane: &Lane, from: f64, to: f64) -> Look {
        #[expect(clippy::cast_possible_truncation, reason = "positions stay below 2^41")]
        let (first, last) = (from.floor() as i64, (to.ceil() as i64).max(from.floor() as i64 + 1));
        let middle = Position(first + (last - first) / 2);
        match lane.index_at(middle) {
            Some(index) => self.in_region(lane, index, (first, last), middle),
            None => self.in_gap(lane, (first, last), middle),
        }
    }

    fn in_region(&self, lane: &Lane, index: usize, span: (i64, i64), middle: Position) -> Look {
        let region = &lane.regions[index];
        let mut look = Look { region: Some(index), ..Look::default() };
        let before = index.checked_sub(1).map(|before| &lane.regions[before]).filter(|r| r.contains(middle));
        look.ramp = ramp(region, middle);
        let mut loud = self.sounding(lane, region, span, middle);
        if let Some(before) = before {
            look.other_ramp = ramp(before, middle);
            let under = self.sounding(lane, before, span, middle);
            loud = match (loud, under) {
                (Some(a), Some(b)) => {
                    Some(Stretch { min: a.min.min(b.min), max: a.max.max(b.max), rms: a.rms.max(b.rms) })
                }
                (a, b) => a.or(b),
            };
        }
        look.sound = loud;
        look
    }

    fn sounding(
        &self,
        lane: &Lane,
        region: &Region,
        (first, last): (i64, i64),
        middle: Position,
    ) -> Option<Stretch> {
        let origin = region.source_origin().0;
        let first = first.max(region.at.0);
        let last = last.min(region.end().0).max(first + 1);
        let sound = self.recorded(region.asset, first - origin, last - origin)?;
        #[expect(clippy::cast_possible_truncation, reason = "gains are small")]
        let level = match lane.gain_db.0 + region.gain_db.0 {
            0.0 => 1.0,
            gain => Db(gain).to_linear().0 as f32,
        };
        let faded = level * ramp(region, middle).unwrap_or(1.0);
        Some(Stretch { min: sound.min * faded, max: sound.max * faded, rms: sound.rms * faded })
    }

    /// Where nothing sounds any more: the recording as the nearest region would go on.
    fn in_gap(&self, lane: &Lane, (first, last): (i64, i64), middle: Position) -> Look {
        let after = lane.regions.partition_point(|region| region.at <= middle);
        let left = after.checked_sub(1).and_then(|index| lane.regions.get(index));
        let nearest = match (left, lane.regions.get(after)) {
            (Some(left), Some(right)) if (middle - left.end()).0 > (right.at - middle).0 => Some(right),
            (left, right) => left.or(right),
        };
        let Some(region) = nearest else { return Look::default() };
        let origin = region.source_origin().0;
        Look {
            sound: self.recorded(region.asset, first - origin, last - origin),
            gone: true,
            ..Look::default()
        }
    }

    /// What a recording holds, from its samples if they are at hand and wanted.
    fn recorded(&self, asset: AssetId, from: i64, to: i64) -> Option<Stretch> {
        if (to - from) < 2 * BASE as i64
            && let Some(samples) = self.samples(asset, from, to)
        {
            return Some(Stretch::of(samples));
        }
        self.app.peaks.get(&asset)?.over(from, to)
    }

    /// Samples of a recording, if all of them are at hand.
    #[must_use]
    pub fn samples(&self, asset: AssetId, from: i64, to: i64) -> Option<&'a [f32]> {
        let Detail { from: have, samples, .. } = self.app.details.get(&asset)?;
        let start = u64::try_from(from).ok()?.checked_sub(*have)?;
        let end = u64::try_from(to).ok()?.checked_sub(*have)?;
        samples.get(usize::try_from(start).ok()?..usize::try_from(end).ok()?)
    }
}

/// Gain (linear) of a region's fade at a position, if one is under way there.
fn ramp(region: &Region, at: Position) -> Option<f32> {
    let (into, left) = (at.since(region.at).0 as f64, region.end().since(at).0 as f64);
    let part = |fade: crate::song::Fade, done: f64| {
        let length = fade.length.0 as f64;
        #[expect(clippy::cast_possible_truncation, reason = "from 0 to 1")]
        (done < length).then(|| gain(fade.curve, fade.bend, (done + 0.5) / length) as f32)
    };
    part(region.fade_in, into).or_else(|| part(region.fade_out, (left - 1.0).max(0.0)))
}
