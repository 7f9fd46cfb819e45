//! Working copies.

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use tautline::media::{
    AudioInfo, MediaErrorKind, OutputFormat, Progress, SampleKind, Silent, WavSpec, WavWriter,
    conformed_frames, create_sink, hash_file, probe, working_copy,
};

use super::build::*;

fn conform(path: &Path, rate: u32, cache: &Path) -> PathBuf {
    let info = probe(path).unwrap();
    working_copy(path, &hash_file(path).unwrap(), &info, rate, cache, &Silent).unwrap()
}

fn float_file(dir: &tempfile::TempDir, name: &str, rate: u32, planes: &[&[f32]]) -> PathBuf {
    let path = dir.path().join(name);
    let spec = WavSpec { channels: planes.len() as u16, rate, format: OutputFormat::F32 };
    let mut writer = WavWriter::create(&path, spec, None).unwrap();
    writer.write(planes).unwrap();
    writer.finish().unwrap();
    path
}

#[test]
fn a_wav_file_at_the_sessions_rate_is_its_own_working_copy() {
    let dir = folder();
    let path = put(&dir, "x.wav", &simple(100));
    assert_eq!(conform(&path, 48_000, &dir.path().join("cache")), path);
    assert!(!dir.path().join("cache").exists());
}

#[test]
fn lossless_sources_at_the_same_rate_come_out_exactly() {
    let dir = folder();
    let cache = dir.path().join("cache");
    for bits in [16, 24] {
        let values = integers(30_000, bits, 9);
        let want = [scaled(&values, bits)];
        let aiff = put(&dir, "x.aiff", &aiff(&values, bits as u16, 48_000));
        assert_eq!(read_all(&conform(&aiff, 48_000, &cache)), want);

        let flac = dir.path().join("x.flac");
        let format = if bits == 16 { OutputFormat::Flac16 } else { OutputFormat::Flac24 };
        let mut sink = create_sink(&flac, WavSpec { channels: 1, rate: 48_000, format }).unwrap();
        sink.write(&[&want[0]]).unwrap();
        sink.finish().unwrap();
        let before = std::fs::read(&flac).unwrap();
        let copy = conform(&flac, 48_000, &cache);
        assert_eq!(copy, cache.join(format!("{}-48000.wav", hash_file(&flac).unwrap())));
        assert_eq!(read_all(&copy), want);
        assert_eq!(probe(&copy).unwrap().sample, SampleKind::F32);
        assert_eq!(std::fs::read(&flac).unwrap(), before, "the original stays untouched");
    }
}

#[test]
fn lengths_follow_one_integer_formula() {
    let dir = folder();
    let rates = [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (8_000, 384_000), (44_101, 48_000)];
    for (rate, session) in rates {
        for frames in [1u64, 2, 441, 4_095, 4_096, 12_345] {
            let want = (frames * u64::from(session) + u64::from(rate) / 2) / u64::from(rate);
            assert_eq!(conformed_frames(frames, rate, session), want);
            let path = float_file(&dir, "x.wav", rate, &[&vec![0.1; frames as usize]]);
            if want > 0 {
                assert_eq!(
                    read_all(&conform(&path, session, dir.path()))[0].len() as u64,
                    want,
                    "{rate} {session}"
                );
            }
        }
    }
    let (short, hash) =
        (float_file(&dir, "x.wav", 96_000, &[&[0.1; 5]]), hash_file(&dir.path().join("x.wav")));
    let error = working_copy(&short, &hash.unwrap(), &probe(&short).unwrap(), 8_000, dir.path(), &Silent)
        .unwrap_err();
    assert!(error.to_string().contains("shorter than one sample"), "{error}");
    assert_eq!(conformed_frames(u64::MAX, 8_000, 384_000), u64::MAX);
}

/// Amplitude of the part of `samples` at `frequency`, by correlation over whole periods.
fn amplitude(samples: &[f32], frequency: f64, rate: f64) -> f64 {
    let (mut re, mut im) = (0.0, 0.0);
    for (n, &x) in samples.iter().enumerate() {
        let phase = TAU * frequency * n as f64 / rate;
        re += f64::from(x) * phase.cos();
        im += f64::from(x) * phase.sin();
    }
    2.0 * (re * re + im * im).sqrt() / samples.len() as f64
}

