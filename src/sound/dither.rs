//! Dither: noise of triangular density, added where samples lose bits.
//!
//! The sum of two even random numbers of one step's width makes the error of rounding independent of the signal: its
//! power is LSB²/4, always (Lipshitz, Wannamaker, Vanderkooy, JAES 40:355, 1992). Where nothing is lost nothing is added.

/// Samples that must fit the target exactly, one after the other, before dither stops. Shorter runs happen by chance in sounds
/// that do lose bits.
const REST: u32 = 4096;
/// Samples that are dithered side by side.
const BLOCK: usize = 64;
/// Louder samples, far beyond full scale, are dithered one by one.
const LOUDEST: f32 = 1000.0;
/// What the noise's counter goes on by for each sample.
const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

/// Rounds one channel to integers of some bits, with dither where bits are lost. A sample's value depends on those
/// before it and on the seed, never on how the channel is split into blocks. Realtime-safe.
#[derive(Debug, Clone)]
pub struct Dither {
    arch: pulp::Arch,
    scale: f64,
    random: u64,
    /// Samples for which dither goes on although they would fit.
    rest: u32,
    dithered: u64,
}

impl Dither {
    /// For integers of `bits` bits, 2 to 24: more is finer than f32 holds. Channels that are to be added later need
    /// different seeds, or their noise adds up in step.
    #[must_use]
    pub fn new(bits: u16, seed: u64) -> Dither {
        let scale = f64::from(1u32 << (bits.clamp(2, 24) - 1));
        let arch = pulp::Arch::new();
        Dither { arch, scale, random: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15), rest: 0, dithered: 0 }
    }

    /// Samples so far to which noise was added.
    #[must_use]
    pub fn dithered(&self) -> u64 {
        self.dithered
    }

    /// Replaces `samples` by values that the target holds exactly (clipped to its range). What is no number stays.
    pub fn process(&mut self, samples: &mut [f32]) {
        for block in samples.chunks_mut(BLOCK) {
            let steady = self.rest as usize >= block.len();
            match <&mut [f32; BLOCK]>::try_from(&mut *block) {
                Ok(block) if steady && block.iter().all(|sample| sample.abs() <= LOUDEST) => {
                    self.steady(block)
                }
                // At rest, and nothing is lost: most of a recording that no gain or tone touches.
                Ok(block) if self.rest == 0 && self.fits(block) => {}
                _ => self.each(block),
            }
        }
    }

    /// True if the target holds a block as it is.
    fn fits(&self, block: &[f32; BLOCK]) -> bool {
        self.arch.dispatch(Fits { scale: self.scale, block })
    }

    /// A block of which every sample is dithered, whether it fits or not: all at once.
    fn steady(&mut self, block: &mut [f32; BLOCK]) {
        let last = self.arch.dispatch(Steady { scale: self.scale, random: self.random, block });
        self.random = self.random.wrapping_add(STEP.wrapping_mul(BLOCK as u64));
        self.dithered += BLOCK as u64;
        self.rest = match last {
            0 => self.rest - BLOCK as u32,
            last => REST - (BLOCK as u32 - last),
        };
    }

    fn each(&mut self, samples: &mut [f32]) {
        for sample in samples {
            let scaled = f64::from(*sample) * self.scale;
            if scaled == rounded(scaled) {
                if self.rest == 0 {
                    continue;
                }
                self.rest -= 1;
            } else if scaled.is_finite() {
                self.rest = REST;
            } else {
                continue;
            }
            self.dithered += 1;
            self.random = self.random.wrapping_add(STEP);
            // No negative zero, as side by side.
            let noisy = rounded(scaled + noise(self.random)) + 0.0;
            #[expect(clippy::cast_possible_truncation, reason = "up to 24 bits fit f32 exactly")]
            let value = (noisy.clamp(-self.scale, self.scale - 1.0) / self.scale) as f32;
            *sample = value;
        }
    }
}

