//! What several tests of rendering share: takes in memory, noise, and songs that keep the rules.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use proptest::prelude::*;
use tautline::handoff::AssetFile;
use tautline::mix::Samples;
use tautline::song::rules::AssetFrames;
use tautline::song::{
    AssetId, Bend, Curve, Db, Fade, Lane, LaneId, Length, Pan, Polarity, Position, Region, RegionId, Role,
    Song,
};

/// Takes in memory: one vector for each channel.
#[derive(Default, Clone)]
pub struct Takes(pub HashMap<AssetId, Vec<Vec<f32>>>);

impl Takes {
    pub fn channels(&self, asset: AssetId) -> Option<u16> {
        self.0.get(&asset).map(|take| u16::try_from(take.len()).unwrap())
    }

    pub fn sample(&self, asset: AssetId, channel: usize, frame: u64) -> f32 {
        let take = &self.0[&asset][channel];
        usize::try_from(frame).ok().and_then(|frame| take.get(frame)).copied().unwrap_or(0.0)
    }

    /// Writes the takes into a folder, for a bounce to read.
    pub fn write(&self, folder: &Path, rate: u32) -> Vec<AssetFile> {
        let one = |(id, take): (&AssetId, &Vec<Vec<f32>>)| {
            let path = folder.join(format!("take-{id}.wav"));
            write_f32(&path, rate, take);
            AssetFile { id: *id, path, channels: u16::try_from(take.len()).unwrap() }
        };
        self.0.iter().map(one).collect()
    }
}

impl Samples for Takes {
    fn fill(&mut self, asset: AssetId, channel: u16, from: u64, out: &mut [f32]) {
        let take = &self.0[&asset][usize::from(channel)];
        let from = usize::try_from(from).unwrap().min(take.len());
        let count = out.len().min(take.len() - from);
        out[..count].copy_from_slice(&take[from..from + count]);
        out[count..].fill(0.0);
    }
}

impl AssetFrames for Takes {
    fn frames(&self, asset: AssetId) -> Option<u64> {
        self.0.get(&asset).map(|take| take[0].len() as u64)
    }
}

