//! The kernel against independent renders, and against itself in other blocks.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod rendering;

use std::collections::HashMap;

use std::sync::Arc;

use proptest::prelude::*;
use rendering::{Takes, any_song, fade, lane, noise, region, song, three_takes};
use tautline::mix::{Bus, Plan, Scratch, mix_into, pan_into, render_lane};
use tautline::song::rules::check_song;
use tautline::song::{AssetId, Curve, Db, Fade, Lane, Length, Pan, Polarity, Position, Region, Role, Song};

fn plan(song: &Song, takes: &Takes) -> Plan {
    Plan::compile(song, 48_000, &|asset| takes.channels(asset))
}

/// Renders one lane from `start` on in blocks of the given lengths.
fn lane_in_blocks(
    plan: &Plan,
    index: usize,
    start: i64,
    blocks: &[usize],
    scratch: usize,
    takes: &Takes,
) -> Vec<Vec<f32>> {
    let lane = &plan.lanes()[index];
    let (mut takes, mut scratch) = (takes.clone(), Scratch::new(scratch));
    let mut whole = vec![Vec::new(); usize::from(lane.channels)];
    let mut at = Position(start);
    for &frames in blocks {
        // Not a number, so that a sample which is left untouched shows.
        let mut block = vec![vec![f32::NAN; frames]; usize::from(lane.channels)];
        let mut slices: Vec<&mut [f32]> = block.iter_mut().map(Vec::as_mut_slice).collect();
        render_lane(lane, at, &mut slices, &mut takes, &mut scratch);
        whole.iter_mut().zip(block).for_each(|(whole, block)| whole.extend(block));
        at = at + Length(frames as u64);
    }
    whole
}

/// The stack from `start` on in blocks of the given lengths: left and right.
fn stack_in_blocks(plan: &Plan, start: i64, blocks: &[usize], takes: &Takes) -> [Vec<f32>; 2] {
    let frames: usize = blocks.iter().sum();
    let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
    let mut bus = Bus { left: &mut left, right: &mut right };
    bus.clear();
    for (index, lane) in plan.lanes().iter().enumerate().filter(|(_, lane)| lane.in_stack()) {
        let signal = lane_in_blocks(plan, index, start, blocks, 64, takes);
        let slices: Vec<&[f32]> = signal.iter().map(Vec::as_slice).collect();
        mix_into(lane.pan_gains, &slices, &mut bus);
    }
    let (mut out_left, mut out_right) = (vec![0.0; frames], vec![0.0; frames]);
    bus.take(&mut out_left, &mut out_right);
    [out_left, out_right]
}

fn bits(channels: &[Vec<f32>]) -> Vec<Vec<u32>> {
    channels.iter().map(|channel| channel.iter().map(|sample| sample.to_bits()).collect()).collect()
}

/// Level of the difference in dB re 1.0; minus infinity if there is none.
fn difference_db(a: &[f32], b: impl IntoIterator<Item = f64>) -> f64 {
    let worst = a.iter().zip(b).map(|(a, b)| (f64::from(*a) - b).abs()).fold(0.0, f64::max);
    20.0 * worst.log10()
}

// ---- the same in other words: one sample at a time, straight from the formulas -------------------------

fn law(fade: Fade, n: u64) -> f64 {
    let u = ((n as f64 + 0.5) / fade.length.0 as f64).powf(4f64.powf(-fade.bend.0));
    match fade.curve {
        Curve::Linear => u,
        Curve::EqualPower => (std::f64::consts::PI * u / 2.0).sin(),
        Curve::RaisedCosine => 0.5 - 0.5 * (std::f64::consts::PI * u).cos(),
        Curve::SquareRoot => u.powf(0.5),
        Curve::Exponential => (10f64.powf(3.0 * u - 3.0) - 0.001) / 0.999,
    }
}

