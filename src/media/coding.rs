//! Samples to bytes and back: interleaved little-endian bytes on disk, planar `f32` here.
//!
//! Integers are read as int / 2^(bits-1) and written as round(x·2^(bits-1)), clipped, halves to even, which is
//! what libsndfile 1.2.2 does. One loop per format and channel count, so that the compiler can see the strides: a bounce
//! is measured against a plain read, sum and write loop.

use super::info::SampleKind;
use super::sink::OutputFormat;

/// Decodes whole frames from `bytes` into `out` (one slice per channel, all of the same length as there are
/// frames in `bytes`). Returns how many samples were not finite; they are delivered as 0.
pub(crate) fn decode(sample: SampleKind, bytes: &[u8], out: &mut [&mut [f32]]) -> u64 {
    match sample {
        SampleKind::I8 => planes(bytes, out, |[b]: [u8; 1]| (f32::from(b) - 128.0) / 128.0),
        SampleKind::I16 => planes(bytes, out, |b: [u8; 2]| f32::from(i16::from_le_bytes(b)) / 32_768.0),
        SampleKind::I24 => planes(bytes, out, |[a, b, c]: [u8; 3]| {
            // In the upper three bytes the value is 2^8 too large, but still exact in f32.
            i32::from_le_bytes([0, a, b, c]) as f32 / 2_147_483_648.0
        }),
        SampleKind::I32 => planes(bytes, out, |b: [u8; 4]| i32::from_le_bytes(b) as f32 / 2_147_483_648.0),
        SampleKind::F32 => planes(bytes, out, f32::from_le_bytes),
        SampleKind::F64 => planes(bytes, out, |b: [u8; 8]| f64::from_le_bytes(b) as f32),
        SampleKind::Compressed => {}
    }
    // Integers are always finite.
    if matches!(sample, SampleKind::F32 | SampleKind::F64) { remove_nonfinite(out) } else { 0 }
}

fn planes<const N: usize>(bytes: &[u8], out: &mut [&mut [f32]], value: impl Fn([u8; N]) -> f32) {
    match out {
        [mono] => {
            let (samples, _) = bytes.as_chunks::<N>();
            for (out, &sample) in mono.iter_mut().zip(samples) {
                *out = value(sample);
            }
        }
        [left, right] => {
            let (samples, _) = bytes.as_chunks::<N>();
            let (frames, _) = samples.as_chunks::<2>();
            for ((left, right), &[l, r]) in left.iter_mut().zip(right.iter_mut()).zip(frames) {
                *left = value(l);
                *right = value(r);
            }
        }
        _ => {}
    }
}

/// Replaces every sample that is not finite by 0 and returns how many there were. Most blocks have none, so a quick
/// sweep without writing comes first.
pub(crate) fn remove_nonfinite(out: &mut [&mut [f32]]) -> u64 {
    let mut found = 0;
    for plane in out.iter_mut() {
        // Infinities and NaN have all bits of the exponent set.
        let count: u32 = plane.iter().map(|x| u32::from(x.to_bits() & 0x7f80_0000 == 0x7f80_0000)).sum();
        if count > 0 {
            plane.iter_mut().filter(|x| !x.is_finite()).for_each(|x| *x = 0.0);
            found += u64::from(count);
        }
    }
    found
}

/// x·2^(BITS-1) as an integer, rounded (halves to even) and clipped; 0 if `x` is not finite.
#[inline(always)]
pub(crate) fn quantise<const BITS: u32>(x: f32) -> i32 {
    // Adding 1.5·2^52 leaves the rounded integer in the low bits of the mantissa, without a call per sample.
    const MAGIC: f64 = 6_755_399_441_055_744.0;
    let scale = f64::from(1u32 << (BITS - 1));
    let scaled = if x.is_finite() { f64::from(x) * scale } else { 0.0 };
    let clipped = scaled.clamp(-scale, scale - 1.0);
    (clipped + MAGIC).to_bits() as u32 as i32
}

/// Encodes `planes` (1 or 2 slices of one length) into `out`, which must hold exactly as many frames.
pub(crate) fn encode(format: OutputFormat, planes: &[&[f32]], out: &mut [u8]) {
    match format {
        OutputFormat::I16 | OutputFormat::Flac16 => {
            interleave(planes, out, |x| (quantise::<16>(x) as i16).to_le_bytes());
        }
        OutputFormat::I24 | OutputFormat::Flac24 => interleave(planes, out, |x| {
            let [a, b, c, _] = quantise::<24>(x).to_le_bytes();
            [a, b, c]
        }),
        OutputFormat::I32 => interleave(planes, out, |x| quantise::<32>(x).to_le_bytes()),
        OutputFormat::F32 => interleave(planes, out, |x| if x.is_finite() { x } else { 0.0 }.to_le_bytes()),
    }
}

