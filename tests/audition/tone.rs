//! Lanes with a tone: what is heard is what the bounce writes that begins there, bit for bit; changes do not click.
#![allow(clippy::cast_possible_wrap, reason = "small numbers")]

use std::sync::Arc;

use proptest::prelude::*;
use tautline::audition::{Choice, Command, Listening, Setup, Staged, Through};
use tautline::handoff::{BounceOptions, BounceRequest, FileKind, bounce};
use tautline::media::{OutputFormat, Silent};
use tautline::mix::{Ear, ToneStage};
use tautline::song::tone::{Compress, Deess, Stage};
use tautline::song::{AssetId, Db, LaneId, Length, Position, Song, Span, Tone};
use tautline::sound::bank::{Hear, MOST_SEARCH_DB, Search};
use tautline::sound::loudness::{LoudnessMeter, loudness, matched_gain_db};

use crate::engine::{Rig, plan, scene};
use crate::rendering::{Takes, lane, noise, region, song};
use crate::toning::{band_noise, rms_db, sine, vowel, whole_chain};

const RATE: u32 = 48_000;
const SWAP: usize = 37;
const SEAM: u64 = 29;

fn setup() -> Setup {
    Setup { swap: SWAP as u64, seam: SEAM, ramp: 23, ..Setup::at_unity(RATE) }
}

/// Ten lanes, mono and stereo, two groups and two orders of processors, one lane without a tone, regions with gaps.
fn ten_lanes() -> (Song, Takes) {
    let take = |id: u64| noise(if id.is_multiple_of(4) { 2 } else { 1 }, 90_000, id as u32);
    let takes = Takes((1..=10).map(|id| (AssetId(id), take(id))).collect());
    let one = |id: u64| {
        let at = id as i64 * 130;
        let regions =
            vec![region(id * 10, id, 7, 30_000, at), region(id * 10 + 1, id, 35_000, 50_000, at + 33_000)];
        let mut lane = lane(id, "x", regions);
        // Quiet enough that the ceiling leaves every bit alone.
        lane.gain_db = Db(-45.0);
        let order = [Stage::Deess, Stage::Compress, Stage::Eq, Stage::Drive];
        lane.tone = match id % 5 {
            0 => None,
            1 => Some(Arc::new(Tone { order, ..whole_chain() })),
            _ => Some(Arc::new(whole_chain())),
        };
        lane
    };
    (song((1..=10).map(one).collect()), takes)
}

fn changed(song: &Song, change: impl Fn(&mut Tone)) -> Song {
    let mut song = song.clone();
    for lane in &mut song.lanes {
        let lane = Arc::make_mut(lane);
        if let Some(tone) = &mut lane.tone {
            change(Arc::make_mut(tone));
        }
    }
    song
}

/// The stack's file of a bounce from a position on.
fn bounced(song: &Song, takes: &Takes, from: i64, frames: u64) -> Vec<[f32; 2]> {
    let folder = tempfile::tempdir().unwrap();
    let assets = takes.write(folder.path(), RATE);
    let request = BounceRequest {
        song,
        rate: RATE,
        title: "t",
        assets: &assets,
        folder: &folder.path().join("out"),
        format: OutputFormat::F32,
        overwrite: true,
        options: BounceOptions {
            from: Some(Position(from)),
            until: Some(Position(from) + Length(frames)),
            ..BounceOptions::default()
        },
    };
    let done = bounce(&request, &Silent).unwrap();
    let stack = done.files.iter().find(|file| file.kind == FileKind::Stack).unwrap();
    let mut reader = hound::WavReader::open(&stack.path).unwrap();
    let samples: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
    samples.chunks_exact(2).map(|frame| [frame[0], frame[1]]).collect()
}

fn bits(frames: &[[f32; 2]]) -> Vec<[u32; 2]> {
    // The sign of a silent sample is of no importance.
    frames.iter().map(|frame| frame.map(|sample| (sample + 0.0).to_bits())).collect()
}