fn region_gain(region: &Region, n: u64) -> f64 {
    let mut gain = 10f64.powf(region.gain_db.0 / 20.0);
    if n < region.fade_in.length.0 {
        gain *= law(region.fade_in, n);
    }
    let left = region.length.0 - 1 - n;
    if left < region.fade_out.length.0 {
        gain *= law(region.fade_out, left);
    }
    gain
}

fn lane_sample(lane: &Lane, channel: usize, width: usize, at: i64, takes: &Takes) -> f64 {
    let mut sum = 0.0;
    for region in lane.regions.iter().filter(|region| region.contains(Position(at))) {
        let n = u64::try_from(at - region.at.0).unwrap();
        let own = usize::from(takes.channels(region.asset).unwrap());
        let sample = f64::from(takes.sample(region.asset, channel.min(own - 1), region.source_in + n));
        let spread = if own < width { 0.5f64.sqrt() } else { 1.0 };
        sum += sample * region_gain(region, n) * spread;
    }
    let sign = if lane.polarity == Polarity::Inverted { -1.0 } else { 1.0 };
    sum * sign * 10f64.powf(lane.gain_db.0 / 20.0)
}

fn width_of(lane: &Lane, takes: &Takes) -> usize {
    let widths = lane.regions.iter().map(|region| takes.channels(region.asset).unwrap());
    usize::from(widths.max().unwrap_or_else(|| takes.channels(lane.asset).unwrap()))
}

fn stack_sample(song: &Song, side: usize, at: i64, takes: &Takes) -> f64 {
    let sounding = song.lanes.iter().filter(|lane| !lane.mute && lane.role != Role::Backing);
    sounding
        .map(|lane| {
            let width = width_of(lane, takes);
            let angle = (lane.pan.0 + 1.0) * std::f64::consts::FRAC_PI_4;
            let gain = if side == 0 { angle.cos() } else { angle.sin() };
            let gain = if width == 2 { (gain * 2f64.sqrt()).min(1.0) } else { gain };
            lane_sample(lane, side.min(width - 1), width, at, takes) * gain
        })
        .sum()
}

// ---- properties ----------------------------------------------------------------------------------------

const START: i64 = -1000;
const FRAMES: usize = 5000;

