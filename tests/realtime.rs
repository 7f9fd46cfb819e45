//! Proof that the kernel may run in the realtime callback: it allocates and frees nothing.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]
#![allow(unsafe_code, reason = "an allocator that counts can only be written as an unsafe impl")]

mod rendering;
mod toning;

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::TestRunner;
use rendering::{any_song, three_takes};
use tautline::mix::{Bus, Ear, Plan, Scratch, ToneStage, mix_into, pan_into, render_lane};
use tautline::song::{Length, Position};

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
