//! The bounce end to end: takes on disk in, files out, read back with an independent reader.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod rendering;

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use proptest::prelude::*;
use rendering::{Takes, any_song, fade, lane, noise, region, song, three_takes, write_f32};
use tautline::handoff::{AssetFile, Bounce, BounceError, BounceOptions, BounceRequest, FileKind, bounce};
use tautline::media::{OutputFormat, Progress, Silent};
use tautline::mix::{Plan, Scratch, render_lane};
use tautline::song::{AssetId, Curve, Db, Length, Pan, Polarity, Position, Role, Song};
use tempfile::TempDir;

const RATE: u32 = 48_000;

/// Takes written as 32-bit float WAV files by hound.
struct Studio {
    folder: TempDir,
    takes: Takes,
    assets: Vec<AssetFile>,
}

impl Studio {
    fn new(takes: Takes) -> Studio {
        let folder = tempfile::tempdir().unwrap();
        let assets = takes.write(folder.path(), RATE);
        Studio { folder, takes, assets }
    }

    fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    fn request<'a>(&'a self, song: &'a Song, folder: &'a Path, format: OutputFormat) -> BounceRequest<'a> {
        BounceRequest {
            song,
            rate: RATE,
            title: "Lantern Row",
            assets: &self.assets,
            folder,
            format,
            overwrite: false,
            options: BounceOptions::default(),
        }
    }

    fn bounce(&self, song: &Song, format: OutputFormat) -> Result<Bounce, BounceError> {
        bounce(&self.request(song, &self.out(), format), &Silent)
    }

    /// Names in the output folder, hidden ones too, sorted.
    fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(self.out()).map(|entries| entries.map(|entry| entry.unwrap()));
        let mut names: Vec<String> = entries
            .map(|entries| entries.map(|entry| entry.file_name().into_string().unwrap()).collect())
            .unwrap_or_default();
        names.sort();
        names
    }
}

/// Reads a file back, one vector per channel.
fn read_back(path: &Path) -> (hound::WavSpec, Vec<Vec<f32>>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    let samples: Vec<f32> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().map(Result::unwrap).collect(),
        hound::SampleFormat::Int => {
            let scale = (1u32 << (spec.bits_per_sample - 1)) as f32;
            reader.samples::<i32>().map(|sample| sample.unwrap() as f32 / scale).collect()
        }
    };
    let channels = usize::from(spec.channels);
    let plane = |channel| samples.iter().skip(channel).step_by(channels).copied().collect();
    (spec, (0..channels).map(plane).collect())
}

/// Sum of the lanes' files as somebody who imports them would make it: mono files through the −3 dB pan law in the
/// middle, stereo files as they are.
fn sum_of_stems(bounced: &Bounce) -> [Vec<f64>; 2] {
    let length = usize::try_from(bounced.length).unwrap();
    let mut sums = [vec![0.0; length], vec![0.0; length]];
    let stems = bounced.files.iter().filter(|file| file.kind == FileKind::Lane);
    for file in stems.filter(|file| !file.muted && file.role != Some(Role::Backing)) {
        let (_, planes) = read_back(&file.path);
        for (side, sum) in sums.iter_mut().enumerate() {
            let gain = if planes.len() == 1 { 0.5f64.sqrt() } else { 1.0 };
            let plane = &planes[side.min(planes.len() - 1)];
            assert_eq!(plane.len(), length);
            sum.iter_mut().zip(plane).for_each(|(sum, sample)| *sum += gain * f64::from(*sample));
        }
    }
    sums
}

fn worst_db(a: &[f32], b: &[f64]) -> f64 {
    let worst = a.iter().zip(b).map(|(a, b)| (f64::from(*a) - b).abs()).fold(0.0, f64::max);
    20.0 * worst.log10()
}