/// A [`Dither::steady`] block, compiled for what the processor has; gives the number of the last sample that does not fit.
struct Steady<'a> {
    scale: f64,
    random: u64,
    block: &'a mut [f32; BLOCK],
}

impl pulp::WithSimd for Steady<'_> {
    type Output = u32;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> u32 {
        let Steady { scale, random, block } = self;
        let step = 1.0 / scale;
        let mut last = [0u32; BLOCK];
        // Told by number: the compiler brings such a loop in whole, chains of iterators it does not.
        for index in 0..BLOCK {
            let number = index as u32 + 1;
            let scaled = f64::from(block[index]) * scale;
            last[index] = if scaled == nearest(scaled) { 0 } else { number };
            let noisy = nearest(scaled + noise(random.wrapping_add(STEP.wrapping_mul(u64::from(number)))));
            #[expect(clippy::cast_possible_truncation, reason = "up to 24 bits fit f32 exactly")]
            // Times a power of two, so that nothing is rounded that a division would not round.
            let value = (held(noisy, -scale, scale - 1.0) * step) as f32;
            block[index] = value;
        }
        let mut most = 0;
        for number in last {
            most = most.max(number);
        }
        most
    }
}

/// A number held between two others by comparisons alone, since here is no number that is none.
#[inline(always)]
fn held(value: f64, least: f64, most: f64) -> f64 {
    let value = if value < least { least } else { value };
    if value > most { most } else { value }
}

/// Whether a block fits, compiled for what the processor has.
struct Fits<'a> {
    scale: f64,
    block: &'a [f32; BLOCK],
}

impl pulp::WithSimd for Fits<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> bool {
        let mut misfits = 0u32;
        for sample in self.block {
            let scaled = f64::from(*sample) * self.scale;
            // No number is not itself; what is too loud for the sum to round is left to be looked at one by one.
            misfits += u32::from(!(sample.abs() <= LOUDEST && scaled == nearest(scaled)));
        }
        misfits == 0
    }
}

/// The nearest integer of any number, of two the even one; from 2^51 on a number is one already, or none at all.
#[inline(always)]
fn rounded(value: f64) -> f64 {
    if value.abs() < 2_251_799_813_685_248.0 { nearest(value) } else { value }
}

/// The nearest integer, of two the even one, by the rounding of an addition: a call less than the library's, and side by side.
/// For magnitudes below 2^51.
#[inline(always)]
fn nearest(value: f64) -> f64 {
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    (value + SHIFT) - SHIFT
}