#[test]
fn a_sine_keeps_its_level_and_its_phase_and_nothing_is_added() {
    let dir = folder();
    for (rate, session) in
        [(44_100u32, 48_000u32), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000), (22_050, 48_000)]
    {
        let sine = |rate: u32, n: usize| (0.5 * (TAU * 1_000.0 * n as f64 / f64::from(rate)).sin()) as f32;
        let samples: Vec<f32> = (0..rate as usize * 2).map(|n| sine(rate, n)).collect();
        let inverted: Vec<f32> = samples.iter().map(|x| -x).collect();
        let path = float_file(&dir, "x.wav", rate, &[&samples, &inverted]);
        let out = read_all(&conform(&path, session, dir.path()));
        // The middle second: whole periods, away from the ends.
        let middle = session as usize / 2..session as usize * 3 / 2;
        let level = amplitude(&out[0][middle.clone()], 1_000.0, f64::from(session));
        assert!((20.0 * (level / 0.5).log10()).abs() < 0.01, "{rate} to {session}: {level}");
        let worst = middle.clone().map(|n| (out[0][n] - sine(session, n)).abs()).fold(0.0, f32::max);
        assert!(worst < 2e-6, "{rate} to {session}: off by {worst}");
        assert!(middle.clone().all(|n| out[0][n] == -out[1][n]));
    }
}

/// What would fold back has to be gone: 23 kHz at 96 kHz stays, 30 kHz is beyond the new band.
#[test]
fn frequencies_beyond_the_new_band_are_removed() {
    let dir = folder();
    for (frequency, least, most) in [(20_000.0, 0.49, 0.51), (30_000.0, 0.0, 1e-5)] {
        let samples: Vec<f32> =
            (0..192_000).map(|n| (0.5 * (TAU * frequency * f64::from(n) / 96_000.0).sin()) as f32).collect();
        let out = read_all(&conform(&float_file(&dir, "x.wav", 96_000, &[&samples]), 48_000, dir.path()));
        let peak = out[0][24_000..72_000].iter().fold(0f32, |peak, x| peak.max(x.abs()));
        assert!((least..=most).contains(&peak), "{frequency}: {peak}");
    }
}

#[test]
fn a_click_stays_where_it_was_even_at_the_very_ends() {
    let dir = folder();
    for (rate, session) in [(44_100u32, 48_000u32), (48_000, 44_100), (96_000, 44_100), (44_101, 48_000)] {
        let frames = 40_000usize;
        for at in [0, 1, 777, 20_000, frames - 2, frames - 1] {
            let mut samples = vec![0.0; frames];
            samples[at] = 1.0;
            let out =
                &read_all(&conform(&float_file(&dir, "x.wav", rate, &[&samples]), session, dir.path()))[0];
            let peak = out.iter().map(|x| x.abs()).fold(0f32, f32::max);
            let found = out.iter().position(|x| x.abs() == peak).unwrap() as f64;
            let want = at as f64 * f64::from(session) / f64::from(rate);
            // Between two frames a band-limited click of height h reaches 2/pi of it.
            let height = (f64::from(session) / f64::from(rate)).min(1.0) as f32;
            assert!(peak > 0.55 * height, "{rate} to {session}, frame {at}: {peak}");
            assert!((found - want).abs() <= 0.55, "{rate} to {session}, frame {at}: {found} not {want}");
        }
    }
}

