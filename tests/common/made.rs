//! What is needed to cut takes and slide their pieces: seeded numbers and a file to write.
#![allow(dead_code, reason = "each test binary uses a part of it")]
#![allow(clippy::unwrap_used, reason = "a panic in a test is its report")]

use std::path::Path;

/// Pseudo-random numbers from 0 to 1: Knuth's linear congruence, seeded, the same everywhere.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll()
    }
}

/// One channel of floats.
pub fn write(path: &Path, samples: &[f32], rate: u32) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    samples.iter().for_each(|sample| writer.write_sample(*sample).unwrap());
    writer.finalize().unwrap();
}