/// Noise in steps of the target, from -1 to 1, most often near 0, out of a counter.
#[inline(always)]
fn noise(counter: u64) -> f64 {
    // SplitMix64 (Steele, Lea, Flood, OOPSLA 2014; constants from memory): 64 good bits a step.
    let mut bits = counter;
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    bits ^= bits >> 31;
    #[expect(clippy::cast_possible_truncation, reason = "the two halves of 64 bits")]
    let (first, second) = ((bits >> 32) as u32, bits as u32);
    (f64::from(first.cast_signed()) + f64::from(second.cast_signed())) * (1.0 / 4_294_967_296.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const COUNT: usize = 1 << 20;

    /// Error of each sample in steps of `bits` bits.
    fn errors(bits: u16, signal: impl Fn(usize) -> f32) -> Vec<f64> {
        let mut dither = Dither::new(bits, 5);
        let clean: Vec<f32> = (0..COUNT).map(signal).collect();
        let mut out = clean.clone();
        dither.process(&mut out);
        let scale = f64::from(1u32 << (bits - 1));
        clean.iter().zip(&out).map(|(x, y)| (f64::from(*y) - f64::from(*x)) * scale).collect()
    }

    fn mean(values: impl Iterator<Item = f64>) -> f64 {
        values.sum::<f64>() / COUNT as f64
    }

    #[test]
    fn the_error_has_the_published_power_whatever_the_signal() {
        // Lipshitz, Wannamaker, Vanderkooy (1992): LSB²/4 = 1/12 + 1/6, mean 0; at 16 bits -96.33 dB re rms 1.
        let sine = |n: usize| (0.7 * (n as f64 * 0.0131).sin()) as f32;
        let quiet = |n: usize| (0.4 / 32_768.0 * (n as f64 * 0.0131).sin()) as f32;
        let constant = |_: usize| 0.3f32 / 32_768.0;
        for (name, signal) in [("sine", &sine as &dyn Fn(usize) -> f32), ("quiet", &quiet), ("dc", &constant)]
        {
            let found = errors(16, signal);
            let power = mean(found.iter().map(|e| e * e));
            assert!((power - 0.25).abs() < 0.002, "{name}: {power}");
            assert!(mean(found.iter().copied()).abs() < 0.003, "{name}");
            let db = 10.0 * (power / 32_768f64.powi(2)).log10();
            assert!((db + 96.33).abs() < 0.05, "{name}: {db}");
        }
    }

    #[test]
    fn the_error_is_white() {
        // White noise is like no shifted copy of itself: every lag stays within 5/sqrt(N).
        let found = errors(16, |n| (0.7 * (n as f64 * 0.0131).sin()) as f32);
        for lag in [1, 2, 3, 5, 8, 13, 100, 479, 480] {
            let like = found.iter().zip(&found[lag..]).map(|(a, b)| a * b).sum::<f64>() / COUNT as f64 / 0.25;
            assert!(like.abs() < 5.0 / (COUNT as f64).sqrt(), "lag {lag}: {like}");
        }
    }

    #[test]
    fn what_fits_is_left_alone_and_dither_rests_after_a_while() {
        let integers: Vec<f32> = (0..9000).map(|n| (n * 7 % 65_536 - 32_768) as f32 / 32_768.0).collect();
        let mut dither = Dither::new(16, 1);
        let mut out = integers.clone();
        dither.process(&mut out);
        assert_eq!((&out, dither.dithered()), (&integers, 0));
        let mut mixed = integers.clone();
        mixed[100] = 0.3 / 32_768.0;
        let before = mixed.clone();
        dither.process(&mut mixed);
        assert_eq!(mixed[..100], before[..100]);
        assert_eq!(mixed[101 + 4096..], before[101 + 4096..]);
        assert_eq!(dither.dithered(), 1 + 4096);
    }

    #[test]
    fn side_by_side_is_one_by_one() {
        let odd = [f32::NAN, 2000.0, -1.0, 1.0, f32::INFINITY, 0.25, 1e30, -0.0];
        let signal: Vec<f32> = (0..60_000)
            .map(|n| match n % 997 {
                0 => odd[n / 997 % odd.len()],
                // Stretches that fit, some longer than dither goes on.
                _ if n / 6000 % 2 == 1 => (n % 128) as f32 / 128.0,
                _ => 1.01 * (n as f32 * 0.013).sin(),
            })
            .collect();
        for bits in [8, 16, 24] {
            let (mut fast, mut slow) = (Dither::new(bits, 9), Dither::new(bits, 9));
            let (mut one, mut other) = (signal.clone(), signal.clone());
            fast.process(&mut one);
            slow.each(&mut other);
            assert!(one.iter().zip(&other).all(|(a, b)| a.to_bits() == b.to_bits()), "{bits} bits");
            assert_eq!((fast.dithered, fast.rest, fast.random), (slow.dithered, slow.rest, slow.random));
        }
    }

    #[test]
    fn splits_change_nothing_and_extremes_stay_in_range() {
        let signal: Vec<f32> = (0..10_000).map(|n| (1.3 * (f64::from(n) * 0.01).sin()) as f32).collect();
        let (mut whole, mut split) = (signal.clone(), signal.clone());
        Dither::new(24, 3).process(&mut whole);
        let mut dither = Dither::new(24, 3);
        split.chunks_mut(37).for_each(|part| dither.process(part));
        assert_eq!(whole, split);
        assert!(whole.iter().all(|x| (-1.0..1.0).contains(x)));
    }
}