/// Guide, panned double, stereo harmony, muted double, backing: longer than the bounce's chunks.
fn chorus() -> (Studio, Song) {
    let takes = Takes(HashMap::from([
        (AssetId(1), noise(1, 50_000, 1)),
        (AssetId(2), noise(2, 50_000, 2)),
        (AssetId(3), noise(1, 50_000, 3)),
    ]));
    let mut first = region(1, 1, 0, 30_000, -700);
    first.fade_out = fade(2000, Curve::EqualPower, 0.2);
    let mut second = region(2, 3, 1000, 20_000, 27_300);
    second.fade_in = fade(2000, Curve::EqualPower, 0.2);
    second.fade_out = fade(7000, Curve::Exponential, -0.4);
    let mut lanes = vec![
        lane(1, "lead", vec![first, second]),
        lane(2, "dbl l", vec![region(3, 3, 0, 40_000, 500)]),
        lane(3, "hi/lo", vec![region(4, 2, 0, 33_000, 100), region(5, 1, 0, 9_000, 40_000)]),
        lane(4, "dbl l", vec![region(6, 3, 0, 1000, 0)]),
        lane(5, "", vec![region(7, 2, 0, 45_000, 0)]),
        lane(6, "empty", vec![]),
    ];
    let roles = [Role::Guide, Role::Double, Role::Harmony, Role::Double, Role::Backing, Role::Adlib];
    lanes.iter_mut().zip(roles).for_each(|(lane, role)| lane.role = role);
    lanes.iter_mut().for_each(|lane| lane.gain_db = Db(-9.0));
    (lanes[1].pan, lanes[1].polarity) = (Pan(-0.4), Polarity::Inverted);
    lanes[3].mute = true;
    (Studio::new(takes), song(lanes))
}

#[test]
fn every_lane_and_the_stack_get_one_start_and_one_length() {
    let (studio, song) = chorus();
    let bounced = studio.bounce(&song, OutputFormat::I24).unwrap();
    // The first region begins at -700; the last one ends at 40 000 + 9 000.
    assert_eq!((bounced.rate, bounced.start, bounced.length), (RATE, -700, 49_700));
    let wanted = [
        ("Lantern-Row_01_guide_lead_48k.wav", 1),
        ("Lantern-Row_02_double_dbl-l_48k.wav", 2),
        ("Lantern-Row_03_harmony_hi-lo_48k.wav", 2),
        ("Lantern-Row_04_double_dbl-l_48k.wav", 1),
        ("Lantern-Row_05_backing_take_48k.wav", 2),
        ("Lantern-Row_06_adlib_empty_48k.wav", 1),
        ("Lantern-Row_stack_48k.wav", 2),
    ];
    assert_eq!(studio.names(), wanted.map(|(name, _)| name));
    for (file, (name, channels)) in bounced.files.iter().zip(wanted) {
        assert_eq!(file.path, studio.out().join(name));
        let (spec, planes) = read_back(&file.path);
        assert_eq!((spec.channels, spec.sample_rate, spec.bits_per_sample), (channels, RATE, 24), "{name}");
        assert_eq!(file.channels, channels);
        assert!(planes.iter().all(|plane| plane.len() == 49_700), "{name}");
        let peak = planes.iter().flatten().fold(0.0f32, |peak, sample| peak.max(sample.abs()));
        match file.peak_db {
            None => assert_eq!(peak, 0.0, "{name}"),
            Some(db) => assert!((f64::from(peak) - 10f64.powf(db / 20.0)).abs() < 2e-7, "{name}: {db}"),
        }
    }
    assert_eq!(
        bounced.files.iter().map(|file| file.muted).collect::<Vec<_>>(),
        [false, false, false, true, false, false, false]
    );
    // The muted take is written, not silenced.
    assert!(bounced.files[3].peak_db.is_some() && bounced.files[5].peak_db.is_none());
}

#[test]
fn the_report_has_the_shape_that_scripts_rely_on() {
    let (studio, song) = chorus();
    let bounced = studio.bounce(&song, OutputFormat::F32).unwrap();
    let json = serde_json::to_value(&bounced).unwrap();
    assert_eq!(
        (&json["rate"], &json["start"], &json["length"]),
        (&48_000.into(), &(-700).into(), &49_700.into())
    );
    assert_eq!(json["files"][1]["kind"], "lane");
    assert_eq!(json["files"][1]["lane"], 2);
    assert!(json["files"][1]["peak_db"].is_f64() && json["files"][1]["path"].is_string());
    assert_eq!(json["files"][5]["peak_db"], serde_json::Value::Null);
    assert_eq!(json["files"][6]["kind"], "stack");
    assert!(json["files"][6].get("lane").is_none());
}