fn interleave<const N: usize>(planes: &[&[f32]], out: &mut [u8], bytes: impl Fn(f32) -> [u8; N]) {
    let (samples, _) = out.as_chunks_mut::<N>();
    match planes {
        [mono] => {
            for (out, &x) in samples.iter_mut().zip(*mono) {
                *out = bytes(x);
            }
        }
        [left, right] => {
            let (frames, _) = samples.as_chunks_mut::<2>();
            for ([l, r], (&left, &right)) in frames.iter_mut().zip(left.iter().zip(*right)) {
                *l = bytes(left);
                *r = bytes(right);
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(sample: SampleKind, bytes: &[u8]) -> f32 {
        let mut out = [0.0];
        decode(sample, bytes, &mut [&mut out]);
        out[0]
    }

    #[test]
    fn integers_are_read_as_libsndfile_reads_them() {
        // libsndfile 1.2.2: int / 2^(bits-1).
        assert_eq!(read(SampleKind::I16, &i16::MIN.to_le_bytes()), -1.0);
        assert_eq!(read(SampleKind::I16, &i16::MAX.to_le_bytes()), 0.999_969_482_421_875_f64 as f32);
        assert_eq!(read(SampleKind::I24, &[0, 0, 0x80]), -1.0);
        assert_eq!(read(SampleKind::I24, &[0xff, 0xff, 0x7f]), 8_388_607.0 / 8_388_608.0);
        assert_eq!(read(SampleKind::I24, &[1, 0, 0]), 1.0 / 8_388_608.0);
        assert_eq!(read(SampleKind::I32, &i32::MIN.to_le_bytes()), -1.0);
        assert_eq!(read(SampleKind::I32, &0x4000_0000i32.to_le_bytes()), 0.5);
        // RIFF: samples of 8 bits are unsigned, 128 is silence.
        assert_eq!(read(SampleKind::I8, &[128]), 0.0);
        assert_eq!(read(SampleKind::I8, &[0]), -1.0);
        assert_eq!(read(SampleKind::I8, &[255]), 127.0 / 128.0);
    }

    #[test]
    fn values_are_written_as_libsndfile_writes_them() {
        // libsndfile 1.2.2: round(x·2^(bits-1)), clipped.
        assert_eq!([1.0, -1.0, 0.5].map(quantise::<16>), [32_767, -32_768, 16_384]);
        assert_eq!([1.0, -1.0, 0.5].map(quantise::<24>), [8_388_607, -8_388_608, 4_194_304]);
        assert_eq!([1.0, -1.0, 0.5].map(quantise::<32>), [i32::MAX, i32::MIN, 0x4000_0000]);
        assert_eq!([7.0, -7.0, 0.0].map(quantise::<16>), [32_767, -32_768, 0]);
        // Halves to even, the default rounding of IEEE 754 that libsndfile uses through lrint().
        assert_eq!([0.5, 1.5, 2.5, -0.5, -1.5].map(|v| quantise::<16>(v / 32_768.0)), [0, 2, 2, 0, -2]);
    }

    #[test]
    fn what_is_not_finite_is_written_as_silence() {
        for x in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
            assert_eq!((quantise::<16>(x), quantise::<24>(x), quantise::<32>(x)), (0, 0, 0));
        }
        let mut out = [1; 4];
        encode(OutputFormat::F32, &[&[f32::NAN]], &mut out);
        assert_eq!(out, [0; 4]);
    }

    #[test]
    fn every_integer_of_16_bits_survives_there_and_back() {
        for value in i16::MIN..=i16::MAX {
            assert_eq!(quantise::<16>(read(SampleKind::I16, &value.to_le_bytes())), i32::from(value));
        }
    }

    #[test]
    fn doubles_beyond_single_precision_count_as_not_finite() {
        let bytes: Vec<u8> = [1e300f64, 0.25, f64::NAN].iter().flat_map(|x| x.to_le_bytes()).collect();
        let mut out = [9.0; 3];
        assert_eq!(decode(SampleKind::F64, &bytes, &mut [&mut out]), 2);
        assert_eq!(out, [0.0, 0.25, 0.0]);
    }
}
