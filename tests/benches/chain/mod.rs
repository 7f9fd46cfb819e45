//! The chain that benches of the tone measure: what a lane usually has, and the same in every one of them, so that their
//! figures can be held against each other.

use tautline::song::tone::{Band, BandShape, Compress, Deess, HighPass, Slope};
use tautline::song::{Db, Tone};

/// High-pass, four bands, de-esser, compressor.
pub fn whole_chain() -> Tone {
    let band = |shape, frequency_hz, gain, q| Some(Band { shape, frequency_hz, gain_db: Db(gain), q });
    Tone {
        highpass: Some(HighPass { frequency_hz: 90.0, slope: Slope::Twelve }),
        bands: [
            band(BandShape::LowShelf, 200.0, -2.0, 0.7),
            band(BandShape::Bell, 300.0, -4.0, 1.4),
            band(BandShape::Bell, 3000.0, 2.0, 1.0),
            band(BandShape::HighShelf, 10_000.0, 2.0, 0.7),
        ],
        deess: Some(Deess::default()),
        compress: Some(Compress::default()),
        ..Tone::default()
    }
}