#[test]
fn stems_add_up_to_the_stack() {
    let (studio, song) = chorus();
    let bounced = studio.bounce(&song, OutputFormat::F32).unwrap();
    let (_, stack) = read_back(&bounced.files.last().unwrap().path);
    for (plane, sum) in stack.iter().zip(&sum_of_stems(&bounced)) {
        assert!(plane.iter().any(|sample| sample.abs() > 0.3));
        assert!(worst_db(plane, sum) < -120.0, "{} dB", worst_db(plane, sum));
    }
}

#[test]
fn a_lane_of_the_bounce_is_what_the_kernel_renders() {
    let (studio, song) = chorus();
    let bounced = studio.bounce(&song, OutputFormat::F32).unwrap();
    let plan = Plan::compile(&song, RATE, &|asset| studio.takes.channels(asset));
    let mut wanted = vec![0.0; 49_700];
    let mut takes = studio.takes.clone();
    render_lane(&plan.lanes()[0], Position(-700), &mut [&mut wanted], &mut takes, &mut Scratch::new(999));
    let (_, found) = read_back(&bounced.files[0].path);
    assert!(found[0].iter().zip(&wanted).all(|(a, b)| a.to_bits() == b.to_bits()));
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let (studio, song) = chorus();
    let mut bytes = Vec::new();
    for (threads, name) in [(1, "one"), (3, "three")] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let folder = studio.folder.path().join(name);
        let request = studio.request(&song, &folder, OutputFormat::F32);
        let bounced = pool.install(|| bounce(&request, &Silent)).unwrap();
        bytes.push(bounced.files.iter().map(|file| fs::read(&file.path).unwrap()).collect::<Vec<_>>());
    }
    assert_eq!(bytes[0], bytes[1]);
}

#[test]
fn sixteen_and_twenty_four_bits_are_the_float_render_rounded() {
    let (studio, song) = chorus();
    let float = studio.bounce(&song, OutputFormat::F32).unwrap();
    for (format, bits, name) in [(OutputFormat::I16, 16, "i16"), (OutputFormat::I24, 24, "i24")] {
        let folder = studio.folder.path().join(name);
        let options = BounceOptions { dither: false, ..BounceOptions::default() };
        let request = BounceRequest { options, ..studio.request(&song, &folder, format) };
        let whole = bounce(&request, &Silent).unwrap();
        let half_step = 0.5 / f64::from(1 << (bits - 1)) * 1.0001;
        for (a, b) in float.files.iter().zip(&whole.files).filter(|(file, _)| file.clipped == 0) {
            let (a, b) = (read_back(&a.path).1, read_back(&b.path).1);
            for (a, b) in a.iter().flatten().zip(b.iter().flatten()).filter(|(a, _)| a.abs() < 0.9999) {
                assert!((f64::from(*a) - f64::from(*b)).abs() <= half_step, "{name}: {a} {b}");
            }
        }
    }
}

#[test]
fn flac_holds_the_same_integers() {
    let (studio, song) = chorus();
    let wav = studio.bounce(&song, OutputFormat::I24).unwrap();
    let folder = studio.folder.path().join("flac");
    let flac = bounce(&studio.request(&song, &folder, OutputFormat::Flac24), &Silent).unwrap();
    assert!(flac.files.iter().all(|file| file.path.extension().unwrap() == "flac"));
    assert_eq!(
        wav.files.iter().map(|file| file.peak_db).collect::<Vec<_>>(),
        flac.files.iter().map(|file| file.peak_db).collect::<Vec<_>>()
    );
    let mut reader = flac_codec::decode::FlacSampleReader::open(&flac.files[0].path).unwrap();
    let mut samples = Vec::new();
    reader.read_to_end(&mut samples).unwrap();
    let (_, wanted) = read_back(&wav.files[0].path);
    assert_eq!(samples.len(), wanted[0].len());
    assert!(samples.iter().zip(&wanted[0]).all(|(a, b)| *a as f32 / 8_388_608.0 == *b));
}

