//! The tone stage: any split of blocks, any company, live and offline, gives the same bits; it stands what is bad.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod rendering;
mod toning;

use std::sync::Arc;

use proptest::prelude::*;
use rendering::{Takes, lane, noise as take, region, song};
use tautline::mix::{Ear, Plan, Scratch, ToneStage, render_edits};
use tautline::song::tone::{Band, BandShape, Compress, Deess, DeessShape, HighPass, Slope, Stage};
use tautline::song::{AssetId, Db, LaneId, Position, Song, Tone};
use tautline::sound::bank::{Bank, Blocks, Hear, PREROLL_BOUND_DB, Search, Voice};
use toning::{bank, bits, noise, process, rms_db, run, sine, whole_chain};

const RATE: u32 = 48_000;

/// Any tone within the ranges.
fn any_tone() -> impl Strategy<Value = Tone> {
    let band =
        (0..4usize, 20.0..20_000.0, -24.0..24.0, 0.2..20.0).prop_map(|(shape, frequency_hz, gain, q)| Band {
            shape: BandShape::ALL[shape].0,
            frequency_hz,
            gain_db: Db(gain),
            q,
        });
    let bands = prop::array::uniform4(prop::option::of(band));
    let highpass = prop::option::of((20.0..1000.0, any::<bool>()).prop_map(|(frequency_hz, steep)| {
        HighPass { frequency_hz, slope: if steep { Slope::TwentyFour } else { Slope::Twelve } }
    }));
    let deess = prop::option::of((any::<bool>(), any::<bool>(), -60.0..0.0, 0.0..24.0).prop_map(
        |(shelf, relative, threshold, most)| Deess {
            shape: if shelf { DeessShape::Shelf } else { DeessShape::Bell },
            relative,
            threshold_db: Db(threshold),
            most_db: Db(most),
            ..Deess::default()
        },
    ));
    let compress =
        prop::option::of((-60.0..0.0, 1.0..100.0, 0.0..24.0, prop::option::of(20.0..2000.0)).prop_map(
            |(threshold, ratio, knee, detector_highpass_hz)| Compress {
                threshold_db: Db(threshold),
                ratio,
                knee_db: Db(knee),
                detector_highpass_hz,
                ..Compress::default()
            },
        ));
    let order = Just(Stage::ORDER.to_vec()).prop_shuffle();
    let level = (prop::option::of(0.0..12.0), prop::option::of(-24.0..24.0));
    (highpass, bands, deess, compress, order, level).prop_map(
        |(highpass, bands, deess, compress, order, (drive, gain))| Tone {
            highpass,
            bands,
            deess,
            compress,
            order: order.try_into().unwrap(),
            drive_db: Db(drive.unwrap_or(0.0)),
            gain_db: Db(gain.unwrap_or(0.0)),
            ..Tone::default()
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn any_split_and_any_place_on_the_grid_give_the_same_bits(
        tone in any_tone(),
        blocks in prop::collection::vec(1usize..400, 1..8),
        start in -500i64..500,
        stereo in any::<bool>(),
    ) {
        let channels: Vec<Vec<f32>> = (0..if stereo { 2 } else { 1 }).map(|c| noise(2000, 9 + c)).collect();
        let slices: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
        let render = |blocks: &[usize]| run(&mut bank(&tone, RATE, slices.len()), start, &slices, blocks);
        prop_assert_eq!(bits(&render(&blocks)), bits(&render(&[2000])));
    }

    #[test]
    fn a_lane_sounds_the_same_in_any_company(tones in prop::collection::vec(any_tone(), 2..20), odd in 0usize..20) {
        let odd = odd % tones.len();
        let widths: Vec<usize> = (0..tones.len()).map(|index| 1 + index % 2).collect();
        let voices: Vec<Voice> = tones
            .iter()
            .zip(&widths)
            .zip(1..)
            .map(|((tone, channels), key)| Voice { key, tone, channels: *channels, hear: Hear::Tone, search: None })
            .collect();
        let signals = |voice: usize| -> Vec<Vec<f32>> {
            (0..widths[voice]).map(|c| noise(1000, u32::try_from(voice * 2 + c).unwrap())).collect()
        };
        struct All(Vec<Vec<Vec<f32>>>);
        impl Blocks for All {
            fn block(&mut self, voice: usize, channel: usize) -> &mut [f32] {
                &mut self.0[voice][channel]
            }
        }
        let mut all = All((0..tones.len()).map(signals).collect());
        Bank::new(&voices, RATE).groups_mut().iter_mut().for_each(|group| group.process(0, 1000, &mut all));
        let own = signals(odd);
        let slices: Vec<&[f32]> = own.iter().map(Vec::as_slice).collect();
        prop_assert_eq!(bits(&all.0[odd]), bits(&process(&tones[odd], RATE, &slices, &[1000])));
    }

    #[test]
    fn no_tone_runs_away(tone in any_tone(), rate in prop::sample::select(vec![8000u32, 44_100, 192_000])) {
        let mut input = noise(3000, 1);
        input.splice(1000..2000, vec![1.0f32; 1000]);
        let out = process(&tone, rate, &[&input], &[128]).remove(0);
        // Four bands and the gain may each add 24 dB, a filter of Q 20 rings another 26 dB above a noise's level.
        prop_assert!(out.iter().all(|sample| sample.is_finite() && sample.abs() < 1e9));
    }
}

/// A song of three lanes with their tones, and its takes: mono, stereo, and mono again but cut up.
fn three_lanes() -> (Song, Takes) {
    let takes = Takes(std::collections::HashMap::from([
        (AssetId(1), take(1, 40_000, 1)),
        (AssetId(2), take(2, 40_000, 2)),
        (AssetId(3), take(1, 40_000, 3)),
    ]));
    let mut lanes = vec![
        lane(1, "one", vec![region(1, 1, 0, 30_000, 100)]),
        lane(2, "two", vec![region(2, 2, 50, 9000, -300), region(3, 2, 9100, 20_000, 9000)]),
        lane(3, "three", vec![region(4, 3, 0, 12_000, 4000), region(5, 3, 15_000, 12_000, 17_000)]),
    ];
    let chain = whole_chain();
    lanes[0].tone = Some(Arc::new(chain.clone()));
    lanes[1].tone = Some(Arc::new(Tone {
        order: [Stage::Compress, Stage::Eq, Stage::Drive, Stage::Deess],
        ..chain.clone()
    }));
    lanes[2].tone = Some(Arc::new(Tone { drive_db: Db(0.0), ..chain }));
    (song(lanes), takes)
}

fn plan(song: &Song, takes: &Takes) -> Plan {
    Plan::compile(song, RATE, &|asset| takes.channels(asset))
}

struct Rows {
    blocks: Vec<[Vec<f32>; 2]>,
    frames: usize,
}

impl Blocks for Rows {
    fn block(&mut self, row: usize, channel: usize) -> &mut [f32] {
        &mut self.blocks[row][channel][..self.frames]
    }
}

/// Renders all lanes from `start` on in blocks, as an engine would: edits, then the stage.
fn render(
    plan: &Plan,
    stage: &mut ToneStage,
    start: i64,
    frames: usize,
    blocks: &[usize],
    takes: &Takes,
) -> Vec<Vec<f32>> {
    let (mut takes, mut scratch) = (takes.clone(), Scratch::new(64));
    let mut whole = vec![Vec::new(); plan.lanes().len() * 2];
    let mut lengths = blocks.iter().copied().cycle();
    let mut done = 0;
    while done < frames {
        let count = lengths.next().unwrap().min(frames - done);
        let at = start + i64::try_from(done).unwrap();
        let mut rows =
            Rows { blocks: vec![[vec![0.0; count], vec![0.0; count]]; plan.lanes().len()], frames: count };
        for (lane, [left, right]) in plan.lanes().iter().zip(&mut rows.blocks) {
            let mut slices: Vec<&mut [f32]> = vec![left, right];
            slices.truncate(usize::from(lane.channels));
            render_edits(lane, Position(at), &mut slices, &mut takes, &mut scratch);
        }
        stage.process(at, count, &mut rows);
        for (whole, block) in whole.iter_mut().zip(rows.blocks.into_iter().flatten()) {
            whole.extend(block);
        }
        done += count;
    }
    whole
}

#[test]
fn live_blocks_give_the_bits_of_the_bounces_chunks() {
    let (song, takes) = three_lanes();
    let plan = plan(&song, &takes);
    let offline = render(&plan, &mut ToneStage::new(&plan), -300, 33_000, &[16_384], &takes);
    for blocks in [&[128][..], &[64], &[441], &[1, 700, 33], &[4096]] {
        let live = render(&plan, &mut ToneStage::new(&plan), -300, 33_000, blocks, &takes);
        assert_eq!(bits(&live), bits(&offline), "blocks of {blocks:?}");
    }
    assert!(offline.iter().map(|channel| rms_db(channel)).fold(-200.0, f64::max) > -30.0, "all was silent");
}

#[test]
fn from_before_a_lanes_first_sample_on_every_start_gives_the_same_bits() {
    let (song, takes) = three_lanes();
    let plan = plan(&song, &takes);
    let whole = render(&plan, &mut ToneStage::new(&plan), -5000, 15_000, &[128], &takes);
    // Lane 3 begins at 4000; 4987 - 1000 is before that, and on no special place.
    for start in [-300, 987, 3987, 4000] {
        let later = render(&plan, &mut ToneStage::new(&plan), start, 3000, &[300], &takes);
        let skip = usize::try_from(start + 5000).unwrap();
        assert_eq!(bits(&[later[4].clone()]), bits(&[whole[4][skip..skip + 3000].to_vec()]), "from {start}");
    }
}

#[test]
fn a_start_in_mid_song_with_its_pre_roll_is_within_the_stated_bound() {
    let (song, takes) = three_lanes();
    let plan = plan(&song, &takes);
    let mut stage = ToneStage::new(&plan);
    let whole = render(&plan, &mut ToneStage::new(&plan), -300, 30_000, &[128], &takes);
    let preroll = i64::try_from(stage.preroll()).unwrap();
    assert!((1000..96_000).contains(&preroll), "{preroll}");
    // The song is shorter than the pre-roll, so a shorter one stands for it: the bound must hold far earlier than promised.
    let (start, early) = (24_000i64, preroll.min(20_000));
    let skip = usize::try_from(early).unwrap();
    let part = render(&plan, &mut stage, start - early, skip + 4000, &[128], &takes);
    for (channel, (part, whole)) in part.iter().zip(&whole).enumerate() {
        let whole = &whole[24_300..28_300];
        let error: Vec<f32> = part[skip..].iter().zip(whole).map(|(a, b)| a - b).collect();
        if rms_db(whole) > -100.0 {
            let distance = rms_db(&error) - rms_db(whole);
            assert!(distance < PREROLL_BOUND_DB, "channel {channel}: {distance} dB");
        }
    }
}

#[test]
fn a_jump_begins_from_silence_and_a_reset_stage_is_a_new_one() {
    let tone = whole_chain();
    let signal = noise(3000, 2);
    let new = process(&tone, RATE, &[&signal], &[128]);
    let mut used = bank(&tone, RATE, 1);
    run(&mut used, 77_000, &[&signal], &[128]);
    assert_eq!(bits(&run(&mut used, 0, &[&signal], &[128])), bits(&new), "after a jump");
    used.reset();
    assert_eq!(bits(&run(&mut used, 0, &[&signal], &[128])), bits(&new), "after a reset");
}

#[test]
fn a_loop_that_is_restored_sounds_the_same_each_time() {
    let (song, takes) = three_lanes();
    let plan = plan(&song, &takes);
    let mut stage = ToneStage::new(&plan);
    render(&plan, &mut stage, 0, 9000, &[128], &takes);
    let kept = stage.clone();
    let first = render(&plan, &mut stage, 9000, 5000, &[128], &takes);
    for _ in 0..2 {
        assert!(stage.restore(&kept));
        assert_eq!(bits(&render(&plan, &mut stage, 9000, 5000, &[250], &takes)), bits(&first));
    }
    assert!(!stage.restore(&ToneStage::new(&self::plan(&Song::default(), &takes))));
}

#[test]
fn a_swap_to_the_same_settings_is_not_heard_at_all() {
    let (song, takes) = three_lanes();
    let plan = plan(&song, &takes);
    let whole = render(&plan, &mut ToneStage::new(&plan), 0, 12_000, &[128], &takes);
    let mut old = ToneStage::new(&plan);
    let mut out = render(&plan, &mut old, 0, 6000, &[128], &takes);
    let mut new = ToneStage::for_listening(&plan, &|_| Ear::default(), Some(&old));
    new.adopt(&old);
    for (out, more) in out.iter_mut().zip(render(&plan, &mut new, 6000, 6000, &[128], &takes)) {
        out.extend(more);
    }
    assert_eq!(bits(&out), bits(&whole));
}

#[test]
fn a_swap_to_other_settings_glides_without_a_click_and_arrives() {
    // A smooth signal: any jump of the output is a click.
    let input = sine(440.0, -6.0, 24_000, RATE);
    let steps =
        |samples: &[f32]| samples.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0f32, f32::max);
    let loud = Tone { gain_db: Db(12.0), ..toning::whole_equaliser() };
    for (from, to) in
        [(Tone::default(), loud.clone()), (loud.clone(), Tone::default()), (loud.clone(), whole_chain())]
    {
        let voice = |tone| vec![Voice { key: 5, tone, channels: 1, hear: Hear::Tone, search: None }];
        let mut old = Bank::new(&voice(&from), RATE);
        let mut out = run(&mut old, 0, &[&input[..10_000]], &[100]).remove(0);
        let mut new = Bank::new(&voice(&to), RATE);
        new.adopt(&old);
        let mut again = Bank::new(&voice(&to), RATE);
        again.adopt(&old);
        let rest = run(&mut new, 10_000, &[&input[10_000..]], &[100]).remove(0);
        let split = run(&mut again, 10_000, &[&input[10_000..]], &[1, 63, 500, 37]).remove(0);
        assert!(bits(std::slice::from_ref(&rest)) == bits(&[split]), "a glide depends on blocks");
        out.extend(rest);
        let before = steps(&out[5000..9900]);
        let settled = steps(&out[20_000..]);
        let around = steps(&out[9900..13_000]);
        // Filters ring a little while they move; a jump would be many times that.
        assert!(
            around < 1.3 * before.max(settled),
            "a step of {around} where {before} and {settled} are usual"
        );
        let straight = process(&to, RATE, &[&input], &[128]).remove(0);
        let apart =
            straight[22_000..].iter().zip(&out[22_000..]).map(|(a, b)| (a - b).abs()).fold(0.0f32, f32::max);
        assert!(apart < 1e-3, "after the glide {apart} apart");
    }
}

#[test]
fn silence_stays_silence_and_what_is_no_number_does_not_stay() {
    let tone = whole_chain();
    assert!(process(&tone, RATE, &[&vec![0.0; 5000]], &[128])[0].iter().all(|sample| sample.to_bits() == 0));
    let mut bad = noise(60_000, 8);
    bad[100] = f32::NAN;
    bad[200] = f32::INFINITY;
    bad[300] = -1e30;
    bad[400] = f32::MIN_POSITIVE / 2.0;
    bad[1000..].fill(0.0);
    let out = process(&tone, RATE, &[&bad], &[128]).remove(0);
    assert!(out.iter().all(|sample| sample.is_finite()));
    // After the sound has rung out nothing is left, not even a denormal.
    assert!(out[40_000..].iter().all(|sample| sample.to_bits() == 0));
}

#[test]
fn listening_choices_are_what_they_say() {
    let (song, takes) = three_lanes();
    let plan = plan(&song, &takes);
    let through = |ear: Ear| {
        let mut stage =
            ToneStage::for_listening(&plan, &|id| if id == LaneId(3) { ear } else { Ear::default() }, None);
        render(&plan, &mut stage, 4000, 8000, &[128], &takes).remove(4)
    };
    // Lane 3's chain: equaliser, de-esser, compressor.
    let before = through(Ear { before: true, ..Ear::default() });
    let mut edits = Rows { blocks: vec![[vec![0.0; 8000], vec![]]], frames: 8000 };
    render_edits(
        &plan.lanes()[2],
        Position(4000),
        &mut [&mut edits.blocks[0][0]],
        &mut takes.clone(),
        &mut Scratch::new(64),
    );
    assert_eq!(bits(&[before]), bits(&[edits.blocks[0][0].clone()]), "before is the lane without its tone");
    // What the de-esser takes out is its input without its output.
    let with_skip = |skip: Vec<Stage>| {
        let mut song = song.clone();
        let lane = Arc::make_mut(&mut song.lanes[2]);
        lane.tone = Some(Arc::new(Tone { skip, gain_db: Db(0.0), ..lane.tone.as_deref().unwrap().clone() }));
        let plan = self::plan(&song, &takes);
        render(&plan, &mut ToneStage::new(&plan), 4000, 8000, &[128], &takes).remove(4)
    };
    let taken = through(Ear { hear: Hear::DeessTakes, ..Ear::default() });
    let input = with_skip(vec![Stage::Deess, Stage::Compress]);
    let output = with_skip(vec![Stage::Compress]);
    assert!(rms_db(&taken) > -60.0, "nothing was taken out: nothing is shown");
    for ((taken, input), output) in taken.iter().zip(&input).zip(&output) {
        assert!((taken - (input - output)).abs() < 1e-6);
    }
    let detector = through(Ear { hear: Hear::DeessDetector, ..Ear::default() });
    assert!(rms_db(&detector) > rms_db(&taken));
    // A search boost is held to 12 dB.
    let search =
        |gain_db| Ear { search: Some(Search { frequency_hz: 3000.0, gain_db, q: 8.0 }), ..Ear::default() };
    assert_eq!(bits(&[through(search(40.0))]), bits(&[through(search(12.0))]));
}
