//! What a callback costs, how long an edit takes to be heard, and a soak.
//!
//!     cargo bench --profile quick --bench audition                    callbacks, latencies
//!     cargo bench --profile quick --bench audition -- 64 128          lanes, frames of a callback
//!     cargo bench --profile quick --bench audition -- soak 600        random work for 600 s into `none`
//!     SOAK_OUT=device … -- soak 600                                   the same into the default device (run it in the rig)

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use tautline::audition::cache::{DEFAULT_BUDGET, TakeFile};
use tautline::audition::{
    Choice, Command, Event, Listening, OutputChoice, OutputOptions, Player, Remote, Renderer, Scene, Setup,
    Source, Staged,
};
use tautline::media::{OutputFormat, WavSpec, create_sink};
use tautline::mix::{Plan, Samples};
use tautline::song::{
    AssetId, Bend, Curve, Db, Fade, Lane, Length, Pan, Position, Region, RegionId, Song, Span, Tone,
};

mod chain;
#[path = "../common/mod.rs"]
mod common;
mod rows;

use chain::whole_chain;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let numbers: Vec<usize> = words.iter().filter_map(|word| word.parse().ok()).collect();
    if words.iter().any(|word| word == "soak") {
        soak(Duration::from_secs(numbers.first().copied().unwrap_or(60) as u64));
        return;
    }
    println!("mono lanes, regions of 2 s with gains, fades and crossfades, every lane panned");
    println!("time on the core (on the wall, where other programs take their share: in brackets)");
    println!(
        "lanes   rate  frames   mean      p99.9     worst    mean of deadline   p99.9 of deadline   on the wall"
    );
    match numbers[..] {
        [lanes, frames] => {
            callbacks(lanes, 48_000, frames, What::Plays, None);
            callbacks(lanes, 48_000, frames, What::Plays, Some(whole_chain()));
        }
        _ => {
            callbacks(64, 48_000, 128, What::Plays, None);
            callbacks(64, 48_000, 128, What::Swaps, None);
            callbacks(64, 48_000, 128, What::Plays, Some(whole_chain()));
            callbacks(64, 48_000, 128, What::Swaps, Some(whole_chain()));
            callbacks(64, 48_000, 128, What::Jumps, Some(whole_chain()));
            callbacks(128, 96_000, 128, What::Plays, None);
            callbacks(128, 96_000, 128, What::Plays, Some(whole_chain()));
        }
    }
    edit_to_sound();
    start_of_sound();
}

/// Takes in memory, as the block cache has them: one block of samples for all lanes.
struct Memory(Vec<f32>);

impl Samples for Memory {
    fn fill(&mut self, asset: AssetId, _: u16, from: u64, out: &mut [f32]) {
        let mut place = (from as usize + asset.0 as usize * 7919) % self.0.len();
        let mut done = 0;
        while done < out.len() {
            let count = (out.len() - done).min(self.0.len() - place);
            out[done..done + count].copy_from_slice(&self.0[place..place + count]);
            (done, place) = (done + count, 0);
        }
    }
}

impl Source for Memory {}

fn noise(frames: usize, seed: u32) -> Vec<f32> {
    let mut x = seed;
    let mut next = || {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        ((x >> 8) as f32 / 8_388_608.0 - 1.0) * 0.05
    };
    (0..frames).map(|_| next()).collect()
}

fn make_song(lanes: usize, rate: u32, seconds: u64) -> Song {
    let two = 2 * u64::from(rate);
    let ms = |ms: u64| Length(u64::from(rate) * ms / 1000);
    let fade = |length: Length, curve: Curve| Fade { length, curve, bend: Bend(0.2) };
    let lane = |id: u64| {
        let region = |index: u64| {
            let cross = index.is_multiple_of(2) && (index + 1) * 2 < seconds;
            Arc::new(Region {
                id: RegionId(id * 100_000 + index),
                asset: AssetId(id),
                source_in: index * two,
                length: Length(two + if cross { ms(15).0 } else { 0 }),
                at: Position((index * two) as i64),
                gain_db: Db(if index.is_multiple_of(3) { -1.5 } else { 0.7 }),
                highpass_hz: None,
                fade_in: if index % 2 == 1 {
                    fade(ms(15), Curve::EqualPower)
                } else {
                    fade(ms(5), Curve::Linear)
                },
                fade_out: if cross {
                    fade(ms(15), Curve::EqualPower)
                } else {
                    fade(ms(40), Curve::RaisedCosine)
                },
            })
        };
        Arc::new(Lane {
            gain_db: Db(-3.0),
            pan: Pan((id as f64 * 0.37).sin()),
            regions: (0..seconds / 2).map(region).collect(),
            ..common::lane(id, 0)
        })
    };
    Song { lanes: (1..=lanes as u64).map(lane).collect(), ..Song::default() }
}

