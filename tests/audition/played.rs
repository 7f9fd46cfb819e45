//! The whole room without a sound card: takes on disk, block cache, reader, player, outputs.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tautline::audition::cache::{self, TakeFile};
use tautline::audition::{
    AuditionError, Command, Event, LaneReading, Listening, MeterDesk, OutputChoice, OutputOptions, Player,
    Renderer, Scene, Setup,
};
use tautline::media::{OutputFormat, WavReader, WavSpec, create_sink};
use tautline::mix::{Plan, Samples};
use tautline::song::{AssetId, Length, Position, Region, Song, Span};

use crate::engine::{at, offline};
use crate::rendering::{Takes, lane, noise, region, song};

const RATE: u32 = 48_000;
/// The smallest budget that the cache keeps to: 64 blocks of 16384 samples.
const SMALLEST: u64 = 64 * 16_384 * 4;

fn write(folder: &Path, id: u64, take: &[Vec<f32>]) -> TakeFile {
    let path = folder.join(format!("take-{id}.wav"));
    let channels = u16::try_from(take.len()).unwrap();
    let mut sink = create_sink(&path, WavSpec { channels, rate: RATE, format: OutputFormat::F32 }).unwrap();
    let planes: Vec<&[f32]> = take.iter().map(Vec::as_slice).collect();
    sink.write(&planes).unwrap();
    sink.finish().unwrap();
    TakeFile { asset: AssetId(id), path }
}

fn quiet_noise(channels: usize, frames: usize, seed: u32) -> Vec<Vec<f32>> {
    let mut take = noise(channels, frames, seed);
    take.iter_mut().flatten().for_each(|sample| *sample *= 0.1);
    take
}

fn plan(song: &Song, takes: &Takes) -> Arc<Plan> {
    Arc::new(Plan::compile(song, RATE, &|asset| takes.channels(asset)))
}

