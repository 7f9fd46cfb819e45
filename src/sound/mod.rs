//! Parts that make or change sound: the laws of fades and of panning, filters, the processors of a lane's tone. Pure arithmetic, safe in the
//! realtime callback, without knowledge of lanes or sessions; the model's plain values (a curve, a
//! bend, a pan) are all that it takes from below.

pub mod bank;
pub mod biquad;
pub mod dither;
pub mod fade_law;
pub mod halfband;
pub mod interpolator;
pub mod loudness;
pub mod pan;
pub mod wide;

/// Numbers below this are no sound: 600 dB below full scale. Recursive filters make them 0 before they become denormal, which
/// takes a processor a hundred times as long a sample, for seconds of digital silence.
pub const SILENT: f64 = 1e-30;