fn scene_of(plan: &Arc<Plan>) -> Command {
    Command::Scene(Staged::new(Arc::new(Scene::new(Arc::clone(plan), &Listening::default()))))
}

fn engine(song: &Song, rate: u32) -> (Renderer<Memory>, Remote, Arc<Plan>) {
    let plan = Arc::new(Plan::compile(song, rate, &|_| Some(1)));
    let scene = Arc::new(Scene::new(Arc::clone(&plan), &Listening::default()));
    let memory = Memory(noise(rate as usize * 8, 1));
    let (engine, remote, sums) = Renderer::new(Setup::at_unity(rate), memory, scene, Position(0));
    // Nobody reads the sum: the ring fills up, which costs no less than reading it.
    std::mem::forget(sums);
    (engine, remote, plan)
}

/// Seconds that this thread has been on a core.
fn on_core() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
}

/// What goes on while callbacks are measured.
#[derive(Clone, Copy, PartialEq)]
enum What {
    /// It plays a loop.
    Plays,
    /// An edit in every callback that can take one, so that two plans are rendered all the time.
    Swaps,
    /// A jump each second, whose pre-roll is rendered beside what sounds.
    Jumps,
}

fn callbacks(lanes: usize, rate: u32, frames: usize, what: What, tone: Option<Tone>) {
    let mut song = make_song(lanes, rate, 20);
    let toned = tone.is_some();
    let tone = tone.map(Arc::new);
    song.lanes.iter_mut().for_each(|lane| Arc::make_mut(lane).tone = tone.clone());
    let (mut engine, mut remote, plan) = engine(&song, rate);
    let span = Span { start: Position(0), end: Position(i64::from(rate) * 19) };
    let _ = remote.send(Command::Loop(Some(span)));
    let _ = remote.send(Command::Play { from: Some(Position(0)), until: None, frames: None });
    let mut out = vec![0.0f32; frames * 2];
    let count = rate as usize * 60 / frames;
    let (mut costs, mut walls) = (Vec::with_capacity(count), Vec::with_capacity(count));
    for number in 0..count {
        if what == What::Jumps && number % (rate as usize / frames) == 0 {
            let _ = remote.send(Command::Locate(Position((number as i64 * 7919) % (i64::from(rate) * 18))));
        }
        if what == What::Swaps {
            let _ = remote.send(scene_of(&plan));
        }
        let (begin, begun) = (Instant::now(), on_core());
        engine.render(&mut out);
        costs.push((on_core() - begun) * 1e6);
        walls.push(begin.elapsed().as_secs_f64() * 1e6);
        if number % 64 == 0 || what == What::Swaps {
            remote.sweep();
        }
    }
    costs.sort_by(f64::total_cmp);
    walls.sort_by(f64::total_cmp);
    let mean = costs.iter().sum::<f64>() / costs.len() as f64;
    let p999 = costs[costs.len() * 999 / 1000];
    let deadline = frames as f64 / f64::from(rate) * 1e6;
    println!(
        "{lanes:5} {rate:6} {frames:7} {mean:7.1} us {p999:7.1} us {:7.1} us {:15.2} % {:17.2} %   ({:.1} us mean, {:.1} us p99.9){}",
        costs[costs.len() - 1],
        mean / deadline * 100.0,
        p999 / deadline * 100.0,
        walls.iter().sum::<f64>() / walls.len() as f64,
        walls[walls.len() * 999 / 1000],
        words(what, toned)
    );
    let goal = |most: f64| match what {
        What::Plays if lanes <= 64 => rows::Goal::AtMost(most),
        _ => rows::Goal::Open,
    };
    let name = format!("callback, {lanes} lanes, {rate} Hz, {frames} frames {}", words(what, toned).trim());
    let mean_goal = if toned { 50.0 } else { 10.0 };
    let late = if toned { rows::Goal::Open } else { goal(50.0) };
    rows::row(&format!("{name}: mean"), mean / deadline * 100.0, "% of the deadline", goal(mean_goal), "");
    rows::row(&format!("{name}: p99.9"), p999 / deadline * 100.0, "% of the deadline", late, "");
}

fn words(what: What, toned: bool) -> &'static str {
    match (what, toned) {
        (What::Plays, false) => "",
        (What::Plays, true) => "   whole chain of tone",
        (What::Swaps, false) => "   a swap always under way",
        (What::Swaps, true) => "   whole chain, a swap always under way",
        (What::Jumps, _) => "   whole chain, a jump each second",
    }
}

