//! High-pass and equaliser: a cascade of second-order sections, all of them in one loop, so that the processor works
//! on several sections at a time while each waits for its own last sample.
//!
//! Latency 0. Tail: until the slowest section has rung out; see [`tail_s`].

use crate::song::Tone;
use crate::song::tone::{Band, BandShape, Slope, Stage};
use crate::sound::biquad::Biquad;
use crate::sound::wide::Wide;

/// Sections: two of the high-pass, the four bands, one for searching.
pub(super) const SECTIONS: usize = 7;
/// Parameters: five factors for each section.
pub(super) const PARAMS: usize = 5 * SECTIONS;
/// State: the last two inputs, and the last two outputs of each section.
pub(super) const STATE: usize = 2 + 2 * SECTIONS;

/// A narrow boost for finding what disturbs, heard while listening and never part of a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Search {
    /// In Hz.
    pub frequency_hz: f64,
    /// Held to [`MOST_SEARCH_DB`] at most.
    pub gain_db: f64,
    /// Q, 8 is a good one.
    pub q: f64,
}

/// Largest boost of a search in dB, for the sake of the ear.
pub const MOST_SEARCH_DB: f64 = 12.0;

/// The filter of an equaliser band at `rate` Hz.
#[must_use]
pub fn band_filter(band: &Band, rate: f64) -> Biquad {
    let (hz, db, q) = (band.frequency_hz, band.gain_db.0, band.q);
    match band.shape {
        BandShape::Bell => Biquad::bell(hz, db, q, rate),
        BandShape::LowShelf => Biquad::low_shelf(hz, db, q, rate),
        BandShape::HighShelf => Biquad::high_shelf(hz, db, q, rate),
        BandShape::BandPass => Biquad::band_pass(hz, q, rate),
    }
}

/// The sections of a tone's equaliser at `rate` Hz; those it does not have leave everything as it is.
#[must_use]
pub fn sections(tone: &Tone, search: Option<Search>, rate: f64) -> [Biquad; SECTIONS] {
    let mut sections = [Biquad::IDENTITY; SECTIONS];
    if tone.acts(Stage::Eq) {
        if let Some(high) = tone.highpass {
            let steep = high.slope == Slope::TwentyFour;
            sections[..2].copy_from_slice(&Biquad::butterworth_high_pass(high.frequency_hz, steep, rate));
        }
        for (section, band) in sections[2..6].iter_mut().zip(&tone.bands) {
            *section = band.map_or(Biquad::IDENTITY, |band| band_filter(&band, rate));
        }
    }
    if let Some(search) = search {
        sections[6] = Biquad::bell(search.frequency_hz, search.gain_db.min(MOST_SEARCH_DB), search.q, rate);
    }
    sections
}

/// Seconds until the slowest section has decayed by 70 dB.
pub(super) fn tail_s(sections: &[Biquad], rate: f64) -> f64 {
    let seconds = |section: &Biquad| {
        // The radius of a pair of complex poles is √a2; two real ones are slower than it by at most their distance.
        let spread = (section.a1 * section.a1 / 4.0 - section.a2).max(0.0).sqrt();
        let radius = if spread > 0.0 { section.a1.abs() / 2.0 + spread } else { section.a2.max(0.0).sqrt() };
        if radius > 0.0 && radius < 1.0 { -8.0 / radius.ln() / rate } else { 0.0 }
    };
    sections.iter().map(seconds).fold(0.0, f64::max)
}

/// Filters `buffer` in place by those sections of all that are listed in `used`.
#[inline(always)]
pub(super) fn process(used: &[usize], params: &[Wide], state: &mut [Wide], buffer: &mut [Wide]) {
    let before = [state[0], state[1]];
    let into = last_two(buffer, before);
    match *used {
        [a] => cascade([a], params, state, buffer),
        [a, b] => cascade([a, b], params, state, buffer),
        [a, b, c] => cascade([a, b, c], params, state, buffer),
        [a, b, c, d] => cascade([a, b, c, d], params, state, buffer),
        [a, b, c, d, e] => cascade([a, b, c, d, e], params, state, buffer),
        [a, b, c, d, e, f] => cascade([a, b, c, d, e, f], params, state, buffer),
        [a, b, c, d, e, f, g] => cascade([a, b, c, d, e, f, g], params, state, buffer),
        _ => {}
    }
    state[..2].copy_from_slice(&into);
    // A section that nobody needs passes on what it gets, so that one which comes in later finds its past.
    for section in (0..SECTIONS).filter(|section| !used.contains(section)) {
        state.copy_within(2 * section..2 * section + 2, 2 * section + 2);
    }
}

/// The last sample of a block and the one before it, whatever its length.
#[inline(always)]
fn last_two(buffer: &[Wide], before: [Wide; 2]) -> [Wide; 2] {
    match buffer {
        [] => before,
        [only] => [*only, before[0]],
        [.., earlier, last] => [*last, *earlier],
    }
}

/// Direct form: what a section remembers is its input and output, not numbers that only mean something with its own
/// factors; so factors may move while sound passes. The output of one section is the input of the next.
#[inline(always)]
fn cascade<const N: usize>(used: [usize; N], params: &[Wide], state: &mut [Wide], buffer: &mut [Wide]) {
    let mut factors = [[Wide::ZERO; 5]; N];
    let mut outputs = [[Wide::ZERO; 2]; N];
    for (section, (factors, outputs)) in used.iter().zip(factors.iter_mut().zip(&mut outputs)) {
        factors.copy_from_slice(&params[section * 5..section * 5 + 5]);
        outputs.copy_from_slice(&state[section * 2 + 2..section * 2 + 4]);
    }
    let mut input = [state[0], state[1]];
    for sample in buffer.iter_mut() {
        let mut x = *sample;
        let [mut x1, mut x2] = input;
        input = [x, x1];
        for section in 0..N {
            let [b0, b1, b2, a1, a2] = factors[section];
            let [y1, y2] = outputs[section];
            let y = ((b0 * x + b1 * x1) + (b2 * x2 - a2 * y2)) - a1 * y1;
            outputs[section] = [y, y1];
            (x, x1, x2) = (y, y1, y2);
        }
        *sample = x;
    }
    for (section, outputs) in used.iter().zip(&outputs) {
        state[section * 2 + 2..section * 2 + 4].copy_from_slice(outputs);
    }
}