/// Ticks until the output has ended; gives the troubles.
fn to_the_end(player: &mut Player) -> Vec<String> {
    let mut troubles = Vec::new();
    for _ in 0..20_000 {
        for event in player.tick() {
            match event {
                Event::Ended => return troubles,
                Event::Failed(error) => panic!("{error}"),
                Event::Trouble(text) => troubles.push(text),
            }
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    panic!("it does not end: {:?}", player.status());
}

fn read(path: &Path) -> [Vec<f32>; 2] {
    let mut reader = WavReader::open(path).unwrap();
    let frames = usize::try_from(reader.info().frames).unwrap();
    let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
    reader.read(0, &mut [&mut left, &mut right]).unwrap();
    [left, right]
}

fn to_file(path: PathBuf) -> OutputOptions {
    OutputOptions::once(OutputChoice::File(path))
}

#[test]
fn a_file_holds_the_loop_as_the_bounce_would_pass_after_pass() {
    let folder = tempfile::tempdir().unwrap();
    let takes = Takes([(AssetId(1), quiet_noise(1, 9000, 1)), (AssetId(2), quiet_noise(2, 9000, 2))].into());
    let files: Vec<TakeFile> = takes.0.iter().map(|(id, take)| write(folder.path(), id.0, take)).collect();
    let song = song(vec![
        lane(1, "a", vec![region(1, 1, 0, 9000, -1000)]),
        lane(2, "b", vec![region(2, 2, 0, 8000, 0)]),
    ]);
    let plan = plan(&song, &takes);
    let mut player =
        Player::new(Setup::at_unity(RATE), Arc::clone(&plan), Listening::default(), &files, SMALLEST)
            .unwrap();
    let span = Span { start: Position(1000), end: Position(4000) };
    player.set_loop(Some(span)).unwrap();
    let out = folder.path().join("out.wav");
    player.attach(&to_file(out.clone())).unwrap();
    player.play(Some(span.start), None, Some(10_000));
    assert!(to_the_end(&mut player).is_empty());
    let [left, right] = read(&out);
    assert_eq!(left.len(), 10_000, "exactly what was asked for");
    let render = offline(&plan, &takes, &|_| true);
    for frame in (0..10_000).filter(|frame| frame % 3000 < 3000 - 240) {
        let wanted = at(&render, 1000 + frame as i64 % 3000);
        assert_eq!([left[frame], right[frame]], wanted.map(|side| side as f32), "frame {frame}");
    }
    assert_eq!((player.status().missing, player.status().nonfinite), (0, 0));
    // Once more into the same file: refused, and the player lives on.
    assert!(matches!(player.attach(&to_file(out)), Err(AuditionError::Exists { .. })));
    player.attach(&to_file(folder.path().join("again.wav"))).unwrap();
    player.play(Some(Position(0)), Some(Position(500)), None);
    assert!(to_the_end(&mut player).is_empty());
    player.set_loop(None).unwrap();
}

#[test]
fn a_song_far_larger_than_the_budget_plays_whole_and_the_budget_holds() {
    let folder = tempfile::tempdir().unwrap();
    // 4 takes of 30 s: 352 blocks, five times the budget.
    let frames = 30 * RATE as usize;
    let takes = Takes((1..=4).map(|id| (AssetId(id), quiet_noise(1, frames, id as u32))).collect());
    let files: Vec<TakeFile> = takes.0.iter().map(|(id, take)| write(folder.path(), id.0, take)).collect();
    let lanes = (1..=4).map(|id| lane(id, "t", vec![region(id, id, 0, frames as u64, 0)]));
    let song = song(lanes.collect());
    let plan = plan(&song, &takes);
    let mut player =
        Player::new(Setup::at_unity(RATE), plan, Listening::default(), &files, SMALLEST).unwrap();
    let out = folder.path().join("out.wav");
    player.attach(&to_file(out.clone())).unwrap();
    player.play(Some(Position(0)), Some(Position(frames as i64)), None);
    assert!(to_the_end(&mut player).is_empty());
    let status = player.status();
    assert_eq!(status.missing, 0);
    assert!(status.cached <= SMALLEST && status.cached > SMALLEST / 2, "{} bytes", status.cached);
    let [left, _] = read(&out);
    assert_eq!(left.len(), frames);
    let pan = std::f64::consts::FRAC_1_SQRT_2;
    for frame in (0..frames).step_by(997) {
        let sum: f64 = (1..=4).map(|id| f64::from(takes.sample(AssetId(id), 0, frame as u64)) * pan).sum();
        assert!((f64::from(left[frame]) - sum).abs() < 1e-7, "frame {frame}");
    }
}

#[test]
fn without_a_reader_blocks_are_missing_silent_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let takes = Takes([(AssetId(1), quiet_noise(1, 40_000, 1))].into());
    let files = [write(folder.path(), 1, &takes.0[&AssetId(1)])];
    let (mut table, _reader) = cache::open(&files, RATE, SMALLEST).unwrap();
    let mut block = [1.0; 500];
    table.fill(AssetId(1), 0, 39_900, &mut block);
    assert_eq!((block, table.missing()), ([0.0; 500], 100), "what lies behind the end is not missed");
    let song = song(vec![lane(1, "a", vec![region(1, 1, 0, 40_000, 0)])]);
    let scene = Arc::new(Scene::new(plan(&song, &takes), &Listening::default()));
    let setup = Setup::at_unity(RATE);
    let (mut engine, mut remote, _) = Renderer::new(setup, table, scene, Position(0));
    engine.source_mut().count_on(Arc::clone(remote.board()));
    remote.send(Command::Play { from: Some(Position(0)), until: None, frames: None }).unwrap();
    let mut out = vec![1.0f32; 2 * 480];
    // It waits for 120 ms, then goes on without.
    for callback in 0..14 {
        engine.render(&mut out);
        assert!(out.iter().all(|sample| *sample == 0.0));
        let board = remote.board();
        assert_eq!(board.is_waiting(), callback < 12, "callback {callback}");
        assert_eq!(board.missing(), if callback < 12 { 0 } else { 480 * (callback - 11) });
    }
}

#[test]
fn a_recording_that_shrinks_while_it_plays_becomes_silence_with_a_word() {
    let folder = tempfile::tempdir().unwrap();
    // Longer than the budget, so that the end cannot have been read before it goes.
    let frames = 90 * RATE as usize;
    let takes = Takes([(AssetId(1), quiet_noise(1, frames, 1))].into());
    let files = [write(folder.path(), 1, &takes.0[&AssetId(1)])];
    let song = song(vec![lane(1, "a", vec![region(1, 1, 0, frames as u64, 0)])]);
    let mut player =
        Player::new(Setup::at_unity(RATE), plan(&song, &takes), Listening::default(), &files, SMALLEST)
            .unwrap();
    let file = fs::OpenOptions::new().write(true).open(&files[0].path).unwrap();
    file.set_len(frames as u64 * 2).unwrap();
    let out = folder.path().join("out.wav");
    player.attach(&to_file(out.clone())).unwrap();
    player.play(Some(Position(80 * i64::from(RATE))), Some(Position(81 * i64::from(RATE))), None);
    let troubles = to_the_end(&mut player);
    assert!(troubles.iter().any(|text| text.contains("shorter")), "{troubles:?}");
    let [left, _] = read(&out);
    assert!(left.len() == RATE as usize && left.iter().all(|sample| *sample == 0.0));
    assert_eq!(player.status().missing, u64::from(RATE));
}

#[test]
fn bad_takes_and_loops_are_refused_with_a_reason() {
    let folder = tempfile::tempdir().unwrap();
    let takes = Takes([(AssetId(1), quiet_noise(1, 9000, 1))].into());
    let good = write(folder.path(), 1, &takes.0[&AssetId(1)]);
    let song = song(vec![lane(1, "a", vec![region(1, 1, 0, 9000, 0)])]);
    let plan = plan(&song, &takes);
    let new = |rate: u32, files: &[TakeFile]| {
        Player::new(Setup::at_unity(rate), Arc::clone(&plan), Listening::default(), files, SMALLEST)
    };
    let wrong_rate = new(44_100, std::slice::from_ref(&good)).err().unwrap().to_string();
    assert!(wrong_rate.contains("48000 Hz where 44100"), "{wrong_rate}");
    let gone = TakeFile { asset: AssetId(1), path: folder.path().join("gone.wav") };
    assert!(new(RATE, &[gone]).is_err());
    let mut player = new(RATE, &[good]).unwrap();
    let short = Span { start: Position(5), end: Position(6) };
    let refused = player.set_loop(Some(short)).unwrap_err().to_string();
    assert!(refused.contains("a loop of 1 samples is too short"), "{refused}");
    // A device that nobody has.
    let nobody = OutputOptions::once(OutputChoice::Device(Some("nobody-has-this".into())));
    let refused = player.attach(&nobody).err().unwrap().to_string();
    assert!(refused.contains("nobody-has-this") || refused.contains("without sound devices"), "{refused}");
    // The engine is at home again.
    player.attach(&to_file(folder.path().join("still.wav"))).unwrap();
    player.play(Some(Position(0)), Some(Position(100)), None);
    to_the_end(&mut player);
}

#[test]
fn edits_and_comparisons_reach_a_player_that_runs_and_the_playhead_is_behind_the_engine() {
    let folder = tempfile::tempdir().unwrap();
    let takes = Takes([(AssetId(1), quiet_noise(1, 96_000, 1))].into());
    let files = [write(folder.path(), 1, &takes.0[&AssetId(1)])];
    let before = song(vec![lane(1, "a", vec![region(1, 1, 0, 96_000, 0)])]);
    let first = plan(&before, &takes);
    let mut player =
        Player::new(Setup::at_unity(RATE), Arc::clone(&first), Listening::default(), &files, SMALLEST)
            .unwrap();
    player.attach(&OutputOptions { once: false, ..OutputOptions::once(OutputChoice::None) }).unwrap();
    player.set_loop(Some(Span { start: Position(0), end: Position(48_000) })).unwrap();
    player.play(Some(Position(0)), None, None);
    let mut edited = before.clone();
    let region: &mut Region = {
        let lane = Arc::make_mut(&mut edited.lanes[0]);
        Arc::make_mut(&mut lane.regions[0])
    };
    region.length = Length(40_000);
    player.set_before(Some(first));
    for step in 0..40u32 {
        match step {
            5 => player.set_plan(plan(&edited, &takes)),
            10 => player.hear_before(true),
            15 => player.hear_before(false),
            20 => player.set_listening(Listening { mono: true, ..Listening::default() }),
            25 => player.locate(Position(30_000)),
            30 => player.stop(),
            _ => {}
        }
        std::thread::sleep(Duration::from_millis(10));
        assert!(player.tick().is_empty());
        let status = player.status();
        assert!((0..48_000).contains(&status.heard.0) || status.heard.0 < 96_000, "{status:?}");
    }
    assert!(!player.status().playing);
    assert_eq!(player.status().missing, 0);
    let heard = player.status().heard;
    player.detach().unwrap();
    assert!((0..96_000).contains(&heard.0));
}

#[test]
fn each_lane_has_a_meter_of_its_own() {
    // EBU Tech 3341, case 1: stereo 1 kHz at -23 dBFS reads -23.0 +-0.1 LUFS; the same in one channel is 3.01 dB less.
    let turn = std::f64::consts::TAU * 1000.0 / f64::from(RATE);
    let frames = 4 * RATE as usize;
    let tone: Vec<f32> =
        (0..frames).map(|n| (10f64.powf(-23.0 / 20.0) * (turn * n as f64).sin()) as f32).collect();
    let against: Vec<f32> = tone.iter().map(|sample| -sample).collect();
    let takes = Takes([(AssetId(1), vec![tone.clone()]), (AssetId(2), vec![tone, against])].into());
    // The third lane sounds for its first half second only.
    let song = song(vec![
        lane(1, "one", vec![region(1, 1, 0, frames as u64, 0)]),
        lane(2, "two", vec![region(2, 2, 0, frames as u64, 0)]),
        lane(3, "three", vec![region(3, 1, 0, u64::from(RATE) / 2, 0)]),
    ]);
    let scene = Arc::new(Scene::new(plan(&song, &takes), &Listening::default()));
    let (mut engine, mut remote, feed) = Renderer::new(Setup::at_unity(RATE), takes, scene, Position(0));
    let mut desk = MeterDesk::new(RATE, feed).unwrap();
    remote.send(Command::Play { from: None, until: None, frames: None }).unwrap();
    let mut readings = desk.read();
    for callback in 0..390 {
        engine.render(&mut vec![0.0f32; 2 * 480]);
        // Read at odd times, as a thread does.
        if callback % 3 == 2 {
            readings = desk.read();
        }
    }
    assert_eq!(engine.board().lost(), 0);
    let [one, two, three] = readings.lanes[..] else { panic!("{readings:?}") };
    assert!((one.short_term.unwrap() + 26.01).abs() <= 0.1, "{one:?}");
    assert!((two.short_term.unwrap() + 23.0).abs() <= 0.1, "{two:?}");
    assert!((20.0 * one.true_peak.log10() + 23.0).abs() <= 0.2, "{one:?}");
    assert!((20.0 * f64::from(two.peak).log10() + 23.0).abs() <= 0.1, "{two:?}");
    assert_eq!((one.correlation, two.correlation.map(|value| (value * 1e6).round())), (None, Some(-1e6)));
    assert_eq!(three, LaneReading::default(), "silent for longer than the meter looks back");
}