fn any_split() -> impl Strategy<Value = Vec<usize>> {
    let length = prop_oneof![Just(0usize), Just(1), 2usize..40, 40usize..1500];
    prop::collection::vec(length, 0..400).prop_map(|lengths| {
        let mut left = FRAMES;
        let mut split: Vec<usize> = lengths
            .into_iter()
            .map(|length| {
                let length = length.min(left);
                left -= length;
                length
            })
            .collect();
        split.push(left);
        split
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn any_split_into_blocks_gives_the_same_bits(song in any_song(), split in any_split(), scratch in 0usize..300) {
        let takes = three_takes();
        prop_assert_eq!(check_song(&song, &takes), vec![]);
        let plan = plan(&song, &takes);
        for index in 0..plan.lanes().len() {
            let whole = lane_in_blocks(&plan, index, START, &[FRAMES], FRAMES, &takes);
            let parts = lane_in_blocks(&plan, index, START, &split, scratch, &takes);
            prop_assert_eq!(bits(&whole), bits(&parts));
        }
        let whole = stack_in_blocks(&plan, START, &[FRAMES], &takes);
        prop_assert_eq!(bits(&whole), bits(&stack_in_blocks(&plan, START, &split, &takes)));
    }

    #[test]
    fn the_kernel_agrees_with_the_formulas(mut song in any_song()) {
        let takes = three_takes();
        // A high-pass is held against its own figures where it is made.
        for region in song.lanes.iter_mut().flat_map(|lane| &mut Arc::make_mut(lane).regions) {
            Arc::make_mut(region).highpass_hz = None;
        }
        let plan = plan(&song, &takes);
        for (index, lane) in song.lanes.iter().enumerate() {
            let width = width_of(lane, &takes);
            let found = lane_in_blocks(&plan, index, START, &[FRAMES], 100, &takes);
            prop_assert_eq!(found.len(), width);
            for (channel, found) in found.iter().enumerate() {
                let wanted = (0..).map(|n| lane_sample(lane, channel, width, START + n, &takes));
                prop_assert!(difference_db(found, wanted) < -120.0);
            }
        }
        for (side, found) in stack_in_blocks(&plan, START, &[FRAMES], &takes).iter().enumerate() {
            let wanted = (0..).map(|n| stack_sample(&song, side, START + n, &takes));
            prop_assert!(difference_db(found, wanted) < -120.0);
        }
    }

    #[test]
    fn stems_add_up_to_their_stack(song in any_song()) {
        let takes = three_takes();
        let plan = plan(&song, &takes);
        let stack = stack_in_blocks(&plan, START, &[FRAMES], &takes);
        let mut sums = [vec![0.0f64; FRAMES], vec![0.0f64; FRAMES]];
        for (index, lane) in plan.lanes().iter().enumerate().filter(|(_, lane)| lane.in_stack()) {
            let signal = lane_in_blocks(&plan, index, START, &[FRAMES], 100, &takes);
            let slices: Vec<&[f32]> = signal.iter().map(Vec::as_slice).collect();
            let (mut left, mut right) = (vec![0.0; FRAMES], vec![0.0; FRAMES]);
            pan_into(lane.pan_gains, &slices, &mut left, &mut right);
            for (sum, stem) in sums.iter_mut().zip([left, right]) {
                sum.iter_mut().zip(stem).for_each(|(sum, sample)| *sum += f64::from(sample));
            }
        }
        for (found, sum) in stack.iter().zip(sums) {
            prop_assert!(difference_db(found, sum) < -120.0);
        }
    }

    #[test]
    fn an_edit_keeps_the_other_lanes_of_the_plan(song in any_song(), which in 0usize..4) {
        let takes = three_takes();
        let before = plan(&song, &takes);
        let which = which % song.lanes.len();
        let mut edited = song.clone();
        std::sync::Arc::make_mut(&mut edited.lanes[which]).gain_db = Db(-6.5);
        let after = before.recompile(&edited, &|asset| takes.channels(asset));
        for index in 0..song.lanes.len() {
            let shared = std::sync::Arc::ptr_eq(&before.lanes()[index], &after.lanes()[index]);
            prop_assert_eq!(shared, index != which);
        }
        prop_assert_eq!(&after, &plan(&edited, &takes));
        // Lanes that only changed places are shared too.
        edited.lanes.reverse();
        let turned = after.recompile(&edited, &|asset| takes.channels(asset));
        prop_assert!(turned.lanes().iter().rev().zip(after.lanes()).all(|(a, b)| std::sync::Arc::ptr_eq(a, b)));
    }
}

fn any_number() -> impl Strategy<Value = u64> {
    prop_oneof![0u64..3000, any::<u64>(), Just(u64::MAX)]
}

proptest! {
    /// A song that breaks the rules never gets this far; should it do so, the callback must not fall over.
    #[test]
    fn a_song_without_rules_gives_some_samples(
        raws in prop::collection::vec((any_number(), any_number(), any_number(), any_number(), any_number()), 0..5),
        start in prop_oneof![-3000i64..3000, any::<i64>()],
    ) {
        let regions = raws.into_iter().map(|(source_in, length, at, fade_in, fade_out)| {
            let mut wild = region(1, 1 + source_in % 3, source_in, length, at.cast_signed());
            wild.fade_in = fade(fade_in, Curve::Exponential, f64::NAN);
            wild.fade_out = fade(fade_out, Curve::EqualPower, 1e300);
            wild
        });
        let song = song(vec![lane(1, "wild", regions.collect())]);
        let takes = three_takes();
        let found = lane_in_blocks(&plan(&song, &takes), 0, start, &[700], 33, &takes);
        prop_assert!(found.iter().flatten().all(|sample| sample.is_finite()));
    }
}

// ---- fixed cases ---------------------------------------------------------------------------------------

/// `tests/reference/render_reference.py` renders the same session with numpy and scipy.
#[test]
fn the_stack_agrees_with_a_render_by_numpy_and_scipy() {
    let song: Song = serde_json::from_str(include_str!("reference/render_reference.json")).unwrap();
    let wanted: Vec<f64> = include_bytes!("reference/render_reference.f32")
        .chunks_exact(4)
        .map(|four| f64::from(f32::from_le_bytes(four.try_into().unwrap())))
        .collect();
    let takes = Takes(HashMap::from([
        (AssetId(1), noise(1, 7000, 11)),
        (AssetId(2), noise(2, 6000, 22)),
        (AssetId(3), noise(1, 9000, 33)),
    ]));
    assert_eq!(check_song(&song, &takes), vec![]);
    let found = stack_in_blocks(&plan(&song, &takes), -500, &[300, 10_000, 700], &takes);
    assert_eq!(wanted.len(), 2 * found[0].len());
    assert!(wanted.iter().any(|sample| sample.abs() > 0.9));
    for (side, found) in found.iter().enumerate() {
        let difference = difference_db(found, wanted.iter().skip(side).step_by(2).copied());
        assert!(difference < -120.0, "side {side}: {difference} dB");
    }
}

/// A lane that crosses from one take into another over `overlap` samples.
fn crossing(curve: Curve, overlap: u64, second: u64, second_in: u64) -> Song {
    let mut left = region(1, 1, 0, 10_000 + overlap, 0);
    let mut right = region(2, second, second_in, overlap + 10_000, 10_000);
    left.fade_out = fade(overlap, curve, 0.0);
    right.fade_in = fade(overlap, curve, 0.0);
    song(vec![lane(1, "one", vec![left, right])])
}

#[test]
fn unlike_sounds_cross_with_even_power() {
    const OVERLAP: usize = 400_000;
    let frames = 20_000 + OVERLAP;
    let takes = Takes(HashMap::from([(AssetId(1), noise(1, frames, 5)), (AssetId(2), noise(1, frames, 77))]));
    for curve in [Curve::EqualPower, Curve::SquareRoot] {
        let song = crossing(curve, OVERLAP as u64, 2, 0);
        let found = lane_in_blocks(&plan(&song, &takes), 0, 0, &[frames], 4096, &takes);
        // White noise between -1 and 1 has a mean square of 1/3. Over the whole crossfade, and in four parts of
        // 100 000 samples each.
        for part in [&found[0][10_000..10_000 + OVERLAP]]
            .into_iter()
            .chain(found[0][10_000..10_000 + OVERLAP].chunks(100_000))
        {
            let power: f64 = part.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / part.len() as f64;
            let level = 10.0 * (3.0 * power).log10();
            assert!(level.abs() < 0.2, "{curve:?}: {level} dB");
        }
    }
    // The linear law dips by 3 dB in the middle: the measure above would see it.
    let found =
        lane_in_blocks(&plan(&crossing(Curve::Linear, 400_000, 2, 0), &takes), 0, 0, &[frames], 4096, &takes);
    let middle = &found[0][200_000..220_000];
    let power: f64 = middle.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / middle.len() as f64;
    assert!((10.0 * (3.0 * power).log10() + 3.0103).abs() < 0.2);
}

#[test]
fn a_sound_crossing_into_itself_passes_unchanged() {
    let frames = 20_000 + 5000;
    let takes = Takes(HashMap::from([(AssetId(1), noise(1, frames, 5))]));
    for curve in [Curve::Linear, Curve::RaisedCosine] {
        let song = crossing(curve, 5000, 1, 10_000);
        let found = lane_in_blocks(&plan(&song, &takes), 0, 0, &[frames], 4096, &takes);
        for (index, (found, wanted)) in found[0].iter().zip(&takes.0[&AssetId(1)][0]).enumerate() {
            if (10_000..15_000).contains(&index) {
                // Three roundings to f32 of values below one.
                assert!((found - wanted).abs() <= f32::EPSILON, "{curve:?} at {index}");
            } else {
                assert_eq!(found.to_bits(), wanted.to_bits(), "{curve:?} at {index}");
            }
        }
    }
}

#[test]
fn a_sum_of_equal_lanes_grows_by_six_decibels_and_of_unlike_ones_by_three() {
    // 20·log10(2) = 6.02 dB for each doubling of equal signals, 10·log10(2) = 3.01 dB of unlike ones.
    const FRAMES: usize = 200_000;
    let takes: HashMap<_, _> =
        (1..=8).map(|id| (AssetId(id), noise(1, FRAMES, u32::try_from(id).unwrap() * 7919))).collect();
    let takes = Takes(takes);
    let level = |assets: &[u64]| {
        let lanes =
            (1..).zip(assets).map(|(id, asset)| lane(id, "x", vec![region(id, *asset, 0, 200_000, 0)]));
        let song = song(lanes.collect());
        let [left, _] = stack_in_blocks(&plan(&song, &takes), 0, &[FRAMES], &takes);
        10.0 * (left.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / FRAMES as f64).log10()
    };
    let one = level(&[1]);
    for (doublings, count) in [(1.0, 2), (2.0, 4), (3.0, 8)] {
        assert!((level(&vec![1; count]) - one - 6.0206 * doublings).abs() < 1e-3);
        let unlike: Vec<u64> = (1..=count as u64).collect();
        assert!((level(&unlike) - one - 3.0103 * doublings).abs() < 0.1, "{count} unlike lanes");
    }
}

#[test]
fn a_lane_at_unity_is_its_take_bit_for_bit() {
    let takes = three_takes();
    let song = song(vec![lane(1, "one", vec![region(1, 2, 10, 3000, -7)])]);
    let found = lane_in_blocks(&plan(&song, &takes), 0, -7, &[3000], 1, &takes);
    for (found, take) in found.iter().zip(&takes.0[&AssetId(2)]) {
        assert_eq!(found, &take[10..3010]);
    }
}

#[test]
fn empty_lanes_far_positions_and_empty_blocks_are_silence() {
    let takes = three_takes();
    let song = song(vec![lane(1, "none", vec![]), lane(2, "one", vec![region(1, 1, 0, 10, 0)])]);
    let plan = plan(&song, &takes);
    for (index, at) in [(0, 0), (1, 10), (1, -5000), (1, i64::MAX - 5), (1, i64::MIN)] {
        let found = lane_in_blocks(&plan, index, at, &[0, 3, 0, 40], 8, &takes);
        assert!(found[0].iter().all(|sample| *sample == 0.0), "lane {index} at {at}");
    }
    assert_eq!(plan.extent().map(|span| (span.start.0, span.end.0)), Some((0, 10)));
}

#[test]
fn solo_is_heard_alone_and_leaves_the_stack_as_it_is() {
    let mut lanes: Vec<Lane> = (1..=4).map(|id| lane(id, "x", vec![region(id, 1, 0, 10, 0)])).collect();
    lanes[1].mute = true;
    lanes[3].role = Role::Backing;
    let takes = three_takes();
    let quiet = plan(&song(lanes.clone()), &takes);
    let heard = |plan: &Plan| (0..5).map(|index| plan.is_heard(index)).collect::<Vec<_>>();
    assert_eq!(heard(&quiet), [true, false, true, true, false]);
    lanes[1].solo = true;
    lanes[1].pan = Pan(0.5);
    let soloed = plan(&song(lanes), &takes);
    assert_eq!(heard(&soloed), [false, true, false, false, false]);
    let stack = |plan: &Plan| plan.lanes().iter().map(|lane| lane.in_stack()).collect::<Vec<_>>();
    assert_eq!(stack(&quiet), [true, false, true, false]);
    assert_eq!(stack(&soloed), stack(&quiet));
}
