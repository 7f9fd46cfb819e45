//! Proof that the kernel may run in the realtime callback: it allocates and frees nothing.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]
#![allow(unsafe_code, reason = "an allocator that counts can only be written as an unsafe impl")]

mod rendering;
mod toning;

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::TestRunner;
use rendering::{Takes, any_song, lane, noise, region, song, three_takes};
use tautline::audition::{Choice, Command, Listening, Remote, Renderer, Scene, Setup, Source, Staged, cache};
use tautline::media::{OutputFormat, WavSpec, create_sink};
use tautline::mix::{Bus, Ear, Plan, Scratch, ToneStage, mix_into, pan_into, render_lane};
use tautline::song::{AssetId, LaneId, Length, Linear, Position, Song, Span};

struct Counting;

thread_local! {
    // Of this thread alone: the test harness allocates on others when it likes.
    static CALLS: Cell<usize> = const { Cell::new(0) };
}

fn count() {
    // A thread that is ending has no counter any more; what it does is of no interest.
    let _ = CALLS.try_with(|calls| calls.set(calls.get() + 1));
}

// SAFETY: every call goes to the system's allocator unchanged; the counter does not allocate.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count();
        unsafe { System.dealloc(pointer, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

fn calls_of(work: impl FnOnce()) -> usize {
    let before = CALLS.get();
    work();
    CALLS.get() - before
}

#[test]
fn the_counter_counts() {
    assert_eq!(calls_of(|| drop(std::hint::black_box(vec![0u8; 100]))), 2);
}

#[test]
fn rendering_and_mixing_allocate_nothing() {
    let mut runner = TestRunner::deterministic();
    let mut takes = three_takes();
    let mut sounded = 0.0f32;
    for frames in [1, 64, 128, 1000] {
        let song = any_song().new_tree(&mut runner).unwrap().current();
        let plan = Plan::compile(&song, 48_000, &|asset| takes.channels(asset));
        let mut scratch = Scratch::new(100);
        let (mut left, mut right) = (vec![0.0f32; frames], vec![0.0f32; frames]);
        let (mut sum_left, mut sum_right) = (vec![0.0f64; frames], vec![0.0f64; frames]);
        let (mut out_left, mut out_right) = (vec![0.0f32; frames], vec![0.0f32; frames]);
        let calls = calls_of(|| {
            let mut at = Position(-1000);
            while at < Position(3000) {
                let mut bus = Bus { left: &mut sum_left, right: &mut sum_right };
                bus.clear();
                for lane in plan.lanes() {
                    let block: &[&[f32]] = if lane.channels == 1 {
                        render_lane(lane, at, &mut [&mut left], &mut takes, &mut scratch);
                        &[&left]
                    } else {
                        render_lane(lane, at, &mut [&mut left, &mut right], &mut takes, &mut scratch);
                        &[&left, &right]
                    };
                    mix_into(lane.pan_gains, block, &mut bus);
                    pan_into(lane.pan_gains, block, &mut out_left, &mut out_right);
                }
                bus.take(&mut out_left, &mut out_right);
                sounded = out_left.iter().fold(sounded, |most, sample| most.max(sample.abs()));
                at = at + Length(frames as u64);
            }
        });
        assert_eq!(calls, 0, "blocks of {frames}");
    }
    assert!(sounded > 0.1, "the songs were silent: nothing was proved");
}

impl Source for Takes {}

/// Every kind of command, made before the clock runs.
fn commands(songs: &[Song], takes: &Takes) -> Vec<Command> {
    let scene = |song: &Song, listening: &Listening| {
        let plan = Plan::compile(song, 48_000, &|asset| takes.channels(asset));
        let scene = std::sync::Arc::new(Scene::new(std::sync::Arc::new(plan), listening));
        Command::Scene(Staged::new(scene))
    };
    let mut commands = vec![Command::Play { from: Some(Position(0)), until: None, frames: None }];
    for song in songs {
        commands.push(scene(song, &Listening::default()));
        commands.push(Command::Loop(Some(Span { start: Position(100), end: Position(1500) })));
        commands.push(scene(song, &Listening::to(Choice::Apart(LaneId(2)))));
        commands.push(Command::Locate(Position(700)));
        commands.push(Command::Level(Linear(0.5)));
        commands.push(scene(song, &Listening { mono: true, ..Listening::to(Choice::Stack) }));
        commands.push(Command::Stop);
        commands.push(Command::Play { from: None, until: None, frames: Some(5000) });
        commands.push(Command::Loop(None));
        commands.push(Command::RiseAgain);
    }
    commands
}

/// Gives the commands one by one while it renders; (allocator calls, loudest sample).
fn play_through<S: Source>(
    engine: &mut Renderer<S>,
    remote: &mut Remote,
    commands: Vec<Command>,
    pause: std::time::Duration,
) -> (usize, f32) {
    let (mut calls, mut loudest) = (0, 0.0f32);
    let mut out = vec![0.0f32; 2 * 5000];
    for (command, frames) in commands.into_iter().zip([0, 1, 64, 128, 1000, 5000].into_iter().cycle()) {
        remote.send(command).expect("room");
        for frames in [frames, 700] {
            let out = &mut out[..frames * 2];
            calls += calls_of(|| engine.render(out));
            loudest = out.iter().fold(loudest, |most, sample| most.max(sample.abs()));
            std::thread::sleep(pause);
        }
        remote.sweep();
    }
    (calls, loudest)
}

/// Plays one song after the other, with everything else that an engine can be told between.
fn allocates_nothing(songs: &[Song]) {
    let takes = three_takes();
    let first = Plan::compile(&songs[0], 48_000, &|asset| takes.channels(asset));
    let scene = std::sync::Arc::new(Scene::new(std::sync::Arc::new(first), &Listening::default()));
    let commands = commands(songs, &takes);
    let (mut engine, mut remote, _sums) = Renderer::new(Setup::at_unity(48_000), takes, scene, Position(0));
    let (calls, loudest) = play_through(&mut engine, &mut remote, commands, std::time::Duration::ZERO);
    assert_eq!(calls, 0);
    assert!(loudest > 0.1, "it was silent: nothing was proved");
}

#[test]
fn the_engine_allocates_nothing_whatever_it_is_told() {
    let mut runner = TestRunner::deterministic();
    let songs: Vec<Song> = (0..8).map(|_| any_song().new_tree(&mut runner).unwrap().current()).collect();
    allocates_nothing(&songs);
}

#[test]
fn the_engine_allocates_nothing_with_tones_either() {
    let mut runner = TestRunner::deterministic();
    let songs: Vec<Song> = (0..8)
        .map(|number| {
            let mut song = any_song().new_tree(&mut runner).unwrap().current();
            for (index, lane) in
                song.lanes.iter_mut().enumerate().filter(|(index, _)| (index + number) % 4 != 3)
            {
                let tone = if index % 3 == 2 { toning::whole_equaliser() } else { toning::whole_chain() };
                std::sync::Arc::make_mut(lane).tone = Some(std::sync::Arc::new(tone));
            }
            song
        })
        .collect();
    allocates_nothing(&songs);
}

#[test]
fn the_engine_allocates_nothing_while_blocks_come_and_go() {
    let folder = tempfile::tempdir().unwrap();
    // Three takes of 30 s in room for 22: blocks are installed, taken out and filled again while it plays.
    let frames = 1_440_000;
    let takes = Takes((1..=3).map(|id| (AssetId(id), noise(1, frames, id as u32))).collect());
    let files: Vec<cache::TakeFile> = (1..=3)
        .map(|id| {
            let path = folder.path().join(format!("{id}.wav"));
            let spec = WavSpec { channels: 1, rate: 48_000, format: OutputFormat::F32 };
            let mut sink = create_sink(&path, spec).unwrap();
            sink.write(&[&takes.0[&AssetId(id)][0]]).unwrap();
            sink.finish().unwrap();
            cache::TakeFile { asset: AssetId(id), path }
        })
        .collect();
    let song = song((1..=3).map(|id| lane(id, "t", vec![region(id, id, 0, frames as u64, 0)])).collect());
    let plan = std::sync::Arc::new(Plan::compile(&song, 48_000, &|_| Some(1)));
    let scene = std::sync::Arc::new(Scene::new(plan, &Listening::default()));
    let (table, reader) = cache::open(&files, 48_000, 0).unwrap();
    let (mut engine, mut remote, _sums) =
        Renderer::new(Setup::at_unity(48_000), table, std::sync::Arc::clone(&scene), Position(0));
    let reader = reader.start(48_000, std::sync::Arc::clone(remote.board())).unwrap();
    reader.wish().set(vec![scene], vec![], None, 240);
    let jumps = (0..40).map(|n| Command::Locate(Position(n * 350_000 % 1_400_000)));
    let play = Command::Play { from: Some(Position(0)), until: None, frames: None };
    let commands = std::iter::once(play).chain(jumps).collect();
    let pause = std::time::Duration::from_millis(4);
    let (calls, loudest) = play_through(&mut engine, &mut remote, commands, pause);
    assert_eq!(calls, 0);
    assert!(loudest > 0.1, "it was silent: nothing was proved");
}

/// Blocks of every lane, by row and channel.
struct Rows(Vec<[Vec<f32>; 2]>);

impl tautline::sound::bank::Blocks for Rows {
    fn block(&mut self, row: usize, channel: usize) -> &mut [f32] {
        &mut self.0[row][channel]
    }
}

#[test]
fn tone_allocates_nothing_not_even_when_plans_are_swapped() {
    let mut runner = TestRunner::deterministic();
    let takes = three_takes();
    let mut song = any_song().new_tree(&mut runner).unwrap().current();
    for (index, lane) in song.lanes.iter_mut().enumerate() {
        let tone = if index % 3 == 2 { toning::whole_equaliser() } else { toning::whole_chain() };
        std::sync::Arc::make_mut(lane).tone = Some(std::sync::Arc::new(tone));
    }
    let plan = Plan::compile(&song, 48_000, &|asset| takes.channels(asset));
    let mut stage = ToneStage::new(&plan);
    let mut next = ToneStage::for_listening(&plan, &|_| Ear { before: true, ..Ear::default() }, Some(&stage));
    let kept = stage.clone();
    let noise = rendering::noise(1, 300, 5).remove(0);
    let mut rows = Rows(vec![[noise.clone(), noise]; plan.lanes().len()]);
    let ids: Vec<_> = plan.lanes().iter().map(|lane| lane.id).collect();
    let mut most = 0.0f64;
    let calls = calls_of(|| {
        for at in [0, 300, 600, 4000] {
            stage.process(at, 300, &mut rows);
            most = ids
                .iter()
                .filter_map(|id| stage.reduction(*id))
                .fold(most, |most, r| most.max(r.compress_db));
        }
        assert!(stage.restore(&kept));
        stage.reset();
        stage.process(0, 300, &mut rows);
        next.adopt(&stage);
        next.process(300, 300, &mut rows);
    });
    assert_eq!(calls, 0);
    assert!(most > 1.0, "nothing was compressed: nothing was proved");
}