fn loudest(frames: &[[f32; 2]]) -> f32 {
    frames.iter().flatten().fold(0.0, |most, sample| most.max(sample.abs()))
}

fn stack() -> Listening {
    Listening::to(Choice::Stack)
}

/// Runs so many frames in callbacks of the given lengths, over and over.
fn run(rig: &mut Rig, frames: usize, callbacks: &[usize]) {
    let (mut left, mut lengths) = (frames, callbacks.iter().cycle());
    while left > 0 {
        let count = (*lengths.next().unwrap()).min(left);
        rig.run(count);
        left -= count;
    }
}

/// The frame of the stream at which the newest jump to `at` began.
fn began(rig: &mut Rig, at: i64) -> usize {
    let marks: Vec<_> = rig.remote.marks().collect();
    let mark = marks.iter().rev().find(|mark| mark.moving && mark.at == Position(at)).expect("a mark");
    usize::try_from(mark.stream).unwrap()
}

#[test]
fn a_play_from_anywhere_is_the_bounce_that_begins_there() {
    let (song, takes) = ten_lanes();
    for (from, callbacks) in [(0, &[128][..]), (-500, &[512]), (20_011, &[1, 700, 33]), (61_234, &[441])] {
        let wanted = bounced(&song, &takes, from, 9000);
        let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
        rig.play(from);
        run(&mut rig, 13_000, callbacks);
        let begun = began(&mut rig, from);
        assert!(begun < 4000, "waited {begun} frames");
        assert_eq!(begun == 0, from <= 0, "nothing lies before the start of the song");
        let heard = &rig.heard()[begun..begun + 9000];
        assert!(loudest(heard) > 0.001 && loudest(heard) < 0.5);
        assert_eq!(bits(heard), bits(&wanted), "from {from}");
    }
}

#[test]
fn a_bounce_of_a_part_is_near_the_bounce_of_the_whole() {
    let (song, takes) = ten_lanes();
    let (whole, part) = (bounced(&song, &takes, -300, 80_000), bounced(&song, &takes, 60_000, 9000));
    let error: Vec<f32> = part.iter().zip(&whole[60_300..]).map(|(a, b)| a[0] - b[0]).collect();
    let signal: Vec<f32> = part.iter().map(|frame| frame[0]).collect();
    let distance = rms_db(&error) - rms_db(&signal);
    assert!(distance < tautline::sound::bank::PREROLL_BOUND_DB, "{distance} dB");
}

#[test]
fn a_jump_while_it_plays_is_the_bounce_that_begins_there() {
    let (song, takes) = ten_lanes();
    let wanted = bounced(&song, &takes, 45_678, 6000);
    let first = bounced(&song, &takes, 0, 5000);
    for callbacks in [&[128][..], &[64, 1, 300], &[4096]] {
        let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
        rig.play(0);
        run(&mut rig, 2000, callbacks);
        rig.send(Command::Locate(Position(45_678)));
        run(&mut rig, 12_000, callbacks);
        let begun = began(&mut rig, 45_678);
        let heard = rig.heard();
        // What was heard sounds on until the jump, whole.
        assert!((2000..5000).contains(&begun), "{begun}");
        assert!(bits(&heard[..begun]) == bits(&first[..begun]));
        assert!(bits(&heard[begun + SWAP..begun + 6000]) == bits(&wanted[SWAP..]), "{callbacks:?}");
    }
}

