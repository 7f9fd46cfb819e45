//! The cache under every order in which reader and callback can meet: the callback's own code over modelled rings.

use loom::thread;

use super::table::{Slots, take_in};
use super::{BLOCK, Block, BlockName, Delivery, TakeInfo};
use crate::audition::ends::{Pull, Push};
use crate::audition::interleavings::{explore, ring};
use crate::song::AssetId;

const FIRST: BlockName = BlockName { take: 0, number: 0 };
const SECOND: BlockName = BlockName { take: 0, number: 1 };

fn block(value: f32) -> Box<Block> {
    Box::new(Block { channels: vec![vec![value; 2]], damaged: false })
}

fn value(slots: &Slots, number: usize) -> Option<f32> {
    slots.block(number).map(|block| {
        let channel = &block.channels[0];
        assert_eq!(channel[0], channel[1], "a block is seen half filled");
        channel[0]
    })
}

/// With memory for one block, the second can only come when the first has come back. The callback sees each whole, never
/// both, and no block is lost or doubled.
#[test]
fn a_block_has_one_owner_at_any_time() {
    explore(|| {
        let (mut deliveries_in, mut deliveries) = ring::<Delivery>(2);
        let (mut returns, mut returned) = ring::<(BlockName, Box<Block>)>(1);
        let reader = thread::spawn(move || {
            deliveries_in.push(Delivery::Install(FIRST, block(1.0))).unwrap();
            deliveries_in.push(Delivery::Evict(FIRST)).unwrap();
            let mut back = None;
            for _ in 0..3 {
                if back.is_none() {
                    back = returned.pull();
                }
                thread::yield_now();
            }
            let held = match back {
                Some((name, mut block)) => {
                    assert_eq!(name, FIRST);
                    // The same memory is filled again while the callback plays on.
                    block.channels[0].fill(2.0);
                    deliveries_in.push(Delivery::Install(SECOND, block)).map_err(|_| ()).unwrap();
                    0
                }
                None => 0,
            };
            (held, returned)
        });
        let info = TakeInfo { asset: AssetId(1), channels: 1, frames: 2 * BLOCK as u64 };
        let mut takes = [Slots::new(info)];
        for _ in 0..3 {
            take_in(&mut takes, &mut deliveries, &mut returns);
            let (first, second) = (value(&takes[0], 0), value(&takes[0], 1));
            assert!(first.is_none_or(|value| value == 1.0) && second.is_none_or(|value| value == 2.0));
            assert!(first.is_none() || second.is_none(), "two blocks where there is memory for one");
        }
        let (held, mut returned) = reader.join().unwrap();
        let mut blocks = held + usize::from(returned.pull().is_some());
        take_in(&mut takes, &mut deliveries, &mut returns);
        blocks += usize::from(returned.pull().is_some());
        blocks += (0..2).filter(|number| value(&takes[0], *number).is_some()).count();
        assert_eq!(blocks, 1, "a block was lost or doubled");
    });
}

/// A callback that has no room to give back takes nothing in; nothing is freed and nothing forgotten.
#[test]
fn without_room_for_what_gives_way_nothing_is_taken_in() {
    explore(|| {
        let (mut deliveries_in, mut deliveries) = ring::<Delivery>(3);
        let (mut returns, mut returned) = ring::<(BlockName, Box<Block>)>(1);
        let reader = thread::spawn(move || {
            let mut came = 0;
            for value in [1.0, 2.0, 3.0] {
                // Each takes the place of the one before it.
                deliveries_in.push(Delivery::Install(FIRST, block(value))).map_err(|_| ()).unwrap();
                came += usize::from(returned.pull().is_some());
            }
            (came, returned)
        });
        let info = TakeInfo { asset: AssetId(1), channels: 1, frames: BLOCK as u64 };
        let mut takes = [Slots::new(info)];
        let mut before = 0.0;
        for _ in 0..2 {
            take_in(&mut takes, &mut deliveries, &mut returns);
            let now = value(&takes[0], 0).unwrap_or(0.0);
            assert!(now >= before, "an older block came after a newer one");
            before = now;
        }
        let (mut came, mut returned) = reader.join().unwrap();
        for _ in 0..4 {
            came += usize::from(returned.pull().is_some());
            take_in(&mut takes, &mut deliveries, &mut returns);
        }
        assert_eq!((came, value(&takes[0], 0)), (2, Some(3.0)));
    });
}
