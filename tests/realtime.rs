//! Proof that the kernel may run in the realtime callback: it allocates and frees nothing.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]
#![allow(unsafe_code, reason = "an allocator that counts can only be written as an unsafe impl")]

mod rendering;

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use proptest::strategy::{Strategy, ValueTree};
use proptest::test_runner::TestRunner;
use rendering::{any_song, three_takes};
use tautline::mix::{Bus, Plan, Scratch, mix_into, pan_into, render_lane};
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