#[test]
fn what_is_too_loud_for_integers_is_clipped_and_counted() {
    let takes = Takes(HashMap::from([(AssetId(1), vec![vec![0.5, -0.6, 0.9, 0.1, -0.25]])]));
    let studio = Studio::new(takes);
    let mut loud = lane(1, "loud", vec![region(1, 1, 0, 5, 0)]);
    loud.gain_db = Db(20.0 * 2f64.log10());
    let song = song(vec![loud]);
    let bounced = studio.bounce(&song, OutputFormat::I16).unwrap();
    let file = &bounced.files[0];
    // 0.5 doubled is full scale exactly; -1.2 and 1.8 lie above it.
    assert_eq!(file.clipped, 2);
    assert!((file.peak_db.unwrap() - 20.0 * 1.8f64.log10()).abs() < 1e-5);
    let (_, planes) = read_back(&file.path);
    let integers: Vec<i32> = planes[0].iter().map(|x| (x * 32_768.0) as i32).collect();
    assert_eq!(integers, [32_767, -32_768, 32_767, 6554, -16_384]);
    let folder = studio.folder.path().join("float");
    let float = bounce(&studio.request(&song, &folder, OutputFormat::F32), &Silent).unwrap();
    assert_eq!(float.files[0].clipped, 0);
    assert!((read_back(&float.files[0].path).1[0][2] - 1.8).abs() < 1e-6);
}

#[test]
fn nothing_is_overwritten_unless_allowed() {
    let (studio, song) = chorus();
    fs::create_dir(studio.out()).unwrap();
    let precious = studio.out().join("Lantern-Row_stack_48k.wav");
    fs::write(&precious, "precious").unwrap();
    let error = studio.bounce(&song, OutputFormat::I24).unwrap_err();
    assert!(matches!(&error, BounceError::Exists { paths } if *paths == [precious.clone()]), "{error}");
    assert!(error.to_string().contains("Lantern-Row_stack_48k.wav exists already"), "{error}");
    assert_eq!(studio.names(), ["Lantern-Row_stack_48k.wav"]);
    assert_eq!(fs::read(&precious).unwrap(), b"precious");

    let folder = studio.out();
    let request = BounceRequest { overwrite: true, ..studio.request(&song, &folder, OutputFormat::I24) };
    bounce(&request, &Silent).unwrap();
    assert_eq!(read_back(&precious).1[0].len(), 49_700);
    assert_eq!(studio.names().len(), 7);
    // A second time all seven are in the way.
    let error = studio.bounce(&song, OutputFormat::I24).unwrap_err();
    assert!(error.to_string().contains("and 6 more"), "{error}");
}

#[test]
fn a_folder_of_the_name_of_a_file_is_never_replaced() {
    let (studio, song) = chorus();
    let folder = studio.out();
    fs::create_dir_all(folder.join("Lantern-Row_stack_48k.wav")).unwrap();
    let request = BounceRequest { overwrite: true, ..studio.request(&song, &folder, OutputFormat::I24) };
    assert!(matches!(bounce(&request, &Silent), Err(BounceError::Exists { .. })));
    assert_eq!(studio.names(), ["Lantern-Row_stack_48k.wav"]);
}

/// Stops after some reports and remembers what it was told.
struct StopAfter(u64, AtomicU64, AtomicU64);

impl Progress for StopAfter {
    fn advance(&self, done: u64, total: u64) -> bool {
        assert!(done <= total && done > self.2.swap(done, Ordering::Relaxed));
        self.1.fetch_add(1, Ordering::Relaxed) + 1 < self.0
    }
}

