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
        SampleKind::I24 => decode_24(bytes, out),
        SampleKind::I32 => planes(bytes, out, |b: [u8; 4]| i32::from_le_bytes(b) as f32 / 2_147_483_648.0),
        SampleKind::F32 => planes(bytes, out, f32::from_le_bytes),
        SampleKind::F64 => planes(bytes, out, |b: [u8; 8]| f64::from_le_bytes(b) as f32),
        SampleKind::Compressed => {}
    }
    // Integers are always finite.
    if matches!(sample, SampleKind::F32 | SampleKind::F64) { remove_nonfinite(out) } else { 0 }
}

/// In the upper three bytes the value is 2^8 too large, but still exact in f32.
fn from_24([a, b, c]: [u8; 3]) -> f32 {
    i32::from_le_bytes([0, a, b, c]) as f32 / 2_147_483_648.0
}

fn decode_24(bytes: &[u8], out: &mut [&mut [f32]]) {
    let [mono] = out else { return planes(bytes, out, from_24) };
    let (fours, _) = bytes.as_chunks::<12>();
    let (outs, rest) = mono.as_chunks_mut::<4>();
    let whole = fours.len().min(outs.len());
    pulp::Arch::new().dispatch(Decode24 { fours: &fours[..whole], outs: &mut outs[..whole] });
    planes(bytes.get(whole * 12..).unwrap_or_default(), &mut [rest], from_24);
}

/// Four samples are three words: no byte is fetched for itself. Compiled for what the processor has; loops told by number and
/// no closures, since the compiler brings only those in whole.
struct Decode24<'a> {
    fours: &'a [[u8; 12]],
    outs: &'a mut [[f32; 4]],
}

impl pulp::WithSimd for Decode24<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        for index in 0..self.fours.len().min(self.outs.len()) {
            let [a, b, c, d, e, f, g, h, i, j, k, l] = self.fours[index];
            let first = u32::from_le_bytes([a, b, c, d]);
            let second = u32::from_le_bytes([e, f, g, h]);
            let third = u32::from_le_bytes([i, j, k, l]);
            // What is below the upper three bytes belongs to the neighbour.
            let upper = [first << 8, (first >> 16) | (second << 16), (second >> 8) | (third << 24), third];
            #[expect(clippy::needless_range_loop, reason = "loops told by number are brought in whole")]
            for sample in 0..4 {
                self.outs[index][sample] =
                    (upper[sample] & 0xffff_ff00).cast_signed() as f32 / 2_147_483_648.0;
            }
        }
    }
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
    pulp::Arch::new().dispatch(Encode { format, planes, out });
}

/// Compiled for what the processor has; see [`Decode24`].
struct Encode<'a> {
    format: OutputFormat,
    planes: &'a [&'a [f32]],
    out: &'a mut [u8],
}

impl pulp::WithSimd for Encode<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let Encode { format, planes, out } = self;
        match format {
            OutputFormat::I16 | OutputFormat::Flac16 => interleave::<Word16>(planes, out),
            OutputFormat::I24 | OutputFormat::Flac24 => interleave::<Word24>(planes, out),
            OutputFormat::I32 => interleave::<Word32>(planes, out),
            OutputFormat::F32 => interleave::<Float32>(planes, out),
        }
    }
}

/// How a sample becomes bytes: first a word, then so many bytes of it.
trait Coded {
    const BYTES: usize;
    fn word(x: f32) -> i32;
    /// Packs words into bytes one beside the other.
    fn pack(words: &[i32], out: &mut [u8]);
}

struct Word16;
struct Word24;
struct Word32;
struct Float32;

impl Coded for Word16 {
    const BYTES: usize = 2;
    #[inline(always)]
    fn word(x: f32) -> i32 {
        quantise::<16>(x)
    }
    #[inline(always)]
    fn pack(words: &[i32], out: &mut [u8]) {
        let (samples, _) = out.as_chunks_mut::<2>();
        for index in 0..samples.len().min(words.len()) {
            samples[index] = (words[index] as i16).to_le_bytes();
        }
    }
}

impl Coded for Word24 {
    const BYTES: usize = 3;
    #[inline(always)]
    fn word(x: f32) -> i32 {
        quantise::<24>(x)
    }
    #[inline(always)]
    fn pack(words: &[i32], out: &mut [u8]) {
        // Four samples are three words of bytes.
        let (fours, rest) = words.as_chunks::<4>();
        let (outs, _) = out.as_chunks_mut::<12>();
        for index in 0..fours.len().min(outs.len()) {
            let [a, b, c, d] = fours[index];
            let (a, b, c, d) = (a.cast_unsigned(), b.cast_unsigned(), c.cast_unsigned(), d.cast_unsigned());
            let first = (a & 0xff_ffff) | (b << 24);
            let second = ((b >> 8) & 0xffff) | (c << 16);
            let third = ((c >> 16) & 0xff) | (d << 8);
            let (a, b, c) = (first.to_le_bytes(), second.to_le_bytes(), third.to_le_bytes());
            outs[index] = [a[0], a[1], a[2], a[3], b[0], b[1], b[2], b[3], c[0], c[1], c[2], c[3]];
        }
        let (samples, _) = out[fours.len() * 12..].as_chunks_mut::<3>();
        for index in 0..samples.len().min(rest.len()) {
            let [a, b, c, _] = rest[index].to_le_bytes();
            samples[index] = [a, b, c];
        }
    }
}

