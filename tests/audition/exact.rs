//! Live and offline samples are the same, bit for bit: random songs, splits, swaps, jumps and loops, against a model that
//! goes sample by sample and looks every sample up in an offline render of the whole song.

use proptest::prelude::*;
use tautline::audition::{Choice, Command, Listening, Setup, Staged};
use tautline::song::{Length, Position, Song, Span};

use crate::engine::{Rig, at, offline, plan, scene};
use crate::rendering::{Takes, any_song, lane, noise, region, song, three_takes};

const SWAP: u64 = 37;
const SEAM: u64 = 29;
const RAMP: u64 = 23;

fn setup() -> Setup {
    Setup { swap: SWAP, seam: SEAM, ramp: RAMP, ..Setup::at_unity(48_000) }
}

#[derive(Debug, Clone)]
enum Act {
    Swap(usize),
    Jump(i64),
    Loop(Option<(i64, i64)>),
    Play(Option<i64>),
    Stop,
}

fn any_act() -> impl Strategy<Value = Act> {
    prop_oneof![
        3 => (0usize..3).prop_map(Act::Swap),
        2 => (-600i64..4000).prop_map(Act::Jump),
        2 => prop::option::of((-300i64..3000, 1i64..900)).prop_map(|span| {
            Act::Loop(span.map(|(start, length)| (start, start + length)))
        }),
        1 => prop::option::of(-600i64..3000).prop_map(Act::Play),
        1 => Just(Act::Stop),
    ]
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    scene: usize,
    at: i64,
    looped: Option<(i64, i64)>,
}

/// The engine told in another way: one sample at a time, no kernel, no blocks, no buffers.
struct Model {
    renders: Vec<[Vec<f64>; 2]>,
    now: Place,
    old: Option<(Place, u64)>,
    wants: Vec<Act>,
    gate: (f64, f64, u64),
    moving: bool,
    risen: bool,
}

impl Model {
    fn act(&mut self, act: &Act) {
        if matches!(act, Act::Stop) {
            self.wants.retain(|act| !matches!(act, Act::Jump(_) | Act::Play(_)));
            if self.moving && self.gate.1 > 0.0 {
                self.gate = (self.level(), 0.0, 0);
            }
        } else {
            self.wants.push(act.clone());
        }
    }

    fn level(&self) -> f64 {
        let (from, to, done) = self.gate;
        if done >= RAMP { to } else { from + (to - from) * (done as f64 / RAMP as f64) }
    }

    fn change(&mut self) {
        if self.wants.is_empty() || self.old.is_some() {
            return;
        }
        let mut next = self.now;
        let (mut jump, mut play, mut looped) = (None, false, false);
        for act in self.wants.drain(..) {
            match act {
                Act::Swap(scene) => next.scene = scene,
                Act::Jump(to) => jump = Some(to),
                Act::Loop(span) => (next.looped, looped) = (span, true),
                Act::Play(from) => (jump, play) = (from.or(jump), true),
                Act::Stop => {}
            }
        }
        let starts = play && !self.moving;
        let outside = next.looped.filter(|(start, end)| !(*start..*end).contains(&next.at));
        match (jump, outside) {
            (Some(to), _) => next.at = to,
            (None, Some((start, _))) if starts || (looped && self.moving) => next.at = start,
            _ => {}
        }
        if self.moving && next != self.now {
            self.old = Some((self.now, 0));
        }
        self.now = next;
        if play {
            if self.gate.1 < 1.0 {
                self.gate = (self.level(), 1.0, if self.risen { 0 } else { RAMP });
            }
            self.moving = true;
        }
    }

    fn sample(&self, place: Place) -> [f64; 2] {
        let here = at(&self.renders[place.scene], place.at);
        let Some((start, end)) = place.looped.filter(|(_, end)| place.at < *end) else { return here };
        let seam = (SEAM as i64).min((end - start) / 2);
        let number = place.at - (end - seam);
        if number < 0 {
            return here;
        }
        let there = at(&self.renders[place.scene], start - seam + number);
        let part = (number as f64 + 0.5) / seam as f64;
        [0, 1].map(|side| here[side] + (there[side] - here[side]) * part)
    }

