//! Ears are safe, and nothing odd that is fed in comes out as a burst.

use tautline::audition::{CEILING, Command, Listening, Setup};
use tautline::song::{AssetId, Db, Linear, Position, Song, Span};

use crate::engine::{Rig, scene};
use crate::rendering::{Takes, lane, noise, region, song};

fn full_scale() -> Takes {
    Takes([(AssetId(1), vec![vec![0.9; 400_000]])].into())
}

fn one_lane() -> Song {
    song(vec![lane(1, "t", vec![region(1, 1, 0, 400_000, 0)])])
}

fn peak(frames: &[[f32; 2]]) -> f32 {
    frames.iter().flatten().fold(0.0, |most, sample| most.max(sample.abs()))
}

#[test]
fn the_first_play_starts_from_nothing_and_rises_to_the_level() {
    let takes = full_scale();
    let setup = Setup::new(48_000);
    assert!((setup.level.to_db().0 + 20.0).abs() < 1e-9);
    let mut rig = Rig::new(setup, &takes, scene(&one_lane(), &takes, &Listening::default()), 0);
    rig.play(0);
    rig.run(100_000);
    let heard = rig.heard();
    let at_level = 0.9 * std::f64::consts::FRAC_1_SQRT_2 as f32 * 0.1;
    assert!(peak(&heard[..4800]) < at_level * 0.01, "40 dB below after 0.1 s");
    let rises = heard[..72_000].windows(2).all(|pair| pair[1][0] >= pair[0][0]);
    assert!(rises, "it never falls while it rises");
    assert!((heard[72_000][0] - at_level).abs() < 1e-6, "there after 1.5 s");
    assert_eq!(peak(&heard), heard[80_000][0], "and never above");
    // A later start is quick.
    rig.send(Command::Stop);
    rig.run(1000);
    rig.send(Command::Play { from: None, until: None, frames: None });
    rig.run(1000);
    let heard = rig.heard();
    assert!((heard[101_240][0] - at_level).abs() < 1e-6, "5 ms");
    assert_eq!(heard[100_999], [0.0, 0.0]);
}

#[test]
fn a_new_level_glides_and_goes_no_further() {
    let takes = full_scale();
    let setup = Setup { level: Linear(0.1), ..Setup::at_unity(48_000) };
    let mut rig = Rig::new(setup, &takes, scene(&one_lane(), &takes, &Listening::default()), 0);
    rig.play(0);
    rig.run(1000);
    rig.send(Command::Level(Linear(0.5)));
    rig.run(3000);
    rig.send(Command::Level(Linear(f64::NAN)));
    rig.run(3000);
    let heard = rig.heard();
    let level = |sample: f32| f64::from(sample) / (f64::from(0.9f32) * std::f64::consts::FRAC_1_SQRT_2);
    let step = heard[..4000].windows(2).map(|pair| level(pair[1][0] - pair[0][0])).fold(0.0, f64::max);
    assert!(step <= 0.4 / 1440.0 * 1.01, "30 ms: {step}");
    assert!((level(heard[3000][0]) - 0.5).abs() < 1e-6 && level(peak(&heard)) < 0.500_001);
    assert_eq!(heard[6999], [0.0, 0.0], "a level that is no number is silence");
}

#[test]
fn nothing_passes_the_ceiling() {
    let takes = Takes([(AssetId(1), noise(1, 20_000, 5))].into());
    let mut song = song(vec![lane(1, "t", vec![region(1, 1, 0, 20_000, 0)])]);
    std::sync::Arc::make_mut(&mut song.lanes[0]).gain_db = Db(24.0);
    let mut rig = Rig::new(Setup::at_unity(48_000), &takes, scene(&song, &takes, &Listening::default()), 0);
    rig.play(0);
    rig.run(20_000);
    let heard = rig.heard();
    assert!(peak(&heard) <= CEILING && peak(&heard) > 0.5);
}

#[test]
fn numbers_that_are_none_are_stopped_and_counted() {
    let mut take = noise(1, 4000, 7);
    take[0].iter_mut().for_each(|sample| *sample *= 0.1);
    (take[0][100], take[0][200], take[0][300]) = (f32::NAN, f32::INFINITY, f32::MAX);
    let takes = Takes([(AssetId(1), take)].into());
    let song = song(vec![lane(1, "t", vec![region(1, 1, 0, 4000, 0)])]);
    let mut rig = Rig::new(Setup::at_unity(48_000), &takes, scene(&song, &takes, &Listening::default()), 0);
    rig.play(0);
    rig.run(4000);
    let heard = rig.heard();
    assert!(heard.iter().flatten().all(|sample| sample.is_finite() && sample.abs() <= CEILING));
    assert_eq!((heard[100], heard[200]), ([0.0, 0.0], [0.0, 0.0]));
    assert_eq!(rig.remote.board().nonfinite(), 4, "two frames, both sides");
    assert!(heard[3900..].iter().any(|frame| frame[0] != 0.0), "and sound goes on");
}

#[test]
fn no_lanes_all_muted_and_no_frames_are_silence() {
    let takes = full_scale();
    let mut muted = one_lane();
    std::sync::Arc::make_mut(&mut muted.lanes[0]).mute = true;
    for song in [song(vec![]), muted] {
        let mut rig =
            Rig::new(Setup::at_unity(48_000), &takes, scene(&song, &takes, &Listening::default()), 0);
        rig.run(0);
        rig.play(0);
        rig.run(0);
        rig.run(3000);
        assert_eq!(peak(&rig.heard()), 0.0);
        assert!(rig.remote.board().is_playing());
    }
}

#[test]
fn odd_loops_neither_crash_nor_burst() {
    let takes = Takes([(AssetId(1), noise(1, 4000, 3))].into());
    let mut song = song(vec![lane(1, "t", vec![region(1, 1, 0, 4000, 0)])]);
    std::sync::Arc::make_mut(&mut song.lanes[0]).gain_db = Db(-12.0);
    let spans = [(5, 6), (5, 7), (0, 100), (3990, 9000), (5000, 6000), (-500, -400), (700, 700), (900, 100)];
    for (start, end) in spans {
        let setup = Setup::at_unity(48_000);
        let mut rig = Rig::new(setup, &takes, scene(&song, &takes, &Listening::default()), 0);
        rig.send(Command::Loop(Some(Span { start: Position(start), end: Position(end) })));
        rig.play(start);
        rig.run(3000);
        rig.run(20_000);
        let heard = rig.heard();
        assert!(peak(&heard) <= 0.252, "{start}..{end}: {}", peak(&heard));
    }
    // One sample, over and over.
    let mut rig = Rig::new(Setup::at_unity(48_000), &takes, scene(&song, &takes, &Listening::default()), 0);
    rig.send(Command::Loop(Some(Span { start: Position(5), end: Position(6) })));
    rig.play(5);
    rig.run(500);
    let heard = rig.heard();
    assert!(heard.iter().all(|frame| *frame == heard[0]) && heard[0][0] != 0.0);
}