#[test]
fn a_stopped_bounce_leaves_nothing() {
    let (studio, song) = chorus();
    for stop in [1, 2] {
        let progress = StopAfter(stop, AtomicU64::new(0), AtomicU64::new(0));
        let folder = studio.out();
        let result = bounce(&studio.request(&song, &folder, OutputFormat::I24), &progress);
        assert!(matches!(result, Err(BounceError::Cancelled)));
        assert!(!folder.exists(), "a folder that was made for the bounce goes with it");
    }
    fs::create_dir(studio.out()).unwrap();
    fs::write(studio.out().join("notes.txt"), "mine").unwrap();
    let progress = StopAfter(1, AtomicU64::new(0), AtomicU64::new(0));
    assert!(bounce(&studio.request(&song, &studio.out(), OutputFormat::I24), &progress).is_err());
    assert_eq!(studio.names(), ["notes.txt"]);
    // Not stopped, it reports all frames.
    let progress = StopAfter(u64::MAX, AtomicU64::new(0), AtomicU64::new(0));
    bounce(&studio.request(&song, &studio.out(), OutputFormat::I24), &progress).unwrap();
    assert_eq!(progress.2.into_inner(), 49_700);
}

#[test]
fn a_recording_that_is_not_what_it_was_stops_the_bounce_before_it_begins() {
    let (mut studio, song) = chorus();
    let spoil = |studio: &Studio, rate: u32, take: &[Vec<f32>], text: &str| {
        let file = studio.assets.iter().find(|asset| asset.id == AssetId(3)).unwrap();
        write_f32(&file.path, rate, take);
        let error = studio.bounce(&song, OutputFormat::I24).unwrap_err();
        assert!(matches!(error, BounceError::Changed { .. }), "{error}");
        assert!(error.to_string().contains(text), "{error}");
        assert!(!studio.out().exists());
    };
    spoil(&studio, 44_100, &noise(1, 50_000, 3), "44100 Hz");
    spoil(&studio, RATE, &noise(2, 50_000, 3), "2 channels");
    spoil(&studio, RATE, &noise(1, 39_999, 3), "39999 frames where 40000 are needed");
    studio.assets.retain(|asset| asset.id != AssetId(3));
    let error = studio.bounce(&song, OutputFormat::I24).unwrap_err();
    assert!(matches!(error, BounceError::UnknownAsset { lane: 1, asset: AssetId(3) }), "{error}");
    assert!(!studio.out().exists());
}

#[test]
fn a_missing_file_and_an_empty_song_say_so() {
    let (studio, song) = chorus();
    fs::remove_file(&studio.assets[0].path).unwrap();
    let error = studio.bounce(&song, OutputFormat::I24).unwrap_err();
    assert!(matches!(error, BounceError::Media(_)), "{error}");
    let silent = rendering::song(vec![lane(1, "none", vec![])]);
    assert!(matches!(studio.bounce(&silent, OutputFormat::I24), Err(BounceError::Nothing)));
    assert!(!studio.out().exists());
}

#[test]
fn an_unwritable_place_says_so() {
    let (studio, song) = chorus();
    let file = studio.folder.path().join("a-file");
    fs::write(&file, "").unwrap();
    let folder = file.join("below");
    let error = bounce(&studio.request(&song, &folder, OutputFormat::I24), &Silent).unwrap_err();
    assert!(matches!(error, BounceError::Folder { .. }), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    #[test]
    fn stems_of_any_song_add_up_to_the_stack(song in any_song()) {
        let studio = Studio::new(three_takes());
        if song.extent().is_none() {
            prop_assert!(matches!(studio.bounce(&song, OutputFormat::F32), Err(BounceError::Nothing)));
            return Ok(());
        }
        let bounced = studio.bounce(&song, OutputFormat::F32).unwrap();
        let extent = song.extent().unwrap();
        prop_assert_eq!(bounced.start, extent.start.0.min(0));
        prop_assert_eq!(Position(bounced.start) + Length(bounced.length), extent.end);
        let (_, stack) = read_back(&bounced.files.last().unwrap().path);
        for (plane, sum) in stack.iter().zip(&sum_of_stems(&bounced)) {
            prop_assert!(worst_db(plane, sum) < -120.0);
        }
    }
}
