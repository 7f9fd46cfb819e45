//! The plan: what sounds when, with every number ready for the kernel.

use std::f64::consts::FRAC_1_SQRT_2;
use std::sync::Arc;

use super::highpass::LowPart;
use crate::song::rules::FARTHEST;
use crate::song::{
    AssetId, Fade, Lane, LaneId, Length, Pan, Polarity, Position, Region, RegionId, Role, Song, Span,
};
use crate::sound::fade_law::Ramp;
use crate::sound::pan::{self, PanGains};

/// What sounds when: a song made ready for rendering. It never changes; an edit makes a new one, which
/// shares the lanes that the edit left alone.
///
/// Making and dropping a plan allocates and frees memory: do both outside the realtime callback.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    rate: u32,
    lanes: Vec<Arc<PlanLane>>,
    extent: Option<Span>,
}

impl Plan {
    /// Compiles `song`, which keeps the [rules](crate::song::rules), at `rate` Hz.
    ///
    /// `channels` tells how many channels an asset has: 1 or 2. Of more the first two sound; an asset it
    /// does not know counts as mono, so that a session with a missing take still plays.
    #[must_use]
    pub fn compile(song: &Song, rate: u32, channels: &dyn Fn(AssetId) -> Option<u16>) -> Plan {
        let lanes = song.lanes.iter().map(|lane| Arc::new(PlanLane::compile(lane, rate, channels)));
        Plan { rate, lanes: lanes.collect(), extent: song.extent() }
    }

    /// Compiles `song` at the same rate and shares the lanes that are the very same in the song that this
    /// plan came from. `channels` must tell the same of the assets that both songs use.
    #[must_use]
    pub fn recompile(&self, song: &Song, channels: &dyn Fn(AssetId) -> Option<u16>) -> Plan {
        let compile = |(index, lane): (usize, &Arc<Lane>)| {
            let same = |old: &&Arc<PlanLane>| Arc::ptr_eq(&old.source, lane);
            // Nearly always it is where it was.
            let old = self.lanes.get(index).filter(same).or_else(|| self.lanes.iter().find(same));
            old.map_or_else(|| Arc::new(PlanLane::compile(lane, self.rate, channels)), Arc::clone)
        };
        let lanes = song.lanes.iter().enumerate().map(compile).collect();
        Plan { rate: self.rate, lanes, extent: song.extent() }
    }

    /// Samples per second of all positions and assets.
    #[must_use]
    pub fn rate(&self) -> u32 {
        self.rate
    }

    /// The lanes from top to bottom; the lane at index 0 has number 1.
    #[must_use]
    pub fn lanes(&self) -> &[Arc<PlanLane>] {
        &self.lanes
    }

    /// From the first to one past the last sample that any lane sounds, muted ones too.
    #[must_use]
    pub fn extent(&self) -> Option<Span> {
        self.extent
    }

    /// True if some lane is soloed, so that only soloed lanes are to be heard.
    #[must_use]
    pub fn any_solo(&self) -> bool {
        self.lanes.iter().any(|lane| lane.solo)
    }

    /// True if the lane at `index` is to be heard while listening: soloed, or not muted where nothing is
    /// soloed. The bounce asks [`PlanLane::in_stack`] instead.
    #[must_use]
    pub fn is_heard(&self, index: usize) -> bool {
        let solo = self.any_solo();
        self.lanes.get(index).is_some_and(|lane| if solo { lane.solo } else { !lane.mute })
    }
}

/// One lane of a [`Plan`].
#[derive(Debug, Clone, PartialEq)]
pub struct PlanLane {
    source: Arc<Lane>,
    /// The lane's name for life.
    pub id: LaneId,
    /// What the take is for.
    pub role: Role,
    /// Left out of the stack.
    pub mute: bool,
    /// Heard alone, with the other lanes marked so. Does not touch the bounce.
    pub solo: bool,
    /// Channels of the lane before its pan: 1, or 2 if one of its regions is of a stereo asset.
    pub channels: u16,
    /// Lane gain (linear), negative where the polarity is inverted.
    pub level: f64,
    /// Where the lane sounds.
    pub pan: Pan,
    /// The same as gains: an equal-power pan of a mono lane, a balance of a stereo lane.
    pub pan_gains: PanGains,
    /// The regions in order of their start. Each ends after the one before it.
    pub segments: Vec<Segment>,
    /// The high-passes of its regions, each once: [`Segment::highpass`] counts them.
    pub highpasses: Vec<LowPart>,
}

