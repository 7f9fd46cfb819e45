//! An engine over takes in memory, and the offline render that it is held against.

use std::sync::Arc;

use tautline::audition::{Command, Listening, Remote, Renderer, Scene, Setup, Source};
use tautline::mix::{Bus, Plan, Scratch, mix_into, render_lane};
use tautline::song::{Position, Song};

use crate::rendering::Takes;

impl Source for Takes {}

/// Where the offline renders begin and end.
pub const FROM: i64 = -3000;
pub const TO: i64 = 9000;

pub fn plan(song: &Song, takes: &Takes) -> Arc<Plan> {
    Arc::new(Plan::compile(song, 48_000, &|asset| takes.channels(asset)))
}

pub fn scene(song: &Song, takes: &Takes, listening: &Listening) -> Arc<Scene> {
    Arc::new(Scene::new(plan(song, takes), listening))
}

/// What the bounce sums, of the lanes that `heard` lets through, from [`FROM`] to [`TO`], before it is rounded to f32.
pub fn offline(plan: &Plan, takes: &Takes, heard: &dyn Fn(usize) -> bool) -> [Vec<f64>; 2] {
    let mut takes = takes.clone();
    let frames = usize::try_from(TO - FROM).unwrap();
    let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
    let (mut a, mut b) = (vec![0.0f32; frames], vec![0.0f32; frames]);
    let mut scratch = Scratch::new(frames);
    let mut bus = Bus { left: &mut left, right: &mut right };
    for (_, lane) in plan.lanes().iter().enumerate().filter(|(index, _)| heard(*index)) {
        if lane.channels == 1 {
            render_lane(lane, Position(FROM), &mut [&mut a], &mut takes, &mut scratch);
            mix_into(lane.pan_gains, &[&a], &mut bus);
        } else {
            render_lane(lane, Position(FROM), &mut [&mut a, &mut b], &mut takes, &mut scratch);
            mix_into(lane.pan_gains, &[&a, &b], &mut bus);
        }
    }
    [left, right]
}

/// The value of an offline render at a position; silence outside.
pub fn at(render: &[Vec<f64>; 2], position: i64) -> [f64; 2] {
    let index = usize::try_from(position - FROM).ok();
    let value = |side: &Vec<f64>| index.and_then(|index| side.get(index)).copied().unwrap_or(0.0);
    [value(&render[0]), value(&render[1])]
}

/// A commanded engine.
pub struct Rig {
    pub renderer: Renderer<Takes>,
    pub remote: Remote,
    pub out: Vec<[f32; 2]>,
    late: usize,
}

impl Rig {
    pub fn new(setup: Setup, takes: &Takes, scene: Arc<Scene>, at: i64) -> Rig {
        let (renderer, remote, _) = Renderer::new(setup, takes.clone(), scene, Position(at));
        let late = renderer.latency();
        Rig { renderer, remote, out: Vec::new(), late }
    }

    pub fn send(&mut self, command: Command) {
        self.remote.send(command).expect("room for a command");
    }

    pub fn play(&mut self, from: i64) {
        self.send(Command::Play { from: Some(Position(from)), until: None, frames: None });
    }

    /// One callback.
    pub fn run(&mut self, frames: usize) {
        let mut block = vec![f32::NAN; frames * 2];
        self.renderer.render(&mut block);
        self.out.extend(block.chunks_exact(2).map(|frame| [frame[0], frame[1]]));
        self.remote.sweep();
    }

    /// Everything so far, without the delay of the ceiling.
    pub fn heard(&mut self) -> Vec<[f32; 2]> {
        let frames = self.out.len();
        self.run(self.late);
        let heard = self.out[self.late..].to_vec();
        self.out.truncate(frames);
        assert_eq!(heard.len(), frames);
        heard
    }
}