    fn next(&mut self) -> [f32; 2] {
        self.change();
        if !self.moving {
            return [0.0, 0.0];
        }
        let mut sides = self.sample(self.now);
        self.now = moved(self.now);
        if let Some((old, done)) = &mut self.old {
            let (place, number) = (*old, *done);
            *old = moved(*old);
            *done += 1;
            let ended = *done == SWAP;
            let before = self.sample(place);
            let part = (number as f64 + 0.5) / SWAP as f64;
            sides = [0, 1].map(|side| before[side] + (sides[side] - before[side]) * part);
            if ended {
                self.old = None;
            }
        }
        self.gate.2 += 1;
        let gain = self.level();
        if self.gate.2 >= RAMP {
            if self.gate.1 > 0.0 {
                self.risen = true;
            } else {
                (self.moving, self.old) = (false, None);
            }
        }
        sides.map(|side| (side * gain) as f32)
    }
}

fn moved(mut place: Place) -> Place {
    let inside = place.looped.filter(|(_, end)| place.at < *end);
    place.at += 1;
    if let Some((start, end)) = inside
        && place.at >= end
    {
        place.at = start;
    }
    place
}

fn command(act: &Act, scenes: &[std::sync::Arc<tautline::audition::Scene>]) -> Command {
    match act {
        Act::Swap(index) => Command::Scene(Staged::new(std::sync::Arc::clone(&scenes[*index]))),
        Act::Jump(to) => Command::Locate(Position(*to)),
        Act::Loop(span) => {
            Command::Loop(span.map(|(start, end)| Span { start: Position(start), end: Position(end) }))
        }
        Act::Play(from) => Command::Play { from: from.map(Position), until: None, frames: None },
        Act::Stop => Command::Stop,
    }
}

/// Quiet enough that the ceiling leaves every bit alone.
fn quiet(mut song: Song) -> Song {
    for lane in &mut song.lanes {
        let lane = std::sync::Arc::make_mut(lane);
        lane.gain_db.0 -= 40.0;
    }
    song
}

/// Renders 6000 frames with the acts at their frames, split at `cuts` besides.
fn live(
    takes: &Takes,
    songs: &[Song],
    acts: &[(usize, Act)],
    cuts: &[usize],
    frames: usize,
) -> Vec<[f32; 2]> {
    let listening = Listening::to(Choice::Marks);
    let scenes: Vec<_> = songs.iter().map(|song| scene(song, takes, &listening)).collect();
    let mut rig = Rig::new(setup(), takes, std::sync::Arc::clone(&scenes[0]), 0);
    rig.play(0);
    let mut borders: Vec<usize> = cuts.iter().copied().chain(acts.iter().map(|(at, _)| *at)).collect();
    borders.push(frames);
    borders.sort_unstable();
    let mut done = 0;
    for border in borders {
        rig.run(border - done);
        done = border;
        acts.iter().filter(|(at, _)| *at == border).for_each(|(_, act)| rig.send(command(act, &scenes)));
    }
    rig.heard()
}

fn modelled(takes: &Takes, songs: &[Song], acts: &[(usize, Act)], frames: usize) -> Vec<[f32; 2]> {
    let renders = songs.iter().map(|song| {
        let plan = plan(song, takes);
        offline(&plan, takes, &|index| plan.is_heard(index))
    });
    let mut model = Model {
        renders: renders.collect(),
        now: Place { scene: 0, at: 0, looped: None },
        old: None,
        wants: vec![],
        gate: (0.0, 0.0, RAMP),
        moving: false,
        risen: false,
    };
    // The first rise has no length here, so that the first sample stands at unity.
    model.act(&Act::Play(Some(0)));
    let step = |index: usize| {
        acts.iter().filter(|(at, _)| *at == index).for_each(|(_, act)| model.act(act));
        model.next()
    };
    (0..frames).map(step).collect()
}

