//! No click: what a change adds to the steps between samples is never more than its crossfade must.

use tautline::audition::{Choice, Command, Listening, Setup, Staged};
use tautline::song::{AssetId, Db, LaneId, Pan, Position, Song, Span};

use crate::engine::{Rig, at, offline, plan, scene};
use crate::rendering::{Takes, lane, region, song};

/// Two steady tones, so that every step between samples is known.
fn tones() -> Takes {
    let tone = |hertz: f64| {
        (0..12_000)
            .map(|n| (0.3 * (std::f64::consts::TAU * hertz * f64::from(n) / 48_000.0).sin()) as f32)
            .collect::<Vec<f32>>()
    };
    Takes([(AssetId(1), vec![tone(220.0)]), (AssetId(2), vec![tone(331.0)])].into())
}

fn two_lanes() -> Song {
    let long = |id: u64| lane(id, "t", vec![region(id * 10, id, 0, 12_000, -3000)]);
    song(vec![long(1), long(2)])
}

fn changed(change: impl Fn(&mut tautline::song::Lane)) -> Song {
    let mut song = two_lanes();
    change(std::sync::Arc::make_mut(&mut song.lanes[0]));
    song
}

fn largest_step(samples: impl Iterator<Item = [f64; 2]>) -> f64 {
    let samples: Vec<[f64; 2]> = samples.collect();
    let step = |pair: &[[f64; 2]]| (pair[1][0] - pair[0][0]).abs().max((pair[1][1] - pair[0][1]).abs());
    samples.windows(2).map(step).fold(0.0, f64::max)
}

#[test]
fn every_kind_of_edit_swaps_without_a_click() {
    let takes = tones();
    let before = two_lanes();
    let edits = [
        ("gain", changed(|lane| lane.gain_db = Db(-18.0))),
        ("pan", changed(|lane| lane.pan = Pan(-1.0))),
        ("mute", changed(|lane| lane.mute = true)),
        ("solo", changed(|lane| lane.solo = true)),
        (
            "moved region",
            changed(|lane| std::sync::Arc::make_mut(&mut lane.regions[0]).at = Position(-3000 + 77)),
        ),
        ("polarity", changed(|lane| lane.polarity = tautline::song::Polarity::Inverted)),
    ];
    let setup = Setup::at_unity(48_000);
    assert_eq!(setup.swap, 144, "3 ms");
    for (name, after) in edits {
        let listening = Listening::default();
        let mut rig = Rig::new(setup, &takes, scene(&before, &takes, &listening), 0);
        rig.play(0);
        rig.run(1000);
        rig.send(Command::Scene(Staged::new(scene(&after, &takes, &listening))));
        rig.run(1000);
        let live = rig.heard();
        let renders = [&before, &after].map(|song| {
            let plan = plan(song, &takes);
            offline(&plan, &takes, &|index| plan.is_heard(index))
        });
        let of = |which: usize| (0..2000).map(move |place| (which, place));
        let offline_step = |which| largest_step(of(which).map(|(which, place)| at(&renders[which], place)));
        let apart = (1000..1144)
            .map(|place| (at(&renders[0], place), at(&renders[1], place)))
            .map(|(a, b)| (a[0] - b[0]).abs().max((a[1] - b[1]).abs()))
            .fold(0.0, f64::max);
        let step = largest_step(live.iter().map(|frame| frame.map(f64::from)));
        let bound = offline_step(0).max(offline_step(1)) + apart / 144.0;
        assert!(step <= bound + 1e-6, "{name}: a step of {step} where {bound} is the most");
        // A hard switch would have been a click: the test can fail.
        let hard = (1000..1144)
            .map(|place| (at(&renders[0], place)[0] - at(&renders[1], place)[0]).abs())
            .fold(0.0, f64::max);
        assert!(hard > 3.0 * bound || name == "pan", "{name}: {hard} against {bound}");
    }
}

#[test]
fn jumps_loops_stops_and_starts_do_not_click() {
    let takes = tones();
    let song = two_lanes();
    let listening = Listening::to(Choice::Lanes(vec![LaneId(1)]));
    let setup = Setup { ramp: 240, ..Setup::at_unity(48_000) };
    let mut rig = Rig::new(setup, &takes, scene(&song, &takes, &listening), 0);
    rig.play(0);
    rig.run(1000);
    rig.send(Command::Locate(Position(3333)));
    rig.run(1000);
    rig.send(Command::Loop(Some(Span { start: Position(100), end: Position(1357) })));
    rig.run(4000);
    rig.send(Command::Stop);
    rig.run(100);
    rig.send(Command::Play { from: None, until: None, frames: None });
    rig.run(1000);
    rig.send(Command::Stop);
    rig.run(1000);
    let heard = rig.heard();
    // The first sample begins hard here, at the top of what a tone's own step can be.
    let own = 0.3 * std::f64::consts::FRAC_1_SQRT_2 * std::f64::consts::TAU * 220.0 / 48_000.0;
    // Two tones at most 0.6 apart, crossfaded over 144 samples.
    let bound = own + 0.6 * std::f64::consts::FRAC_1_SQRT_2 / 144.0;
    let step = largest_step(heard.iter().map(|frame| frame.map(f64::from)));
    assert!(step <= bound, "{step} against {bound}");
    assert!(heard[heard.len() - 500..].iter().all(|frame| *frame == [0.0, 0.0]), "silent after the stop");
}
