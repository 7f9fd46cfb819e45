//! The intake report and the hash.

use tautline::media::{Container, MediaErrorKind, Progress, SampleKind, Silent, hash_file, inspect, probe};

use super::build::*;

/// A source file of our own in the fixtures: 0.2 s of silence, a 1 kHz sine of amplitude 0.5 up to 0.7 s, silence to 1 s,
/// mono, 44.1 kHz, encoded with general-purpose encoders.
fn fixture(name: &str) -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures").join(name)
}

struct StopAt(u64);

impl Progress for StopAt {
    fn advance(&self, done: u64, _: u64) -> bool {
        done < self.0
    }
}

#[test]
fn the_hash_is_blake3_of_the_bytes() {
    let dir = folder();
    // BLAKE3 test vectors (official repository): the hash of no input.
    let empty = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262";
    assert_eq!(hash_file(&put(&dir, "empty", b"")).unwrap(), empty);
    let bytes: Vec<u8> = (0..700_000u32).map(|n| (n % 251) as u8).collect();
    assert_eq!(hash_file(&put(&dir, "x", &bytes)).unwrap(), blake3::hash(&bytes).to_hex().to_string());
}

#[test]
fn one_pass_finds_level_clipping_offset_and_hash() {
    let dir = folder();
    let mut left = vec![800; 96_000];
    left[50_000..50_004].fill(32_767);
    left[60_000..60_003].fill(-32_768);
    let right = vec![-16_384; 96_000];
    let both: Vec<i32> = left.iter().zip(&right).flat_map(|(l, r)| [*l, *r]).collect();
    let chunks =
        [bext(48_000), fmt(1, 2, 48_000, 16), chunk(b"data", &pack(&both, 2)), chunk(b"LIST", b"odd")];
    let bytes = riff(&chunks);
    let path = put(&dir, "x.wav", &bytes);
    let report = inspect(&path, &Silent).unwrap();
    assert_eq!(report.info, probe(&path).unwrap());
    assert_eq!(report.info.time_reference, Some(48_000));
    assert_eq!(report.blake3, hash_file(&path).unwrap());
    assert_eq!(report.peak, 1.0);
    assert_eq!((report.clipped_runs, report.longest_clip, report.first_clip), (2, 4, Some(50_000)));
    assert!((report.dc_offset + 0.5).abs() < 1e-9);
    assert!(!report.silent && report.nonfinite == 0 && report.black_share == 0.0);
    let json = serde_json::to_value(&report).unwrap();
    assert_eq!(json["info"]["container"], "wav");
    assert_eq!(json["first_clip"], 50_000);
}

#[test]
fn a_file_full_of_nan_is_silent_and_counted() {
    let dir = folder();
    let data: Vec<u8> = (0..5_000).flat_map(|_| f32::NAN.to_le_bytes()).collect();
    let report =
        inspect(&put(&dir, "x.wav", &riff(&[fmt(3, 1, 48_000, 32), chunk(b"data", &data)])), &Silent)
            .unwrap();
    assert_eq!((report.nonfinite, report.silent, report.peak), (5_000, true, 0.0));
    assert_eq!((report.noise_floor_db, report.black_share), (None, 1.0));
    assert!(serde_json::to_string(&report).unwrap().contains("\"noise_floor_db\":null"));
}

#[test]
fn aiff_gives_the_same_report_as_wav() {
    let dir = folder();
    for bits in [16, 24] {
        let values = integers(20_000, bits, 4);
        let wave = riff(&[fmt(1, 1, 44_100, bits as u16), chunk(b"data", &pack(&values, bits as usize / 8))]);
        let a = inspect(&put(&dir, "x.wav", &wave), &Silent).unwrap();
        let b = inspect(&put(&dir, "x.aif", &aiff(&values, bits as u16, 44_100)), &Silent).unwrap();
        assert_eq!((b.info.container, b.info.sample), (Container::Aiff, a.info.sample));
        assert_eq!((a.info.frames, a.info.rate), (b.info.frames, b.info.rate));
        assert_eq!((a.peak, a.dc_offset, a.noise_floor_db), (b.peak, b.dc_offset, b.noise_floor_db));
    }
}