fn bits(frames: &[[f32; 2]]) -> Vec<[u32; 2]> {
    // The sign of a silent sample is of no importance.
    frames.iter().map(|frame| frame.map(|sample| (sample + 0.0).to_bits())).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn live_is_offline_for_any_songs_splits_swaps_jumps_and_loops(
        songs in prop::collection::vec(any_song(), 3),
        mut acts in prop::collection::vec((1usize..5900, any_act()), 0..14),
        cuts in prop::collection::vec(0usize..6000, 0..30),
    ) {
        let takes = three_takes();
        let songs: Vec<Song> = songs.into_iter().map(quiet).collect();
        acts.sort_by_key(|(at, _)| *at);
        let frames = 6000;
        let (found, wanted) = (live(&takes, &songs, &acts, &cuts, frames), modelled(&takes, &songs, &acts, frames));
        let differs = bits(&found).iter().zip(bits(&wanted)).position(|(a, b)| *a != b);
        prop_assert_eq!(differs, None, "{:?}", differs.map(|at| (found[at], wanted[at])));
    }

    #[test]
    fn away_from_changes_it_is_what_the_bounce_sums(before in any_song(), after in any_song(), at_frame in 1usize..3000) {
        // Directly, without the model: before the swap the one, from 37 samples after it the other.
        let takes = three_takes();
        let songs = [quiet(before), quiet(after)];
        let found = live(&takes, &songs, &[(at_frame, Act::Swap(1))], &[], 4000);
        for (song, range) in [(&songs[0], 0..at_frame), (&songs[1], at_frame + SWAP as usize..4000)] {
            let plan = plan(song, &takes);
            let [left, right] = offline(&plan, &takes, &|index| plan.is_heard(index));
            let rounded: Vec<[f32; 2]> = range.clone().map(|index| {
                let place = usize::try_from(index as i64 - crate::engine::FROM).unwrap();
                [left[place] as f32, right[place] as f32]
            }).collect();
            prop_assert_eq!(bits(&found[range]), bits(&rounded));
        }
    }
}

#[test]
fn one_huge_callback_is_many_small_ones() {
    let takes = three_takes();
    let song = song(vec![lane(1, "a", vec![region(1, 1, 0, 4000, 0)])]);
    let songs = [quiet(song)];
    let many: Vec<usize> = (0..20_000).step_by(7).collect();
    assert_eq!(
        bits(&live(&takes, &songs, &[], &[], 20_000)),
        bits(&live(&takes, &songs, &[], &many, 20_000))
    );
}

#[test]
fn a_change_that_changes_nothing_leaves_every_bit() {
    let takes = three_takes();
    let song = song(vec![
        lane(1, "a", vec![region(1, 1, 0, 4000, 0)]),
        lane(2, "b", vec![region(2, 2, 0, 4000, 0)]),
    ]);
    let songs = [quiet(song.clone()), quiet(song)];
    let swaps: Vec<(usize, Act)> = (1..40).map(|n| (n * 61, Act::Swap(n % 2))).collect();
    assert_eq!(bits(&live(&takes, &songs, &swaps, &[], 4000)), bits(&live(&takes, &songs, &[], &[], 4000)));
}

