//! What each lane sounds like on its way to the bus, handed from the callback to the meters' thread.
//!
//! Samples go through one ring, and a note of whose they are through another, behind them: who reads a note finds its
//! samples there. A tap for which there is no room is left out whole, and counted.

use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

/// How long the meters may be away, in parts of a second.
const PARTS: usize = 6;
/// Most samples that may wait: 16 MiB.
const MOST_SAMPLES: usize = 1 << 22;
/// Notes for each channel that may wait: one for a callback of 64 frames and more.
const NOTES_A_SECOND: usize = 750;

/// Whose samples come next.
#[derive(Debug, Clone, Copy)]
struct Tap {
    lane: u16,
    channels: u8,
    frames: u16,
}

/// The callback's end.
pub(super) struct TapsIn {
    notes: HeapProd<Tap>,
    samples: HeapProd<f32>,
}

/// The meters' end.
pub(super) struct TapsOut {
    notes: HeapCons<Tap>,
    samples: HeapCons<f32>,
}

/// Both ends, for lanes of so many channels in all. Allocates.
pub(super) fn taps(rate: u32, channels: usize) -> (TapsIn, TapsOut) {
    let room = (rate.max(1000) as usize / PARTS).saturating_mul(channels.max(8));
    let (samples_in, samples_out) = HeapRb::new(room.min(MOST_SAMPLES)).split();
    let (notes_in, notes_out) = HeapRb::new(NOTES_A_SECOND / PARTS * channels.max(8)).split();
    (TapsIn { notes: notes_in, samples: samples_in }, TapsOut { notes: notes_out, samples: samples_out })
}

impl TapsIn {
    /// Hands over frames of a lane, one slice a channel; false if there is no room for them. Realtime-safe.
    pub(super) fn put(&mut self, lane: usize, channels: &[&[f32]]) -> bool {
        let frames = channels.first().map_or(0, |channel| channel.len());
        let (Ok(lane), Ok(short)) = (u16::try_from(lane), u16::try_from(frames)) else { return false };
        if self.notes.is_full() || self.samples.vacant_len() < frames * channels.len() {
            return false;
        }
        for channel in channels {
            self.samples.push_slice(channel);
        }
        self.notes.try_push(Tap { lane, channels: channels.len() as u8, frames: short }).is_ok()
    }
}

impl TapsOut {
    /// Gives every tap that has arrived to `heard`: the index of its lane, its channels one after the other, and how
    /// many they are.
    pub(super) fn take(&mut self, spare: &mut Vec<f32>, mut heard: impl FnMut(usize, &[f32], usize)) {
        while let Some(tap) = self.notes.try_pop() {
            let channels = usize::from(tap.channels);
            spare.resize(usize::from(tap.frames) * channels, 0.0);
            self.samples.pop_slice(spare);
            heard(usize::from(tap.lane), spare, channels);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn taps_come_out_as_they_went_in_and_none_is_torn() {
        let (mut inside, mut outside) = taps(6000, 8);
        let (left, right) = ([0.5f32; 700], [-0.25f32; 700]);
        let (two, one): ([&[f32]; 2], [&[f32]; 1]) = ([&left, &right], [&left]);
        let mut put = 0;
        while inside.put(put, if put % 2 == 0 { &two } else { &one }) {
            put += 1;
        }
        assert!((5..20).contains(&put), "{put}");
        let mut seen = 0;
        outside.take(&mut Vec::new(), |lane, samples, channels| {
            assert_eq!((lane, channels), (seen, if seen % 2 == 0 { 2 } else { 1 }));
            let (first, second) = samples.split_at(700);
            assert!(first.iter().all(|sample| *sample == 0.5));
            assert!(second.iter().all(|sample| *sample == -0.25));
            seen += 1;
        });
        assert_eq!(seen, put, "what found no room is not there in part");
        assert!(inside.put(0, &[&left]), "there is room again");
    }
}
