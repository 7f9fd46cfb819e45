//! Files that cannot be taken: each gives one clear error, and is left as it was.

use std::path::Path;

use tautline::media::{MediaErrorKind, Silent, WavReader, hash_file, inspect, probe};

use super::build::*;

/// `bytes` is refused everywhere with `kind`, and the message says `why`.
#[track_caller]
fn refused(bytes: &[u8], kind: MediaErrorKind, why: &str) {
    let dir = folder();
    let path = put(&dir, "take.wav", bytes);
    let errors = [
        probe(&path).unwrap_err(),
        inspect(&path, &Silent).unwrap_err(),
        WavReader::open(&path).unwrap_err(),
    ];
    for error in errors {
        let text = error.to_string();
        assert_eq!(error.kind(), kind, "{text}");
        assert!(text.contains(why), "{text}");
        // Where, why, what to do.
        assert!(text.contains("take.wav: ") && text.contains("; ") && !error.remedy().is_empty(), "{text}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
}

fn data() -> Vec<u8> {
    chunk(b"data", &[0; 64])
}

#[test]
fn empty_and_almost_empty() {
    refused(b"", MediaErrorKind::Damaged, "empty");
    refused(b"RIFF", MediaErrorKind::Damaged, "cut-off");
    refused(b"\x01\x02\x03", MediaErrorKind::Damaged, "only 3 bytes");
    refused(&[0; 4_096], MediaErrorKind::Damaged, "zero bytes only");
}

#[test]
fn truncated_at_every_byte_of_its_header() {
    let dir = folder();
    let whole = riff(&[fmt(1, 1, 48_000, 16), data()]);
    for length in 0..=44 {
        let error = probe(&put(&dir, "take.wav", &whole[..length])).unwrap_err();
        assert_eq!(error.kind(), MediaErrorKind::Damaged, "{length}: {error}");
    }
    // From the first sample on, what is there is read.
    for length in 46..whole.len() {
        assert_eq!(probe(&put(&dir, "take.wav", &whole[..length])).unwrap().frames, (length as u64 - 44) / 2);
    }
}

#[test]
fn mislabelled() {
    refused(b"Lyrics, second verse: lanterns in a row\n", MediaErrorKind::Damaged, "looks like text");
    refused(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01", MediaErrorKind::Damaged, "JPEG");
    refused(b"RIFF\x10\x00\x00\x00AVI LIST", MediaErrorKind::Damaged, "RIFF file of another kind");
    refused(&[0x13, 0x37, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11], MediaErrorKind::Unsupported, "no sound file");
}

#[test]
fn no_channels_or_too_many() {
    refused(&riff(&[fmt(1, 0, 48_000, 16), data()]), MediaErrorKind::Damaged, "no channels");
    refused(&riff(&[fmt(1, 6, 48_000, 16), data()]), MediaErrorKind::Unsupported, "6 channels");
    refused(&riff(&[fmt(1, 65_535, 48_000, 16), data()]), MediaErrorKind::Unsupported, "65535 channels");
}

#[test]
fn no_samples() {
    refused(&riff(&[fmt(1, 1, 48_000, 16)]), MediaErrorKind::Damaged, "data chunk is missing");
    refused(
        &riff(&[fmt(1, 1, 48_000, 16), chunk(b"data", &[])]),
        MediaErrorKind::Damaged,
        "no samples at all",
    );
    // Really empty, and not a length that was never filled in: whole chunks follow up to the end.
    let followed = riff(&[fmt(1, 1, 48_000, 16), chunk(b"data", &[]), bext(5)]);
    refused(&followed, MediaErrorKind::Damaged, "no samples at all");
    refused(&riff(&[fmt(1, 2, 48_000, 24), chunk(b"data", &[0; 5])]), MediaErrorKind::Damaged, "no samples");
}

#[test]
fn formats_that_make_no_sense_or_are_not_taken() {
    refused(&riff(&[data()]), MediaErrorKind::Damaged, "no format chunk");
    refused(&riff(&[chunk(b"fmt ", &[1, 0, 1, 0]), data()]), MediaErrorKind::Damaged, "4 bytes");
    refused(&riff(&[fmt(2, 1, 48_000, 4), data()]), MediaErrorKind::Unsupported, "ADPCM");
    refused(&riff(&[fmt(7, 1, 8_000, 8), data()]), MediaErrorKind::Unsupported, "mu-law");
    refused(&riff(&[fmt(0x55, 1, 48_000, 0), data()]), MediaErrorKind::Unsupported, "MPEG");
    refused(&riff(&[fmt(1, 1, 48_000, 0), data()]), MediaErrorKind::Unsupported, "0 bits");
    refused(&riff(&[fmt(1, 1, 48_000, 65_535), data()]), MediaErrorKind::Unsupported, "65535 bits");
    refused(&riff(&[fmt(3, 1, 48_000, 16), data()]), MediaErrorKind::Unsupported, "float samples of 16");
    for rate in [0, 1, 7_999, 384_001, u32::MAX] {
        refused(&riff(&[fmt(1, 1, rate, 16), data()]), MediaErrorKind::Unsupported, "sample rate");
    }
    let mut body = fmt_body(1, 2, 48_000, 16);
    body[12] = 3;
    refused(&riff(&[chunk(b"fmt ", &body), data()]), MediaErrorKind::Damaged, "contradicts itself");
    let mut other = fmt_extensible(1, 1, 48_000, 16, 16);
    other[40] ^= 1;
    refused(&riff(&[other, data()]), MediaErrorKind::Unsupported, "coding that is not known");
    let cut = chunk(b"fmt ", &fmt_body(0xFFFE, 1, 48_000, 16));
    refused(&riff(&[cut, data()]), MediaErrorKind::Damaged, "extended format chunk");
}

#[test]
fn gigantic_claims_allocate_nothing_and_are_refused_or_read_through() {
    // A format chunk of 4 GiB swallows the rest of the file.
    let bytes = riff(&[chunk_claiming(b"fmt ", u32::MAX, &fmt_body(1, 1, 48_000, 16)), data()]);
    refused(&bytes, MediaErrorKind::Damaged, "");
    refused(&riff(&[chunk_claiming(b"LIST", u32::MAX, b"INFO")]), MediaErrorKind::Damaged, "no format chunk");
    // A start time that lies, by its head, behind the end of the file is left out.
    let dir = folder();
    let bytes = riff(&[fmt(1, 1, 48_000, 16), data(), chunk_claiming(b"bext", u32::MAX, &[0; 20])]);
    let info = probe(&put(&dir, "take.wav", &bytes)).unwrap();
    assert_eq!((info.frames, info.time_reference, info.warnings.len()), (32, None, 1));
}

#[test]
fn ten_thousand_chunks_are_not_followed_for_ever() {
    let dir = folder();
    let mut chunks = vec![fmt(1, 1, 48_000, 16), data()];
    chunks.extend(vec![chunk(b"JUNK", &[]); 10_000]);
    let info = probe(&put(&dir, "take.wav", &riff(&chunks))).unwrap();
    assert_eq!(info.frames, 32);
    assert!(info.warnings[0].contains("chunks"), "{:?}", info.warnings);
    chunks.rotate_left(2);
    refused(&riff(&chunks), MediaErrorKind::Damaged, "no format chunk");
}

#[test]
fn missing_files_folders_and_files_that_may_not_be_read() {
    let dir = folder();
    let gone = dir.path().join("gone.wav");
    assert_eq!(probe(&gone).unwrap_err().kind(), MediaErrorKind::Missing);
    assert_eq!(hash_file(&gone).unwrap_err().kind(), MediaErrorKind::Missing);
    assert_eq!(WavReader::open(&gone).unwrap_err().kind(), MediaErrorKind::Missing);
    let error = probe(dir.path()).unwrap_err();
    assert_eq!(error.kind(), MediaErrorKind::Unreadable);
    assert!(error.to_string().contains("it is a folder"), "{error}");
    // A device would never end.
    assert_eq!(probe(Path::new("/dev/zero")).unwrap_err().kind(), MediaErrorKind::Unreadable);
}

#[test]
fn compressed_files_cut_off_inside_their_header() {
    for (name, bytes) in [
        ("a.flac", b"fLaC\x00\x00\x00\x22\x10\x00".as_slice()),
        ("a.ogg", b"OggS\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00"),
        ("a.mp3", b"ID3\x04\x00\x00\x7f\x7f\x7f\x7f rest"),
        ("a.m4a", b"\x00\x00\x00\x20ftypM4A \x00\x00\x00\x00"),
        ("a.aif", b"FORM\x00\x00\x00\x20AIFFCOMM\x00\x00\x00\x12"),
    ] {
        let dir = folder();
        let path = put(&dir, name, bytes);
        for error in [probe(&path).unwrap_err(), inspect(&path, &Silent).unwrap_err()] {
            let kind = error.kind();
            assert!(
                matches!(kind, MediaErrorKind::Damaged | MediaErrorKind::Unsupported),
                "{kind:?} {error}"
            );
        }
    }
}