#[test]
fn a_loop_repeats_without_a_gap_and_only_its_seam_differs() {
    let takes = Takes([(tautline::song::AssetId(1), noise(1, 4000, 9))].into());
    let songs = [quiet(song(vec![lane(1, "a", vec![region(1, 1, 0, 4000, 0)])]))];
    let acts = [(500, Act::Loop(Some((400, 1400))))];
    let found = live(&takes, &songs, &acts, &[], 8400);
    let plan = plan(&songs[0], &takes);
    let render = offline(&plan, &takes, &|_| true);
    // The second pass begins at stream frame 1400.
    for pass in 0..6 {
        let body = 1400 + pass * 1000..1400 + pass * 1000 + 1000 - SEAM as usize;
        let wanted: Vec<[f32; 2]> =
            (400..1400 - SEAM as i64).map(|place| at(&render, place).map(|side| side as f32)).collect();
        assert_eq!(bits(&found[body]), bits(&wanted), "pass {pass}");
    }
    // In the middle of the seam half of the end and half of what comes before the start.
    let middle = SEAM as i64 / 2;
    let (end, start) = (at(&render, 1400 - SEAM as i64 + middle), at(&render, 400 - SEAM as i64 + middle));
    let sample = found[1400 - SEAM as usize + middle as usize][0];
    assert_eq!(sample, (end[0] + (start[0] - end[0]) * 0.5) as f32);
}

#[test]
fn both_sides_of_the_listening_choices_are_where_they_belong() {
    let takes = three_takes();
    let mut guide = lane(1, "g", vec![region(1, 1, 0, 3000, 0)]);
    guide.role = tautline::song::Role::Guide;
    let songs = quiet(song(vec![guide, lane(2, "d", vec![region(2, 2, 0, 3000, 0)])]));
    let plan = plan(&songs, &takes);
    let run = |listening: Listening| {
        let mut rig = Rig::new(setup(), &takes, scene(&songs, &takes, &listening), 0);
        rig.play(0);
        rig.run(1000);
        rig.heard()
    };
    let id = plan.lanes()[1].id;
    let guide = offline(&plan, &takes, &|index| index == 0);
    let lane = offline(&plan, &takes, &|index| index == 1);
    let (apart, both) = (run(Listening::to(Choice::Apart(id))), run(Listening::to(Choice::Both(id))));
    let mono = run(Listening { mono: true, ..Listening::to(Choice::Both(id)) });
    for place in 0..1000 {
        let (guide, lane) = (at(&guide, place as i64), at(&lane, place as i64));
        // The guide is mono in the middle: as loud on the left as before. The lane is stereo: half the sum, 3 dB down.
        assert!((f64::from(apart[place][0]) - guide[0]).abs() < 1e-9);
        let folded = (lane[0] + lane[1]) * 0.5 * std::f64::consts::FRAC_1_SQRT_2;
        assert!((f64::from(apart[place][1]) - folded).abs() < 1e-9);
        assert!((f64::from(both[place][1]) - (guide[1] + lane[1])).abs() < 1e-9);
        let sum = (guide[0] + guide[1] + lane[0] + lane[1]) * 0.5;
        assert!((f64::from(mono[place][0]) - sum).abs() < 1e-9 && mono[place][0] == mono[place][1]);
    }
}

#[test]
fn play_until_stops_there_and_marks_tell_the_place() {
    let takes = three_takes();
    let songs = quiet(song(vec![lane(1, "a", vec![region(1, 1, 0, 4000, 0)])]));
    let mut rig = Rig::new(setup(), &takes, scene(&songs, &takes, &Listening::default()), 0);
    rig.run(50);
    rig.send(Command::Play {
        from: Some(Position(100)),
        until: Some(Position(100) + Length(300)),
        frames: None,
    });
    for _ in 0..10 {
        rig.run(100);
    }
    let heard = rig.heard();
    let sounding = heard.iter().rposition(|frame| frame[0] != 0.0).unwrap();
    // 50 frames of silence, 300 of sound, then the fall, whose last sample is silent.
    assert_eq!(sounding, 50 + 300 + RAMP as usize - 2);
    assert!(!rig.remote.board().is_playing());
    let marks: Vec<_> = rig.remote.marks().collect();
    let begun = marks.iter().find(|mark| mark.moving).unwrap();
    assert_eq!((begun.stream, begun.at), (50, Position(100)));
    let last = marks.last().unwrap();
    assert_eq!((last.at, last.moving), (Position(400 + RAMP as i64), false));
}
