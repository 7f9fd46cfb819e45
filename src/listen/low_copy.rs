//! The copy of a take that timing listens to: one channel at about 16 kHz.
//!
//! Words and their onsets are told by what lies below 8 kHz, and a third of the samples is a third of the
//! work. Positions in the copy times [`LowCopy::step`] are positions in the take, exactly.

/// Rate that the copy comes close to, in Hz.
const NEAR_HZ: f64 = 16_000.0;
/// Zero crossings of the low-pass on either side, in samples of the copy.
const REACH: usize = 8;

/// A take as timing hears it.
#[derive(Debug, Clone, PartialEq)]
pub struct LowCopy {
    /// Samples, mono.
    pub samples: Vec<f32>,
    /// Samples per second of the copy.
    pub rate: u32,
    /// Samples of the take per sample of the copy.
    pub step: usize,
}

/// Makes a [`LowCopy`] from a take that comes in pieces.
#[derive(Debug)]
pub struct Listener {
    taps: Vec<f32>,
    step: usize,
    rate: u32,
    /// The last samples, beginning at take sample `from` (which counts the lead of silence).
    held: Vec<f32>,
    out: Vec<f32>,
    taken: usize,
}

impl Listener {
    /// A listener for takes of a rate in Hz.
    #[must_use]
    pub fn new(rate: u32) -> Listener {
        let step = ((f64::from(rate) / NEAR_HZ).round() as usize).max(1);
        let half = if step == 1 { 0 } else { REACH * step };
        let taps: Vec<f64> = (0..=2 * half)
            .map(|tap| {
                let x = (tap as f64 - half as f64) / step as f64 * 0.94;
                let sinc = if x == 0.0 {
                    1.0
                } else {
                    (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
                };
                let place = (tap as f64 + 1.0) / (2 * half + 2) as f64;
                sinc * (std::f64::consts::PI * place).sin().powi(2)
            })
            .collect();
        let sum: f64 = taps.iter().sum();
        Listener {
            taps: taps.iter().map(|tap| (tap / sum) as f32).collect(),
            step,
            rate: (f64::from(rate) / step as f64).round() as u32,
            held: vec![0.0; half],
            out: Vec::new(),
            taken: 0,
        }
    }

    /// Samples of the take per sample of the copy.
    #[must_use]
    pub fn step(&self) -> usize {
        self.step
    }

    /// Takes more samples; what is not a number counts as silence.
    pub fn push(&mut self, samples: &[f32]) {
        self.taken += samples.len();
        let clean = |sample: &f32| if sample.is_finite() { sample.clamp(-8.0, 8.0) } else { 0.0 };
        self.held.extend(samples.iter().map(clean));
        self.drain();
    }

    fn drain(&mut self) {
        let mut from = 0;
        while from + self.taps.len() <= self.held.len() {
            let stretch = &self.held[from..from + self.taps.len()];
            self.out.push(dot(stretch, &self.taps));
            from += self.step;
        }
        self.held.drain(..from.min(self.held.len()));
    }

    /// The copy, once all samples are in.
    #[must_use]
    pub fn finish(mut self) -> LowCopy {
        let half = self.taps.len() / 2;
        self.held.resize(self.held.len() + half + self.step, 0.0);
        self.drain();
        self.out.truncate(self.taken.div_ceil(self.step));
        LowCopy { samples: self.out, rate: self.rate.max(1), step: self.step }
    }
}

/// Sum of products, in a form that compilers turn into vector code.
#[must_use]
pub fn dot(one: &[f32], other: &[f32]) -> f32 {
    let mut sums = [0.0f32; 8];
    let (mut a, mut b) = (one.chunks_exact(8), other.chunks_exact(8));
    for (one, other) in (&mut a).zip(&mut b) {
        for lane in 0..8 {
            sums[lane] += one[lane] * other[lane];
        }
    }
    let rest: f32 = a.remainder().iter().zip(b.remainder()).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f32>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    fn copy_of(samples: &[f32], rate: u32, piece: usize) -> LowCopy {
        let mut listener = Listener::new(rate);
        samples.chunks(piece).for_each(|piece| listener.push(piece));
        listener.finish()
    }

    #[test]
    fn a_moment_keeps_its_place_whatever_the_pieces() {
        let mut samples = vec![0.0f32; 48_000];
        samples[30_000] = 1.0;
        let whole = copy_of(&samples, 48_000, 48_000);
        assert_eq!((whole.rate, whole.step, whole.samples.len()), (16_000, 3, 16_000));
        let peak = (0..whole.samples.len()).max_by(|a, b| whole.samples[*a].total_cmp(&whole.samples[*b]));
        assert_eq!(peak, Some(10_000));
        assert_eq!(whole, copy_of(&samples, 48_000, 777));
    }

    #[test]
    fn what_is_no_number_is_silence() {
        let copy = copy_of(&[f32::NAN, f32::INFINITY, 0.0, 0.0], 16_000, 4);
        assert_eq!(copy.samples, vec![0.0; 4]);
    }
}