/// Writes a take as a WAV file of 32-bit floats, with a writer of another origin than ours.
pub fn write_f32(path: &Path, rate: u32, take: &[Vec<f32>]) {
    let spec = hound::WavSpec {
        channels: u16::try_from(take.len()).unwrap(),
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for frame in 0..take[0].len() {
        take.iter().for_each(|channel| writer.write_sample(channel[frame]).unwrap());
    }
    writer.finalize().unwrap();
}

/// White noise between -1 and 1 from a 32-bit congruential generator: every value is an exact f32.
pub fn noise(channels: usize, frames: usize, seed: u32) -> Vec<Vec<f32>> {
    let mut take = vec![Vec::with_capacity(frames); channels];
    let mut x = seed;
    for index in 0..channels * frames {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        take[index % channels].push((x >> 8) as f32 / 8_388_608.0 - 1.0);
    }
    take
}

pub fn fade(length: u64, curve: Curve, bend: f64) -> Fade {
    Fade { length: Length(length), curve, bend: Bend(bend) }
}

pub fn region(id: u64, asset: u64, source_in: u64, length: u64, at: i64) -> Region {
    Region {
        id: RegionId(id),
        asset: AssetId(asset),
        source_in,
        length: Length(length),
        at: Position(at),
        gain_db: Db(0.0),
        highpass_hz: None,
        fade_in: Fade::NONE,
        fade_out: Fade::NONE,
    }
}

pub fn lane(id: u64, name: &str, regions: Vec<Region>) -> Lane {
    Lane {
        id: LaneId(id),
        name: name.into(),
        role: Role::Double,
        asset: regions.first().map_or(AssetId(1), |region| region.asset),
        gain_db: Db(0.0),
        pan: Pan(0.0),
        polarity: Polarity::Normal,
        mute: false,
        solo: false,
        tone: None,
        notes: vec![],
        holds: Vec::new(),
        regions: regions.into_iter().map(Arc::new).collect(),
    }
}

pub fn song(lanes: Vec<Lane>) -> Song {
    Song { lanes: lanes.into_iter().map(Arc::new).collect(), ..Song::default() }
}

/// Three takes: two mono, one stereo.
pub fn three_takes() -> Takes {
    Takes(HashMap::from([
        (AssetId(1), noise(1, 4000, 1)),
        (AssetId(2), noise(2, 4000, 2)),
        (AssetId(3), noise(1, 3000, 3)),
    ]))
}

pub fn any_fade_shape() -> impl Strategy<Value = (Curve, f64)> {
    let bend = prop_oneof![Just(0.0), -1.0..=1.0f64];
    ((0..Curve::ALL.len()).prop_map(|index| Curve::ALL[index].0), bend)
}

/// What a random region is made from: length, distance to the one before (negative overlaps), lengths of
/// free fades as parts of the room, shapes, gain, asset.
type Raw = (u64, i64, (f64, f64), [(Curve, f64); 2], Option<f64>, u64);

fn any_raw() -> impl Strategy<Value = Raw> {
    (
        1u64..700,
        -300i64..200,
        (0.0..1.0f64, 0.0..1.0f64),
        [any_fade_shape(), any_fade_shape()],
        prop::option::of(-30.0..12.0f64),
        1u64..=3,
    )
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
fn part_of(room: u64, part: f64) -> u64 {
    (room as f64 * part) as u64
}

/// Lays raw regions out in a row so that all rules hold.
fn lay_out(start: i64, first_id: u64, raws: Vec<Raw>) -> Vec<Region> {
    let mut row: Vec<Region> = Vec::new();
    for (index, (length, distance, parts, shapes, gain, asset)) in raws.into_iter().enumerate() {
        let mut next = region(first_id + index as u64, asset, length / 2, length, start);
        next.gain_db = Db(gain.unwrap_or(0.0));
        // Some of those with a gain have a high-pass too.
        next.highpass_hz = gain.filter(|gain| *gain < -12.0).map(|gain| 400.0 + 5.0 * gain.round());
        if let Some(last) = row.last_mut() {
            // An overlap may take what the left region's fade-in leaves, and half of the right one.
            let room = (last.length.0 - last.fade_in.length.0).min(last.length.0 - 1).min(length / 2);
            let overlap = distance.min(0).unsigned_abs().min(room);
            next.at = last.end() - Length(overlap);
            if overlap == 0 {
                next.at = next.at + Length(distance.max(0).unsigned_abs());
                let free = last.length.0 - last.fade_in.length.0;
                last.fade_out.length = Length(part_of(free, parts.0));
            } else {
                last.fade_out.length = Length(overlap);
            }
            next.fade_in.length = Length(overlap);
        }
        if next.fade_in.length.0 == 0 {
            next.fade_in.length = Length(part_of(length / 2, parts.1));
        }
        for (fade, (curve, bend)) in [&mut next.fade_in, &mut next.fade_out].into_iter().zip(shapes) {
            (fade.curve, fade.bend) = (curve, Bend(bend));
        }
        row.push(next);
    }
    row
}

fn any_lane(id: u64) -> impl Strategy<Value = Lane> {
    let level = (prop::option::of(-20.0..6.0f64), prop_oneof![Just(0.0), -1.0..=1.0f64], any::<bool>());
    (prop::collection::vec(any_raw(), 0..6), -900i64..900, level, any::<bool>()).prop_map(
        move |(raws, start, (gain, pan, inverted), mute)| {
            let mut lane = lane(id, "lane", lay_out(start, id * 100, raws));
            lane.gain_db = Db(gain.unwrap_or(0.0));
            lane.pan = Pan(pan);
            lane.polarity = if inverted { Polarity::Inverted } else { Polarity::Normal };
            lane.mute = mute;
            lane
        },
    )
}

/// Songs of up to four lanes over [`three_takes`] that keep the rules.
pub fn any_song() -> impl Strategy<Value = Song> {
    (any_lane(1), any_lane(2), any_lane(3), any_lane(4), 1usize..=4).prop_map(|(a, b, c, d, count)| {
        let mut lanes = vec![a, b, c, d];
        lanes.truncate(count);
        song(lanes)
    })
}
