//! Speed of the tone.
#![allow(clippy::expect_used, reason = "a bench that cannot run says why and stops")]
use std::time::Instant;
use tautline::song::tone::*;
use tautline::song::{Db, Tone};
use tautline::sound::bank::{Bank, Blocks, Hear, Voice};

fn whole_chain() -> Tone {
    let band = |shape, frequency_hz, gain| Some(Band { shape, frequency_hz, gain_db: Db(gain), q: 1.0 });
    Tone {
        highpass: Some(HighPass { frequency_hz: 90.0, slope: Slope::Twelve }),
        bands: [
            band(BandShape::LowShelf, 200.0, -2.0),
            band(BandShape::Bell, 300.0, -4.0),
            band(BandShape::Bell, 3000.0, 2.0),
            band(BandShape::HighShelf, 10_000.0, 2.0),
        ],
        deess: Some(Deess::default()),
        compress: Some(Compress::default()),
        ..Tone::default()
    }
}

struct Lanes(Vec<Vec<f32>>);
impl Blocks for Lanes {
    fn block(&mut self, voice: usize, _channel: usize) -> &mut [f32] {
        &mut self.0[voice]
    }
}

fn time(name: &str, tone: &Tone) {
    let voices: Vec<Voice> = (0..64)
        .map(|key| Voice { key, tone, channels: 1, hear: Hear::Tone, search: None })
        .collect();
    let mut bank = Bank::new(&voices, 48_000);
    let mut x = 1u32;
    let mut noise = || {
        x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        ((x >> 8) as f32 / 8_388_608.0 - 1.0) * 0.5
    };
    let source: Vec<Vec<f32>> = (0..64).map(|_| (0..128).map(|_| noise()).collect()).collect();
    let mut best = f64::INFINITY;
    let mut at = 0;
    for _ in 0..200 {
        let mut lanes = Lanes(source.clone());
        let start = Instant::now();
        for group in bank.groups_mut() {
            group.process(at, 128, &mut lanes);
        }
        best = best.min(start.elapsed().as_secs_f64());
        at += 128;
    }
    println!("{name:10} {:7.1} us for 64 lanes x 128: {:.2} % of the deadline, {:.2} ns per sample", best * 1e6, best * 100.0 / (128.0 / 48_000.0), best * 1e9 / 8192.0);
}

fn main() {
    let all = whole_chain();
    time("chain", &all);
    time("eq", &Tone { deess: None, compress: None, ..all.clone() });
    time("deess", &Tone { deess: all.deess, ..Tone::default() });
    time("compress", &Tone { compress: all.compress, ..Tone::default() });
    time("drive", &Tone { drive_db: Db(3.0), ..Tone::default() });
    time("gain", &Tone { gain_db: Db(3.0), ..Tone::default() });
}
