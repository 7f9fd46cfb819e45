//! The WAV reader: formats, chunk order, damage that can be read through.

use proptest::prelude::*;
use tautline::media::{Container, SampleKind, WavReader, probe};

use super::build::*;
use super::decoded::decoded;

#[test]
fn every_integer_format_is_read_exactly() {
    let dir = folder();
    for (bits, kind) in [(16, SampleKind::I16), (24, SampleKind::I24), (32, SampleKind::I32)] {
        for channels in [1u16, 2] {
            let values = integers(300 * usize::from(channels), bits, 5);
            let data = chunk(b"data", &pack(&values, bits as usize / 8));
            let plain = riff(&[fmt(1, channels, 44_100, bits as u16), data.clone()]);
            let extended = riff(&[fmt_extensible(1, channels, 44_100, bits as u16, bits as u16), data]);
            for bytes in [plain, extended] {
                let path = put(&dir, "x.wav", &bytes);
                let info = probe(&path).unwrap();
                assert_eq!(
                    (info.sample, info.channels, info.rate, info.frames),
                    (kind, channels, 44_100, 300)
                );
                assert_eq!((info.container, info.bytes), (Container::Wav, bytes.len() as u64));
                assert!(info.warnings.is_empty() && info.time_reference.is_none());
                let want = scaled(&values, bits);
                for (c, plane) in read_all(&path).iter().enumerate() {
                    let want: Vec<f32> = want.iter().skip(c).step_by(channels.into()).copied().collect();
                    assert_eq!(*plane, want, "{bits} bits, channel {c} of {channels}");
                }
                assert_eq!(read_all(&path), decoded(&path).1, "{bits} bits, {channels} channels");
            }
        }
    }
}

#[test]
fn eight_bits_are_unsigned() {
    let dir = folder();
    let path = put(&dir, "x.wav", &riff(&[fmt(1, 1, 8_000, 8), chunk(b"data", &[0, 128, 255, 64])]));
    assert_eq!(read_all(&path), [[-1.0, 0.0, 127.0 / 128.0, -0.5]]);
    assert_eq!(read_all(&path), decoded(&path).1);
}

#[test]
fn floats_of_both_sizes_are_read_and_what_is_not_finite_is_silence() {
    let dir = folder();
    let values = [0.25f32, -1.5, f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1e-30, -0.0];
    let want = [0.25, -1.5, 0.0, 0.0, 0.0, 1e-30, -0.0];
    let single: Vec<u8> = values.iter().flat_map(|x| x.to_le_bytes()).collect();
    let double: Vec<u8> = values.iter().flat_map(|x| f64::from(*x).to_le_bytes()).collect();
    let rows = [
        (fmt(3, 1, 96_000, 32), single.clone(), SampleKind::F32),
        (fmt(3, 1, 96_000, 64), double, SampleKind::F64),
        (fmt_extensible(3, 1, 96_000, 32, 32), single, SampleKind::F32),
    ];
    for (format, data, kind) in rows {
        let path = put(&dir, "x.wav", &riff(&[format, chunk(b"data", &data)]));
        let mut reader = WavReader::open(&path).unwrap();
        assert_eq!(reader.info().sample, kind);
        assert_eq!(read_span(&mut reader, 0, 7), [want]);
        assert_eq!(reader.nonfinite(), 3);
    }
}

#[test]
fn chunks_may_stand_anywhere_and_be_of_odd_length() {
    let dir = folder();
    let values = integers(101, 24, 3);
    let format = fmt(1, 1, 48_000, 24);
    let data = chunk(b"data", &pack(&values, 3));
    let rows = [
        ("bext before fmt", vec![bext(480_000), format.clone(), data.clone()], Some(480_000)),
        ("bext after odd data", vec![format.clone(), data.clone(), bext(7)], Some(7)),
        ("odd chunk, padded", vec![format.clone(), chunk(b"LIST", b"INFOxyz"), data.clone()], None),
        (
            "odd chunk, not padded",
            vec![format.clone(), chunk_unpadded(b"LIST", b"INFOxyz"), data.clone()],
            None,
        ),
        ("own chunk, padded", vec![format.clone(), chunk(b"Zzz1", b"abc"), data.clone()], None),
        (
            "own chunk, not padded",
            vec![format.clone(), chunk_unpadded(b"Zzz1", b"abc"), data.clone(), bext(9)],
            Some(9),
        ),
        (
            "no pad before bext",
            vec![format.clone(), chunk_unpadded(b"data", &pack(&values, 3)), bext(8)],
            Some(8),
        ),
        ("empty chunk", vec![chunk(b"JUNK", &[]), format.clone(), data.clone()], None),
        ("data first", vec![data.clone(), format.clone()], None),
        ("stray bytes behind", vec![format.clone(), data.clone(), vec![0; 13]], None),
    ];
    for (what, chunks, start) in rows {
        let path = put(&dir, "x.wav", &riff(&chunks));
        let info = probe(&path).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!((info.frames, info.time_reference), (101, start), "{what}");
        assert_eq!(read_all(&path), [scaled(&values, 24)], "{what}");
    }
}

#[test]
fn rf64_and_bw64_are_read() {
    let dir = folder();
    let values = integers(60, 24, 3);
    let data = chunk_claiming(b"data", u32::MAX, &pack(&values, 3));
    for id in [b"RF64", b"BW64"] {
        let bytes = rf64(id, 180, 30, &[fmt(1, 2, 48_000, 24), data.clone(), bext(11)]);
        let path = put(&dir, "x.wav", &bytes);
        let info = probe(&path).unwrap();
        assert_eq!((info.container, info.frames, info.time_reference), (Container::Rf64, 30, Some(11)));
        assert!(info.warnings.is_empty(), "{:?}", info.warnings);
        let left: Vec<f32> = scaled(&values, 24).into_iter().step_by(2).collect();
        assert_eq!(read_all(&path)[0], left);
    }
}