/// Frames of the stream from the command to the first sample that differs, and to the last of the crossfade.
fn edit_to_sound() {
    let song = make_song(8, 48_000, 20);
    let (mut engine, mut remote, _) = engine(&song, 48_000);
    let mut louder = song.clone();
    louder.lanes.iter_mut().for_each(|lane| Arc::make_mut(lane).gain_db = Db(-30.0));
    let _ = remote.send(Command::Play { from: Some(Position(24_000)), until: None, frames: None });
    let mut out = vec![0.0f32; 256];
    (0..20).for_each(|_| engine.render(&mut out));
    let begin = Instant::now();
    let plan = Arc::new(Plan::compile(&louder, 48_000, &|_| Some(1)));
    let scene = Arc::new(Scene::new(plan, &Listening::default()));
    let made = begin.elapsed();
    let _ = remote.send(Command::Scene(Staged::new(scene)));
    let (mut other, mut other_remote, _) = self::engine(&song, 48_000);
    let _ = other_remote.send(Command::Play { from: Some(Position(24_000)), until: None, frames: None });
    let mut reference = vec![0.0f32; 256];
    (0..20).for_each(|_| other.render(&mut reference));
    let (mut first, mut frames) = (None, 0);
    while first.is_none() && frames < 48_000 {
        engine.render(&mut out);
        other.render(&mut reference);
        first = out.iter().zip(&reference).position(|(a, b)| a != b).map(|index| frames + index / 2);
        frames += 128;
    }
    println!(
        "\nedit to sound: plan of 8 lanes made in {:.0} us; first changed sample {} frames into the next callback \
         ({} of them the ceiling's delay), whole after 144 more; a callback of 128 frames waits at most 128 before: {:.1} ms in all, then the device",
        made.as_secs_f64() * 1e6,
        first.unwrap_or(0),
        engine.latency(),
        (128 + first.unwrap_or(0) + 144) as f64 / 48.0
    );
    let ms = (128 + first.unwrap_or(0) + 144) as f64 / 48.0;
    rows::row("edit to sound, before the device", ms, "ms", rows::Goal::AtMost(20.0), "");
}

fn write_takes(folder: &Path, lanes: usize, rate: u32, seconds: u64) -> Vec<TakeFile> {
    let take = |id: usize| {
        let path = folder.join(format!("take-{id}.wav"));
        let spec = WavSpec { channels: 1, rate, format: OutputFormat::I24 };
        let mut sink = create_sink(&path, spec).expect("room for the takes");
        let second = noise(rate as usize, id as u32);
        (0..seconds).for_each(|_| sink.write(&[&second]).expect("room for the takes"));
        sink.finish().expect("room for the takes");
        TakeFile { asset: AssetId(id as u64), path }
    };
    (1..=lanes).map(take).collect()
}

/// From the command to the first callback that sounds, in real time into `none`.
fn start_of_sound() {
    let folder = tempfile::tempdir().expect("a folder");
    let takes = write_takes(folder.path(), 64, 48_000, 62);
    let song = make_song(64, 48_000, 60);
    let plan = Arc::new(Plan::compile(&song, 48_000, &|_| Some(1)));
    // 64 lanes of 60 s are 704 MB; with 64 MB of cache what lies far away is not in memory.
    let mut player =
        Player::new(Setup::at_unity(48_000), plan, Listening::default(), &takes, 64 << 20).expect("a player");
    let none = OutputOptions { once: false, ..OutputOptions::once(OutputChoice::None) };
    player.attach(&none).expect("an output");
    std::thread::sleep(Duration::from_millis(1500));
    let mut start = |at: i64| {
        player.stop();
        std::thread::sleep(Duration::from_millis(200));
        let _ = player.tick();
        let begin = Instant::now();
        player.play(Some(Position(at)), None, None);
        // The meters see the first sound; they look every 25 ms, so the position is asked instead.
        while (player.board().position().0 - at).unsigned_abs() > 5_000
            || !player.board().is_playing()
            || player.board().is_waiting()
            || player.board().position().0 <= at
        {
            std::thread::sleep(Duration::from_micros(200));
            if begin.elapsed() > Duration::from_secs(2) {
                break;
            }
        }
        begin.elapsed().as_secs_f64() * 1e3
    };
    let resident = start(0);
    let far: Vec<f64> = [20, 41, 8, 50, 30].iter().map(|second| start(second * 48_000)).collect();
    let far_text: Vec<String> = far.iter().map(|ms| format!("{ms:.0}")).collect();
    println!(
        "start of sound, 64 lanes, blocks of 1024 frames (21 ms): resident {resident:.0} ms; not resident (page cache warm) {} ms; \
         missing frames {}",
        far_text.join(", "),
        player.status().missing
    );
    rows::row("start of sound, resident", resident, "ms", rows::Goal::AtMost(30.0), "");
    let worst = far.iter().copied().fold(0.0, f64::max);
    rows::row("start of sound, not resident, worst of 5", worst, "ms", rows::Goal::AtMost(150.0), "");
}