#[test]
fn every_pass_of_a_loop_is_the_bounce_from_its_start() {
    let (song, takes) = ten_lanes();
    let (start, end) = (40_000i64, 52_000i64);
    let wanted = bounced(&song, &takes, start, 12_000);
    let rise = bounced(&song, &takes, start, 1);
    assert_eq!(rise.len(), 1);
    for callbacks in [&[128][..], &[1000, 7, 64]] {
        let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
        rig.send(Command::Loop(Some(Span { start: Position(start), end: Position(end) })));
        rig.play(start);
        run(&mut rig, 12_000 * 4 + 4000, callbacks);
        let marks: Vec<_> = rig.remote.marks().collect();
        let passes: Vec<usize> = marks
            .iter()
            .filter(|mark| mark.moving && mark.at == Position(start))
            .map(|mark| usize::try_from(mark.stream).unwrap())
            .collect();
        let mut passes = passes;
        passes.dedup();
        assert!(passes.len() >= 4, "{passes:?}");
        let heard = rig.heard();
        for pass in &passes[..4] {
            // All but the seam, where the end is blended into what lies before the start.
            let body = 12_000 - SEAM as usize;
            assert!(bits(&heard[*pass..*pass + body]) == bits(&wanted[..body]), "the pass at {pass}");
        }
        // In the middle of the seam half of the end and half of what comes before the start, through the same processors.
        let middle = passes[1] - SEAM as usize / 2 - 1;
        assert_ne!(bits(&heard[middle..=middle]), bits(&wanted[middle - passes[0]..=middle - passes[0]]));
    }
}

#[test]
fn an_edit_of_the_tone_is_heard_at_once_glides_and_is_exact_from_the_next_pass_on() {
    let (song, takes) = ten_lanes();
    let after = changed(&song, |tone| tone.bands[1].as_mut().unwrap().gain_db = Db(6.0));
    let wanted = bounced(&after, &takes, 40_000, 12_000);
    let mut heards = Vec::new();
    for callbacks in [&[128][..], &[33, 500, 1]] {
        let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
        rig.send(Command::Loop(Some(Span { start: Position(40_000), end: Position(52_000) })));
        rig.play(40_000);
        run(&mut rig, 4000, callbacks);
        rig.send(Command::Scene(Staged::new(scene(&after, &takes, &stack()))));
        run(&mut rig, 30_000, callbacks);
        let passes: Vec<usize> = rig
            .remote
            .marks()
            .filter(|mark| mark.moving && mark.at == Position(40_000))
            .map(|mark| usize::try_from(mark.stream).unwrap())
            .collect();
        let second = *passes.iter().find(|stream| **stream > 4000).unwrap();
        let heard = rig.heard();
        let body = 12_000 - SEAM as usize;
        assert!(bits(&heard[second..second + body]) == bits(&wanted[..body]));
        heards.push(bits(&heard));
    }
    assert!(heards[0] == heards[1], "it depends on the callbacks");
    // At once: no wait for a pre-roll.
    let unchanged = {
        let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
        rig.send(Command::Loop(Some(Span { start: Position(40_000), end: Position(52_000) })));
        rig.play(40_000);
        run(&mut rig, 34_000, &[128]);
        bits(&rig.heard())
    };
    let first = unchanged.iter().zip(&heards[0]).position(|(a, b)| a != b).unwrap();
    assert!((4000..4000 + 200).contains(&first), "{first}");
}

#[test]
fn knobs_that_turn_while_it_plays_do_not_click() {
    // A steady tone: every step between its samples is known.
    let takes = Takes([(AssetId(1), vec![sine(220.0, -12.0, 60_000, RATE)])].into());
    let with = |tone: Option<Tone>| {
        let mut lane = lane(1, "t", vec![region(10, 1, 0, 60_000, 0)]);
        lane.tone = tone.map(Arc::new);
        song(vec![lane])
    };
    let squeeze = Compress { threshold_db: Db(-40.0), ..Compress::default() };
    let settings = [
        None,
        Some(Tone { gain_db: Db(6.0), ..Tone::default() }),
        Some(Tone { compress: Some(squeeze), ..Tone::default() }),
        Some(whole_chain()),
        Some(Tone { drive_db: Db(9.0), ..Tone::default() }),
        None,
    ];
    let setup = Setup::at_unity(RATE);
    let mut rig = Rig::new(setup, &takes, scene(&with(None), &takes, &stack()), 0);
    rig.play(0);
    run(&mut rig, 3000, &[128]);
    for tone in settings {
        rig.send(Command::Scene(Staged::new(scene(&with(tone), &takes, &stack()))));
        run(&mut rig, 6000, &[128]);
    }
    let heard = rig.heard();
    for (number, change) in (3000..heard.len() - 3000).step_by(6000).enumerate() {
        let around = &heard[change - 1000..change + 3000];
        let step = around.windows(2).map(|pair| (pair[1][0] - pair[0][0]).abs()).fold(0.0f32, f32::max);
        // A sine of 220 Hz moves by this much of its peak from sample to sample at most; harmonics of the drive, and gains on
        // their way, add some. A jump between two of these settings would be ten times that.
        let own = loudest(around) * (std::f32::consts::TAU * 220.0 / 48_000.0);
        let at = around.windows(2).position(|pair| (pair[1][0] - pair[0][0]).abs() == step);
        assert!(step < 1.4 * own, "change {number}: {step} against {own}, {at:?} - 1000 frames after it");
    }
}