/// Damaged lengths: what is there is read, and a warning says so.
#[test]
fn a_wrong_data_length_loses_nothing_that_is_there() {
    let dir = folder();
    let values = integers(50, 16, 1);
    let format = fmt(1, 1, 48_000, 16);
    let body = pack(&values, 2);
    let claiming = |claimed| riff(&[format.clone(), chunk_claiming(b"data", claimed, &body)]);
    let rows = [
        ("never filled in", claiming(0), "does not give the length"),
        ("open", claiming(u32::MAX), "does not give the length"),
        ("cut short", claiming(1_000), "promises 1000 bytes of samples, 100 are there"),
        ("almost 4 GiB", claiming(u32::MAX - 1), "promises 4294967294 bytes"),
        (
            "RF64, empty ds64",
            rf64(b"RF64", 0, 0, &[format.clone(), chunk_claiming(b"data", u32::MAX, &body)]),
            "length",
        ),
        (
            "RF64, too much",
            rf64(b"RF64", u64::MAX, 1, &[format.clone(), chunk_claiming(b"data", u32::MAX, &body)]),
            "cut short",
        ),
    ];
    for (what, bytes, warning) in rows {
        let path = put(&dir, "x.wav", &bytes);
        let info = probe(&path).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!(info.frames, 50, "{what}");
        assert_eq!(info.warnings.len(), 1, "{what}: {:?}", info.warnings);
        assert!(info.warnings[0].contains(warning), "{what}: {:?}", info.warnings);
        assert_eq!(read_all(&path), [scaled(&values, 16)], "{what}");
    }
}

#[test]
fn a_broken_last_frame_is_left_out() {
    let dir = folder();
    let bytes = riff(&[fmt(1, 2, 48_000, 24), chunk(b"data", &[1; 6 * 10 + 5])]);
    let path = put(&dir, "x.wav", &bytes);
    let info = probe(&path).unwrap();
    assert_eq!(info.frames, 10);
    assert!(info.warnings[0].contains("last 5 bytes"), "{:?}", info.warnings);
}

#[test]
fn a_start_time_beyond_a_day_is_left_out() {
    let dir = folder();
    let day = 86_400 * 48_000;
    for (start, kept) in [(0, true), (day, true), (day + 1, false), (u64::MAX, false)] {
        let path = put(&dir, "x.wav", &riff(&[bext(start), fmt(1, 1, 48_000, 16), chunk(b"data", &[0; 8])]));
        let info = probe(&path).unwrap();
        assert_eq!(info.time_reference, kept.then_some(start));
        assert_eq!(info.warnings.is_empty(), kept);
    }
}

#[test]
fn beyond_the_end_there_is_silence() {
    let dir = folder();
    let path = put(&dir, "x.wav", &simple(10));
    let mut reader = WavReader::open(&path).unwrap();
    let mut out = [9.0; 6];
    assert_eq!(reader.read(7, &mut [&mut out]).unwrap(), 3);
    assert!(out[..3].iter().all(|x| *x != 9.0) && out[3..] == [0.0; 3]);
    for from in [10, 11, u64::MAX] {
        out = [9.0; 6];
        assert_eq!(reader.read(from, &mut [&mut out]).unwrap(), 0);
        assert_eq!(out, [0.0; 6]);
    }
}

#[test]
fn the_wrong_number_of_channels_is_refused() {
    let dir = folder();
    let mut reader = WavReader::open(&put(&dir, "x.wav", &simple(10))).unwrap();
    let (mut a, mut b) = ([0.0; 4], [0.0; 4]);
    assert!(reader.read(0, &mut [&mut a, &mut b]).is_err());
    assert!(reader.read(0, &mut []).is_err());
}

#[test]
fn a_file_that_shrinks_while_open_is_an_error_and_no_silence() {
    let dir = folder();
    let path = put(&dir, "x.wav", &simple(100));
    let mut reader = WavReader::open(&path).unwrap();
    std::fs::File::options().write(true).open(&path).unwrap().set_len(60).unwrap();
    let error = reader.read(0, &mut [&mut [0.0; 100]]).unwrap_err();
    assert!(error.to_string().contains("shorter"), "{error}");
}

#[test]
fn a_reader_can_move_to_another_thread() {
    fn is_send<T: Send>() {}
    is_send::<WavReader>();
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]

    /// More frames than one block of the reader, read in pieces that start anywhere.
    #[test]
    fn any_stretch_is_the_same_as_in_the_whole(
        channels in 1u16..=2,
        starts in prop::collection::vec((0u64..70_000, 0usize..60_000), 1..6),
    ) {
        let dir = folder();
        let values = integers(60_000 * usize::from(channels), 24, 11);
        let bytes = riff(&[fmt(1, channels, 48_000, 24), chunk(b"data", &pack(&values, 3))]);
        let path = put(&dir, "x.wav", &bytes);
        let whole = read_all(&path);
        let mut reader = WavReader::open(&path).unwrap();
        for (from, frames) in starts {
            for (piece, whole) in read_span(&mut reader, from, frames).iter().zip(&whole) {
                for (n, x) in piece.iter().enumerate() {
                    prop_assert_eq!(*x, whole.get(from as usize + n).copied().unwrap_or(0.0));
                }
            }
        }
    }
}