impl Coded for Word32 {
    const BYTES: usize = 4;
    #[inline(always)]
    fn word(x: f32) -> i32 {
        quantise::<32>(x)
    }
    #[inline(always)]
    fn pack(words: &[i32], out: &mut [u8]) {
        let (samples, _) = out.as_chunks_mut::<4>();
        for index in 0..samples.len().min(words.len()) {
            samples[index] = words[index].to_le_bytes();
        }
    }
}

impl Coded for Float32 {
    const BYTES: usize = 4;
    #[inline(always)]
    fn word(x: f32) -> i32 {
        if x.is_finite() { x.to_bits().cast_signed() } else { 0 }
    }
    #[inline(always)]
    fn pack(words: &[i32], out: &mut [u8]) {
        Word32::pack(words, out);
    }
}

/// Samples that are made into words, and words into bytes, at a time: the words stay in the fastest cache.
const WORDS: usize = 128;

/// First all words of a block, side by side, then their bytes.
#[inline(always)]
fn interleave<C: Coded>(planes: &[&[f32]], out: &mut [u8]) {
    let mut words = [0; WORDS];
    match planes {
        [mono] => {
            for (block, out) in mono.chunks(WORDS).zip(out.chunks_mut(WORDS * C::BYTES)) {
                for index in 0..block.len().min(WORDS) {
                    words[index] = C::word(block[index]);
                }
                C::pack(&words[..block.len()], out);
            }
        }
        [left, right] => {
            let blocks = left.chunks(WORDS / 2).zip(right.chunks(WORDS / 2));
            for ((left, right), out) in blocks.zip(out.chunks_mut(WORDS * C::BYTES)) {
                let frames = left.len().min(right.len()).min(WORDS / 2);
                for index in 0..frames {
                    words[2 * index] = C::word(left[index]);
                    words[2 * index + 1] = C::word(right[index]);
                }
                C::pack(&words[..2 * frames], out);
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
    fn blocks_of_any_length_are_coded_as_their_samples_are() {
        // 24 bits, little-endian, one sample for itself: RIFF WAVE.
        let one = |x: f32| quantise::<24>(x).to_le_bytes();
        for frames in [1, 2, 3, 4, 5, 63, 64, 65, 127, 128, 129, 1000] {
            let plane = |seed: usize| -> Vec<f32> {
                (0..frames).map(|n| ((n * 7919 + seed) % 10_007) as f32 / 5003.0 - 1.0).collect()
            };
            let (left, right) = (plane(1), plane(5));
            let (mut mono, mut stereo) = (vec![0; frames * 3], vec![0; frames * 6]);
            encode(OutputFormat::I24, &[&left], &mut mono);
            encode(OutputFormat::I24, &[&left, &right], &mut stereo);
            let expected: Vec<u8> = left.iter().flat_map(|x| one(*x)[..3].to_vec()).collect();
            assert_eq!(mono, expected, "{frames}");
            let both = left.iter().zip(&right).flat_map(|(l, r)| [one(*l), one(*r)]);
            assert_eq!(stereo, both.flat_map(|bytes| bytes[..3].to_vec()).collect::<Vec<u8>>(), "{frames}");
            let mut back = vec![9.0; frames];
            decode(SampleKind::I24, &mono, &mut [&mut back]);
            let each: Vec<f32> = mono.chunks(3).map(|b| read(SampleKind::I24, b)).collect();
            assert_eq!(back, each, "{frames}");
            let mut sides = (vec![9.0; frames], vec![9.0; frames]);
            decode(SampleKind::I24, &stereo, &mut [&mut sides.0, &mut sides.1]);
            assert_eq!(sides.0, back, "{frames}");
            for (format, width) in [(OutputFormat::I16, 2), (OutputFormat::I32, 4), (OutputFormat::F32, 4)] {
                let mut bytes = vec![0; frames * width];
                encode(format, &[&right], &mut bytes);
                let mut one = vec![0; width];
                for (x, found) in right.iter().zip(bytes.chunks(width)) {
                    encode(format, &[&[*x]], &mut one);
                    assert_eq!(one, found, "{format:?}");
                }
            }
        }
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