fn memory_kb() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok()).unwrap_or(0)
}

/// Random edits, solos, loops, jumps, stops, comparisons and levels, in real time.
fn soak(length: Duration) {
    let folder = tempfile::tempdir().expect("a folder");
    let (lanes, seconds) = (16, 30);
    let takes = write_takes(folder.path(), lanes, 48_000, seconds + 2);
    let song = make_song(lanes, 48_000, seconds);
    let plan = Arc::new(Plan::compile(&song, 48_000, &|_| Some(1)));
    let mut player =
        Player::new(Setup::at_unity(48_000), Arc::clone(&plan), Listening::default(), &takes, DEFAULT_BUDGET)
            .expect("a player");
    let choice = match std::env::var("SOAK_OUT").as_deref() {
        Ok("device") => OutputChoice::Device(None),
        _ => OutputChoice::None,
    };
    let options = OutputOptions { once: false, buffer: Some(1024), ..OutputOptions::once(choice) };
    let info = player.attach(&options).expect("an output");
    println!(
        "soak: {lanes} lanes of {seconds} s into {} at {} Hz, period {:?}, for {:?}",
        info.name, info.rate, info.buffer, length
    );
    player.play(Some(Position(0)), None, None);
    let begin = Instant::now();
    let (mut x, mut edits, mut song) = (7u32, 0u64, song);
    let mut random = move |below: u32| {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (x >> 8) % below
    };
    let (mut first_second, mut memory, mut next) = (0, Vec::new(), Duration::from_secs(1));
    let frames = i64::try_from(seconds).expect("short") * 48_000;
    while begin.elapsed() < length {
        for event in player.tick() {
            match event {
                Event::Ended | Event::Trouble(_) => println!("{event:?}"),
                Event::Failed(error) => panic!("{error}"),
            }
        }
        act(&mut player, &mut song, &plan, &mut random, frames);
        edits += 1;
        if begin.elapsed() > next {
            if first_second == 0 && memory.is_empty() {
                first_second = player.status().missing;
            }
            memory.push(memory_kb() / 1024);
            next = begin.elapsed() + Duration::from_secs(10);
        }
        std::thread::sleep(Duration::from_millis(u64::from(random(60))));
    }
    let status = player.status();
    let wall = begin.elapsed().as_secs_f64();
    println!(
        "soak: {edits} acts in {wall:.0} s; {} frames rendered, {:.4} of real time; missing after the first second: {} frames; \
         callbacks slower than their period: {}; hiccups of the device: {}; not finite: {}; marks or meter frames lost: {}",
        status.rendered,
        status.rendered as f64 / 48_000.0 / wall,
        status.missing - first_second,
        status.overruns,
        status.hiccups,
        status.nonfinite,
        player.board().lost()
    );
    println!("soak: resident memory every 10 s, MB: {memory:?}; cache {} MB", status.cached >> 20);
}

fn act(
    player: &mut Player,
    song: &mut Song,
    first: &Arc<Plan>,
    random: &mut impl FnMut(u32) -> u32,
    frames: i64,
) {
    let place = i64::from(random(u32::try_from(frames - 96_000).expect("short")));
    let lane = random(16) as usize;
    match random(12) {
        0..=3 => {
            let lane = Arc::make_mut(&mut song.lanes[lane]);
            lane.gain_db = Db(-f64::from(random(12)));
            let region = Arc::make_mut(&mut lane.regions[0]);
            region.gain_db = Db(-f64::from(random(6)));
            let plan = first.recompile(song, &|_| Some(1));
            player.set_plan(Arc::new(plan));
        }
        4 => {
            let lane = Arc::make_mut(&mut song.lanes[lane]);
            lane.solo = !lane.solo;
            player.set_plan(Arc::new(first.recompile(song, &|_| Some(1))));
        }
        5 => {
            let id = song.lanes[lane].id;
            let choices = [Choice::Marks, Choice::Stack, Choice::Guide, Choice::Both(id), Choice::Apart(id)];
            let choice = choices[random(5) as usize].clone();
            player.set_listening(Listening { mono: random(4) == 0, ..Listening::to(choice) });
        }
        6 => {
            let length = 4800 + i64::from(random(90_000));
            let span = Span { start: Position(place), end: Position(place + length) };
            let _ = player.set_loop((random(4) != 0).then_some(span));
        }
        7 | 8 => player.locate(Position(place)),
        9 => {
            player.set_before(Some(Arc::clone(first)));
            player.hear_before(random(2) == 0);
        }
        10 => player.set_level(Db(-f64::from(random(30))).to_linear()),
        _ => player.play(Some(Position(place)), None, None),
    }
}