#[test]
fn compressed_files_are_read_and_their_uncertain_start_is_said() {
    for (name, container, late) in [
        ("tone.mp3", Container::Mp3, true),
        ("tone.m4a", Container::M4a, true),
        ("tone.aac", Container::Aac, true),
        ("tone.ogg", Container::Ogg, false),
    ] {
        let report = inspect(&fixture(name), &Silent).unwrap();
        let info = &report.info;
        assert_eq!((info.container, info.sample), (container, SampleKind::Compressed), "{name}");
        assert_eq!((info.channels, info.rate), (1, 44_100), "{name}");
        assert!((44_100..48_000).contains(&info.frames), "{name}: {}", info.frames);
        assert!((0.45..0.6).contains(&report.peak), "{name}: {}", report.peak);
        assert_eq!(
            info.warnings.iter().any(|w| w.contains("start late")),
            late,
            "{name}: {:?}",
            info.warnings
        );
        assert_eq!(*info, probe(&fixture(name)).unwrap());
    }
    let lossless = inspect(&fixture("tone-alac.m4a"), &Silent).unwrap();
    assert_eq!((lossless.info.sample, lossless.info.frames), (SampleKind::I16, 44_100));
    assert!(lossless.info.warnings.is_empty(), "{:?}", lossless.info.warnings);
    assert_eq!(lossless.peak, 0.5);
}

#[test]
fn inspecting_stops_when_told_to() {
    let dir = folder();
    let path = put(&dir, "x.wav", &simple(500_000));
    assert_eq!(inspect(&path, &StopAt(200_000)).unwrap_err().kind(), MediaErrorKind::Cancelled);
    assert_eq!(inspect(&fixture("tone.mp3"), &StopAt(1)).unwrap_err().kind(), MediaErrorKind::Cancelled);
    assert!(inspect(&fixture("tone.mp3"), &StopAt(1 << 40)).is_ok());
}

#[test]
fn a_flac_file_cut_short_is_read_as_far_as_it_goes_and_says_so() {
    let bytes = std::fs::read(fixture("tone.mp3")).unwrap();
    let dir = folder();
    let cut = inspect(&put(&dir, "x.mp3", &bytes[..bytes.len() / 2]), &Silent).unwrap();
    assert!((15_000..30_000).contains(&cut.info.frames), "{}", cut.info.frames);

    use tautline::media::{OutputFormat, WavSpec, create_sink};
    let path = dir.path().join("x.flac");
    let spec = WavSpec { channels: 1, rate: 48_000, format: OutputFormat::Flac24 };
    let mut sink = create_sink(&path, spec).unwrap();
    sink.write(&[&scaled(&integers(100_000, 24, 2), 24)]).unwrap();
    sink.finish().unwrap();
    let whole = std::fs::read(&path).unwrap();
    let cut = inspect(&put(&dir, "y.flac", &whole[..whole.len() / 2]), &Silent).unwrap();
    assert!((40_000..60_000).contains(&cut.info.frames), "{}", cut.info.frames);
    assert!(
        cut.info.warnings.iter().any(|w| w.contains("promises 100000 frames")),
        "{:?}",
        cut.info.warnings
    );

    // A damaged frame in the middle must not shift what comes after it.
    let mut hurt = whole.clone();
    let middle = hurt.len() / 2;
    hurt[middle..middle + 40].fill(0x55);
    let hurt = inspect(&put(&dir, "z.flac", &hurt), &Silent).unwrap();
    assert_eq!(hurt.info.frames, 100_000, "{:?}", hurt.info.warnings);
}

#[test]
fn an_aiff_file_cut_short_is_read_as_far_as_it_goes() {
    let dir = folder();
    let values = integers(20_000, 24, 4);
    let whole = aiff(&values, 24, 48_000);
    let cut = inspect(&put(&dir, "x.aif", &whole[..whole.len() - 3 * 5_000]), &Silent).unwrap();
    assert_eq!(cut.info.frames, 15_000);
    assert!(cut.info.warnings.iter().any(|w| w.contains("cut short")), "{:?}", cut.info.warnings);
}