#[test]
fn another_choice_of_lanes_finds_their_processors_ready() {
    let (song, takes) = ten_lanes();
    let alone = |ids: &[u64]| Listening::to(Choice::Lanes(ids.iter().map(|id| LaneId(*id)).collect()));
    let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &alone(&[2])), 0);
    rig.play(0);
    run(&mut rig, 5000, &[128]);
    rig.send(Command::Scene(Staged::new(scene(&song, &takes, &stack()))));
    run(&mut rig, 9000, &[128]);
    let heard = rig.heard();
    let plan = plan(&song, &takes);
    let stage = ToneStage::new(&plan);
    // Heard where it goes on, as a bounce has it that begins there: within the bound of the pre-roll from the whole bounce.
    let whole = bounced(&song, &takes, 0, 14_000);
    assert!(stage.preroll() > 9000, "the song begins within the pre-roll: the two are the same");
    let begun = heard.iter().zip(&whole).skip(5000).position(|(a, b)| bits(&[*a]) == bits(&[*b])).unwrap();
    assert!(begun < 2000, "{begun}");
    assert!(bits(&heard[9000..]) == bits(&whole[9000..]));
}

#[test]
fn a_stop_keeps_its_place_and_its_state() {
    let (song, takes) = ten_lanes();
    let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
    rig.play(0);
    run(&mut rig, 5000, &[128]);
    rig.send(Command::Stop);
    run(&mut rig, 500, &[128]);
    let at = rig.remote.board().position();
    rig.send(Command::Play { from: None, until: None, frames: None });
    run(&mut rig, 3000, &[128]);
    let whole = bounced(&song, &takes, 0, 9000);
    let heard = rig.heard();
    let place = usize::try_from(at.0).unwrap();
    let begun = 5500;
    // No wait, no second attack of the compressors.
    assert!(bits(&heard[begun + 23..begun + 2000]) == bits(&whole[place + 23..place + 2000]));
}

#[derive(Debug, Clone)]
enum Act {
    Swap(usize),
    Jump(i64),
    Loop(Option<(i64, i64)>),
    Stop,
    Play,
}