#[test]
fn a_good_copy_is_used_again_and_a_bad_one_is_made_again() {
    let dir = folder();
    let samples = scaled(&integers(20_000, 16, 1), 16);
    let path = float_file(&dir, "x.wav", 44_100, &[&samples]);
    let cache = dir.path().join("cache");
    let copy = conform(&path, 48_000, &cache);
    let good = std::fs::read(&copy).unwrap();
    let stamp = || std::fs::metadata(&copy).unwrap().modified().unwrap();
    let made = stamp();
    assert_eq!(conform(&path, 48_000, &cache), copy);
    assert_eq!(stamp(), made, "used again");
    for bad in [&good[..good.len() - 1], &good[..50], b"", b"text"] {
        std::fs::write(&copy, bad).unwrap();
        conform(&path, 48_000, &cache);
        assert!(std::fs::read(&copy).unwrap() == good);
    }
    // Of another length: not the copy of this recording.
    std::fs::copy(float_file(&dir, "y.wav", 48_000, &[&samples]), &copy).unwrap();
    conform(&path, 48_000, &cache);
    assert!(std::fs::read(&copy).unwrap() == good);
    assert_eq!(std::fs::read_dir(&cache).unwrap().count(), 1);
}

struct StopAfter(AtomicU64);

impl Progress for StopAfter {
    fn advance(&self, done: u64, total: u64) -> bool {
        assert!(done <= total);
        self.0.fetch_sub(1, Ordering::Relaxed) > 1
    }
}

#[test]
fn stopping_leaves_nothing_behind() {
    let dir = folder();
    let path = float_file(&dir, "x.wav", 44_100, &[&vec![0.1; 200_000]]);
    let cache = dir.path().join("cache");
    let (info, hash) = (probe(&path).unwrap(), hash_file(&path).unwrap());
    for steps in [1, 5] {
        let stop = StopAfter(AtomicU64::new(steps));
        let error = working_copy(&path, &hash, &info, 48_000, &cache, &stop).unwrap_err();
        assert_eq!(error.kind(), MediaErrorKind::Cancelled);
        assert_eq!(std::fs::read_dir(&cache).unwrap().count(), 0);
    }
}

#[test]
fn a_recording_that_changed_is_not_taken_for_the_one_that_was_hashed() {
    let dir = folder();
    let path = float_file(&dir, "x.wav", 44_100, &[&[0.1; 1_000]]);
    let (info, hash) = (probe(&path).unwrap(), hash_file(&path).unwrap());
    let cache = dir.path().join("cache");
    let refuse = |info: &AudioInfo, hash: &str| {
        let error = working_copy(&path, hash, info, 48_000, &cache, &Silent).unwrap_err();
        assert!(matches!(error.kind(), MediaErrorKind::Damaged | MediaErrorKind::Unsupported), "{error}");
        assert!(!cache.exists() || std::fs::read_dir(&cache).unwrap().count() == 0);
    };
    refuse(&info, "../../../etc/passwd");
    refuse(&info, &"A".repeat(64));
    refuse(&info, &hash_file(&put(&dir, "other", b"other")).unwrap());
    // Descriptions that a hostile session could hold.
    refuse(&AudioInfo { frames: u64::MAX, ..info.clone() }, &hash);
    refuse(&AudioInfo { frames: 1_001, ..info.clone() }, &hash);
    refuse(&AudioInfo { rate: 0, ..info.clone() }, &hash);
    refuse(&AudioInfo { rate: 22_050, ..info.clone() }, &hash);
    refuse(&AudioInfo { channels: 2, ..info.clone() }, &hash);
    refuse(&AudioInfo { channels: 0, ..info.clone() }, &hash);
}

#[test]
fn a_compressed_file_keeps_its_level_and_starts_about_where_it_did() {
    let dir = folder();
    for name in ["tone.mp3", "tone.m4a", "tone.aac", "tone.ogg", "tone-alac.m4a"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures").join(name);
        let out = &read_all(&conform(&path, 48_000, dir.path()))[0];
        let onset = out.iter().position(|x| x.abs() > 0.1).unwrap() as f64 / 48_000.0;
        assert!((0.19..0.26).contains(&onset), "{name}: {onset}");
        let level = amplitude(&out[16_800..31_200], 1_000.0, 48_000.0);
        // The MP3 encoder turned the level down by 5 %.
        let want = if name == "tone.mp3" { 0.475 } else { 0.5 };
        assert!((level - want).abs() < 0.01, "{name}: {level}");
    }
}