impl PlanLane {
    fn compile(lane: &Arc<Lane>, rate: u32, channels: &dyn Fn(AssetId) -> Option<u16>) -> PlanLane {
        let of = |asset: AssetId| channels(asset).unwrap_or(1).clamp(1, 2);
        // A lane without regions is as wide as its take.
        let widest = lane.regions.iter().map(|region| of(region.asset)).max();
        let width = widest.unwrap_or_else(|| of(lane.asset));
        let mut cuts: Vec<f64> = Vec::new();
        for hz in lane.regions.iter().filter_map(|region| region.highpass_hz) {
            if !cuts.contains(&hz) {
                cuts.push(hz);
            }
        }
        let highpasses: Vec<LowPart> = cuts.iter().map(|hz| LowPart::new(*hz, rate)).collect();
        let segment = |region: &Arc<Region>| {
            let highpass = region.highpass_hz.and_then(|hz| cuts.iter().position(|cut| *cut == hz));
            let reach = highpass.and_then(|index| highpasses.get(index)).map_or(0, LowPart::reach);
            Segment { highpass, reach, ..Segment::compile(region, of(region.asset), width) }
        };
        let sign = if lane.polarity == Polarity::Inverted { -1.0 } else { 1.0 };
        PlanLane {
            id: lane.id,
            role: lane.role,
            mute: lane.mute,
            solo: lane.solo,
            channels: width,
            level: sign * lane.gain_db.to_linear().0,
            pan: lane.pan,
            pan_gains: if width == 1 { pan::mono(lane.pan) } else { pan::stereo(lane.pan) },
            segments: lane.regions.iter().map(segment).collect(),
            highpasses,
            source: Arc::clone(lane),
        }
    }

    /// The lane of the model that this was compiled from.
    #[must_use]
    pub fn source(&self) -> &Arc<Lane> {
        &self.source
    }

    /// True if the lane is part of the stack's sum: not muted and not the backing.
    #[must_use]
    pub fn in_stack(&self) -> bool {
        !self.mute && self.role != Role::Backing
    }
}

/// One region of a [`PlanLane`]: which samples of which asset sound where, and how loud.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// The region's name.
    pub region: RegionId,
    /// The recording.
    pub asset: AssetId,
    /// Channels that are read of the recording: 1 or 2.
    pub channels: u16,
    /// First frame of the recording that sounds.
    pub source_in: u64,
    /// First sample on the timeline.
    pub at: Position,
    /// One past the last sample on the timeline.
    pub end: Position,
    /// Region gain (linear). Includes −3 dB where a mono recording fills both sides of a stereo lane, so
    /// that it is as loud there as in a mono lane with its pan in the middle.
    pub gain: f64,
    /// The ramp from `at` on.
    pub fade_in: Ramp,
    /// The ramp up to `end`. The two ramps never meet.
    pub fade_out: Ramp,
    /// The high-pass: its index in [`PlanLane::highpasses`].
    pub highpass: Option<usize>,
    /// How many frames of the recording before and after it are needed besides its own.
    pub reach: u64,
}

impl Segment {
    fn compile(region: &Region, channels: u16, lane_channels: u16) -> Segment {
        let spread = if channels < lane_channels { FRAC_1_SQRT_2 } else { 1.0 };
        let short = |fade: Fade, room: u64| Fade { length: Length(fade.length.0.min(room)), ..fade };
        // The rules of a song have it so already; the kernel's arithmetic rests on it.
        let reach = |at: Position| Position(at.0.clamp(-FARTHEST, FARTHEST));
        let (at, end) = (reach(region.at), reach(region.end()));
        let length = end.since(at).0;
        let fade_in = short(region.fade_in, length);
        let fade_out = short(region.fade_out, length - fade_in.length.0);
        Segment {
            region: region.id,
            asset: region.asset,
            channels,
            source_in: region.source_in,
            at,
            end,
            gain: region.gain_db.to_linear().0 * spread,
            fade_in: Ramp::new(fade_in),
            fade_out: Ramp::new(fade_out),
            highpass: None,
            reach: 0,
        }
    }

    /// Length in samples.
    #[must_use]
    pub fn length(&self) -> u64 {
        self.end.since(self.at).0
    }

    /// Frames of the recording that its samples from one position to another, both within its edges, rest on: from,
    /// up to. They may lie beyond the recording's end.
    #[must_use]
    pub fn frames(&self, from: Position, to: Position) -> (u64, u64) {
        let place = |at: Position| self.source_in.saturating_add(at.since(self.at).0);
        (place(from).saturating_sub(self.reach), place(to).saturating_add(self.reach))
    }
}