fn any_act() -> impl Strategy<Value = Act> {
    prop_oneof![
        3 => (0usize..4).prop_map(Act::Swap),
        2 => (-600i64..70_000).prop_map(Act::Jump),
        2 => prop::option::of((-300i64..60_000, 60i64..9000)).prop_map(|span| {
            Act::Loop(span.map(|(start, length)| (start, start + length)))
        }),
        1 => Just(Act::Stop),
        1 => Just(Act::Play),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_done_the_callbacks_do_not_matter(
        mut acts in prop::collection::vec((1usize..11_000, any_act()), 0..12),
        cuts in prop::collection::vec(0usize..12_000, 0..40),
    ) {
        let (song, takes) = ten_lanes();
        acts.sort_by_key(|(at, _)| *at);
        let other = changed(&song, |tone| { tone.compress.as_mut().unwrap().threshold_db = Db(-40.0); });
        let mut plain = song.clone();
        plain.lanes.iter_mut().for_each(|lane| Arc::make_mut(lane).tone = None);
        let scenes = [
            scene(&song, &takes, &stack()),
            scene(&other, &takes, &stack()),
            scene(&plain, &takes, &stack()),
            scene(&song, &takes, &Listening::to(Choice::Lanes(vec![LaneId(1), LaneId(4), LaneId(5)]))),
        ];
        let render = |cuts: &[usize]| {
            let mut rig = Rig::new(setup(), &takes, Arc::clone(&scenes[0]), 0);
            rig.play(30_000);
            let mut borders: Vec<usize> = cuts.iter().copied().chain(acts.iter().map(|(at, _)| *at)).collect();
            borders.push(12_000);
            borders.sort_unstable();
            let mut done = 0;
            for border in borders {
                rig.run(border - done);
                done = border;
                for (_, act) in acts.iter().filter(|(at, _)| *at == border) {
                    rig.send(match act {
                        Act::Swap(index) => Command::Scene(Staged::new(Arc::clone(&scenes[*index]))),
                        Act::Jump(to) => Command::Locate(Position(*to)),
                        Act::Loop(span) => Command::Loop(
                            span.map(|(start, end)| Span { start: Position(start), end: Position(end) }),
                        ),
                        Act::Stop => Command::Stop,
                        Act::Play => Command::Play { from: None, until: None, frames: None },
                    });
                }
            }
            rig.heard()
        };
        let (whole, split) = (render(&[]), render(&cuts));
        let differs = bits(&whole).iter().zip(bits(&split)).position(|(a, b)| *a != b);
        prop_assert_eq!(differs, None);
    }
}

#[test]
fn a_loop_that_ends_before_its_preroll_is_done_goes_on_from_the_splice_whatever_the_callbacks() {
    let (song, takes) = ten_lanes();
    let render = |callbacks: &[usize]| {
        let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
        rig.send(Command::Loop(Some(Span { start: Position(47_158), end: Position(52_239) })));
        rig.play(51_737);
        run(&mut rig, 6000, callbacks);
        rig.heard()
    };
    let whole = render(&[6000]);
    assert!(loudest(&whole[2000..]) > 0.0);
    for callbacks in [&[1usize][..], &[7], &[64, 1], &[128], &[511, 2]] {
        assert!(bits(&render(callbacks)) == bits(&whole), "{callbacks:?}");
    }
}

/// Words with esses, loud and soft, for the ear.
fn words() -> Takes {
    let mut take = Vec::new();
    for word in 0..6u32 {
        take.extend(vowel(160.0 + 20.0 * f64::from(word), -22.0 + f64::from(word % 3) * 4.0, 16_000, RATE));
        take.extend(band_noise(5600.0, 8600.0, -26.0, 8_000, RATE, word + 1));
    }
    Takes([(AssetId(1), vec![take])].into())
}

fn one_lane(tone: &Tone) -> Song {
    let mut lane = lane(1, "t", vec![region(10, 1, 0, 144_000, 0)]);
    lane.tone = Some(Arc::new(tone.clone()));
    song(vec![lane])
}

fn heard_through(song: &Song, takes: &Takes, through: Option<Through>) -> Vec<f32> {
    let listening = Listening { through, ..Listening::to(Choice::Stack) };
    let mut rig = Rig::new(setup(), takes, scene(song, takes, &listening), 0);
    rig.play(0);
    run(&mut rig, 144_000, &[512]);
    rig.heard().into_iter().map(|frame| frame[0]).collect()
}

fn lufs(samples: &[f32]) -> f64 {
    let mut meter = LoudnessMeter::new(1, RATE);
    meter.add(&[samples]);
    meter.result().integrated_lufs.unwrap()
}

#[test]
fn before_and_after_are_as_loud_as_each_other() {
    let takes = words();
    let loud = Tone {
        deess: Some(Deess { threshold_db: Db(-40.0), most_db: Db(10.0), ..Deess::default() }),
        compress: Some(Compress { threshold_db: Db(-34.0), makeup_db: Db(9.0), ..Compress::default() }),
        ..crate::toning::whole_equaliser()
    };
    for tone in [loud.clone(), Tone { gain_db: Db(-12.0), ..loud }, whole_chain()] {
        let song = one_lane(&tone);
        let raw = &takes.0[&AssetId(1)][0];
        let heard = |samples: &[f32]| lufs(samples);
        let after = heard_through(&song, &takes, None);
        let plain = Ear { before: true, ..Ear::default() };
        let unmatched =
            heard_through(&song, &takes, Some(Through { lane: LaneId(1), ear: plain, gain_db: 0.0 }));
        // As whoever plays works it out: the lane behind its tone against the lane before it.
        let toned = crate::toning::process(&tone, RATE, &[raw], &[512]).remove(0);
        let gain_db = matched_gain_db(&loudness(&[raw], RATE), &loudness(&[&toned], RATE)).unwrap();
        let before = heard_through(&song, &takes, Some(Through { lane: LaneId(1), ear: plain, gain_db }));
        assert!((heard(&unmatched) - heard(&after)).abs() > 1.0, "nothing was to be matched");
        let apart = heard(&before) - heard(&after);
        assert!(apart.abs() < 0.2, "{apart} LU apart");
    }
}

#[test]
fn what_is_listened_for_is_heard_alone_and_a_search_adds_no_more_than_it_may() {
    let takes = words();
    let tone = Tone {
        deess: Some(Deess { threshold_db: Db(-40.0), most_db: Db(8.0), ..Deess::default() }),
        ..Tone::default()
    };
    let song = one_lane(&tone);
    let through =
        |ear: Ear| heard_through(&song, &takes, Some(Through { lane: LaneId(1), ear, gain_db: 0.0 }));
    let plain = heard_through(&song, &takes, None);
    let before = through(Ear { before: true, ..Ear::default() });
    let taken = through(Ear { hear: Hear::DeessTakes, ..Ear::default() });
    for ((plain, before), taken) in plain.iter().zip(&before).zip(&taken) {
        assert!((before - plain - taken).abs() < 1e-6, "what is taken out is what is missing");
    }
    let (vowel, ess) = (3000..14_000, 17_000..23_000);
    assert!(rms_db(&taken[ess.clone()]) > rms_db(&taken[vowel.clone()]) + 30.0);
    let detector = through(Ear { hear: Hear::DeessDetector, ..Ear::default() });
    assert!(rms_db(&detector[ess]) > rms_db(&detector[vowel]) + 15.0);
    let search = |gain_db: f64| {
        let search = Search { frequency_hz: 400.0, gain_db, q: 8.0 };
        through(Ear { search: Some(search), ..Ear::default() })
    };
    let (asked, most) = (search(60.0), search(MOST_SEARCH_DB));
    assert_eq!(
        asked.iter().map(|sample| sample.to_bits()).collect::<Vec<_>>(),
        most.iter().map(|sample| sample.to_bits()).collect::<Vec<_>>()
    );
    assert!(rms_db(&most) > rms_db(&plain) + 1.0, "the boost is heard");
    // Never in a bounce.
    let (a, b) = (bounced(&song, &takes, 0, 9000), bounced(&one_lane(&tone), &takes, 0, 9000));
    assert!(bits(&a) == bits(&b));
}

#[test]
fn the_board_tells_what_the_dynamics_take_away() {
    let takes = words();
    let tone = Tone {
        compress: Some(Compress { threshold_db: Db(-40.0), ..Compress::default() }),
        deess: Some(Deess { threshold_db: Db(-45.0), most_db: Db(8.0), ..Deess::default() }),
        ..Tone::default()
    };
    let song = one_lane(&tone);
    let mut rig = Rig::new(setup(), &takes, scene(&song, &takes, &stack()), 0);
    rig.play(0);
    run(&mut rig, 12_000, &[128]);
    let (deess, compress) = rig.remote.board().reduction(0);
    assert!(deess < 1.0 && compress > 6.0, "{deess} {compress}");
    run(&mut rig, 9_000, &[128]);
    let (deess, _) = rig.remote.board().reduction(0);
    assert!((6.0..=8.1).contains(&deess), "in an ess {deess}");
}
