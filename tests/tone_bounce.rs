//! The bounce through the lanes' tone, the levels report and what the check says about both.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod rendering;
mod toning;

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

use rendering::{Takes, lane, region, song};
use tautline::handoff::{
    AssetFile, BounceRequest, CheckRequest, FileKind, Levels, LevelsRequest, bounce, check, levels,
};
use tautline::listen::stack::Conflict;
use tautline::media::{OutputFormat, Silent};
use tautline::mix::{Plan, Scratch, ToneStage, render_edits, set_level};
use tautline::song::tone::{Compress, Deess};
use tautline::song::{AssetId, Db, Pan, Polarity, Position, Role, Song, Tone};
use tautline::sound::bank::Blocks;
use toning::{band_noise, bits, noise, vowel, whole_chain};

const RATE: u32 = 48_000;

/// The lanes' files of a bounce, plane by plane.
fn lanes_of(song: &Song, assets: &[AssetFile], folder: &Path, tone: bool) -> Vec<Vec<Vec<f32>>> {
    let request = BounceRequest {
        song,
        rate: RATE,
        title: "t",
        assets,
        folder,
        format: OutputFormat::F32,
        overwrite: true,
        options: tautline::handoff::BounceOptions { tone, ..Default::default() },
    };
    let bounced = bounce(&request, &Silent).unwrap();
    let lanes = bounced.files.iter().filter(|file| file.kind == FileKind::Lane);
    lanes
        .map(|file| {
            let mut reader = hound::WavReader::open(&file.path).unwrap();
            let channels = usize::from(reader.spec().channels);
            let samples: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
            (0..channels).map(|c| samples.iter().skip(c).step_by(channels).copied().collect()).collect()
        })
        .collect()
}

#[test]
fn lanes_are_written_with_and_without_their_tone_in_one_bounce() {
    let mut takes = Takes::default();
    for id in 1..=3 {
        takes.0.insert(AssetId(id), rendering::noise(if id == 2 { 2 } else { 1 }, 50_000, id as u32));
    }
    let lanes = (1..=3).map(|id| {
        let mut lane = lane(id, "x", vec![region(id, id, 10, 45_000, 100)]);
        (lane.gain_db, lane.pan) = (Db(-6.0), Pan(if id == 1 { 0.3 } else { 0.0 }));
        lane.tone = (id < 3).then(|| Arc::new(whole_chain()));
        lane
    });
    let song = song(lanes.collect());
    let folder = tempfile::tempdir().unwrap();
    let assets = takes.write(folder.path(), RATE);
    let request = BounceRequest {
        song: &song,
        rate: RATE,
        title: "t",
        assets: &assets,
        folder: &folder.path().join("both"),
        format: OutputFormat::F32,
        overwrite: false,
        options: tautline::handoff::BounceOptions { dry_too: true, ..Default::default() },
    };
    let both = bounce(&request, &Silent).unwrap();
    let kinds: Vec<_> = both.files.iter().map(|file| (file.kind, file.lane)).collect();
    let lane = |n| (FileKind::Lane, Some(n));
    let dry = |n| (FileKind::Dry, Some(n));
    // Lane 3 has no tone: one file says it all.
    assert_eq!(kinds, [lane(1), lane(2), lane(3), dry(1), dry(2), (FileKind::Stack, None)]);
    assert!(both.files[3].path.file_stem().unwrap().to_str().unwrap().ends_with("_dry"), "{both:?}");
    let bytes = |path: &Path| std::fs::read(path).unwrap();
    for (tone, at) in [(true, 0), (false, 3)] {
        let alone = folder.path().join(format!("{tone}"));
        let options = tautline::handoff::BounceOptions { tone, ..Default::default() };
        let alone = bounce(&BounceRequest { folder: &alone, options, ..request }, &Silent).unwrap();
        for (one, other) in alone.files[..2].iter().zip(&both.files[at..]) {
            assert_eq!((one.channels, one.lane), (other.channels, other.lane));
            assert!(bytes(&one.path) == bytes(&other.path), "tone {tone}, lane {:?}", one.lane);
        }
    }
}

struct Rows<'a>(&'a mut [[Vec<f32>; 2]]);

impl Blocks for Rows<'_> {
    fn block(&mut self, row: usize, channel: usize) -> &mut [f32] {
        &mut self.0[row][channel]
    }
}

#[test]
fn the_bounce_holds_what_is_heard_live_bit_for_bit() {
    let mut takes = Takes::default();
    for id in 1..=11 {
        takes.0.insert(
            AssetId(id),
            rendering::noise(if id % 4 == 0 { 2 } else { 1 }, 50_000, u32::try_from(id).unwrap()),
        );
    }
    let lanes = (1..=11).map(|id| {
        let mut lane = lane(id, "x", vec![region(id, id, 10, 45_000, i64::try_from(id).unwrap() * 100)]);
        lane.gain_db = Db(-3.0);
        // One in five has no tone, one in five another order.
        let order = [
            tautline::song::tone::Stage::Deess,
            tautline::song::tone::Stage::Compress,
            tautline::song::tone::Stage::Eq,
            tautline::song::tone::Stage::Drive,
        ];
        lane.tone = match id % 5 {
            0 => None,
            1 => Some(Arc::new(Tone { order, ..whole_chain() })),
            _ => Some(Arc::new(whole_chain())),
        };
        lane
    });
    let song = song(lanes.collect());
    let folder = tempfile::tempdir().unwrap();
    let assets = takes.write(folder.path(), RATE);
    let files = lanes_of(&song, &assets, &folder.path().join("out"), true);
    let plan = Plan::compile(&song, RATE, &|asset| takes.channels(asset));
    let mut stage = ToneStage::new(&plan);
    let mut scratch = Scratch::new(128);
    let length = files[0][0].len();
    let mut live = vec![vec![vec![]; 2]; plan.lanes().len()];
    for at in (0..length).step_by(128) {
        let count = 128.min(length - at);
        let mut blocks = vec![[vec![0.0f32; count], vec![0.0f32; count]]; plan.lanes().len()];
        for (planned, [left, right]) in plan.lanes().iter().zip(&mut blocks) {
            let mut out: Vec<&mut [f32]> = vec![left, right];
            out.truncate(usize::from(planned.channels));
            render_edits(planned, Position(at as i64), &mut out, &mut takes.clone(), &mut scratch);
        }
        stage.process(at as i64, count, &mut Rows(&mut blocks));
        for ((planned, [left, right]), live) in plan.lanes().iter().zip(&mut blocks).zip(&mut live) {
            set_level(planned.level, &mut [&mut *left, &mut *right]);
            live[0].extend_from_slice(left);
            live[1].extend_from_slice(right);
        }
    }
    for (number, (file, live)) in files.iter().zip(&live).enumerate() {
        assert_eq!(bits(file), bits(&live[..file.len()]), "lane {}", number + 1);
    }
    // Without tone, the lanes are those of the same song without tones.
    let mut plain = song.clone();
    plain.lanes.iter_mut().for_each(|lane| Arc::make_mut(lane).tone = None);
    let off = lanes_of(&song, &assets, &folder.path().join("off"), false);
    let without = lanes_of(&plain, &assets, &folder.path().join("plain"), true);
    assert!(off.iter().zip(&without).all(|(off, without)| bits(off) == bits(without)));
    assert!(
        files.iter().zip(&off).filter(|(on, off)| bits(on) != bits(off)).count() == 9,
        "nine lanes have a tone"
    );
}

/// A guide and what is done with it: two seconds of words.
fn words(seed: u32, level: f64) -> Vec<f32> {
    let mut take = Vec::new();
    for word in 0..4u32 {
        take.extend(vowel(150.0 + 37.0 * f64::from(seed + word), level, 24_000, RATE));
        take.extend(band_noise(5600.0, 8600.0, level - 8.0, 7200, RATE, seed * 10 + word + 1));
        take.extend(vec![0.0f32; 9600]);
    }
    take
}

fn measure(lanes: Vec<tautline::song::Lane>, takes: &Takes) -> (Levels, Vec<tautline::handoff::Finding>) {
    let folder = tempfile::tempdir().unwrap();
    let copies = takes.write(folder.path(), RATE);
    let song = song(lanes);
    let measured =
        levels(&LevelsRequest { song: &song, rate: RATE, copies: &copies, tone: true }).unwrap().unwrap();
    let request = CheckRequest {
        song: &song,
        rate: RATE,
        intake: &HashMap::new(),
        violations: &[],
        copies: &copies,
        hearing: &tautline::command::Deaf,
        levels: true,
    };
    (measured, check(&request).unwrap())
}

fn whole(id: u64, asset: u64, takes: &Takes) -> tautline::song::Lane {
    let mut lane = lane(
        id,
        &format!("lane {id}"),
        vec![region(id, asset, 0, takes.0[&AssetId(asset)][0].len() as u64, 0)],
    );
    lane.role = if id == 1 { Role::Guide } else { Role::Double };
    lane
}

fn codes(findings: &[tautline::handoff::Finding]) -> Vec<(&'static str, Option<usize>)> {
    findings.iter().map(|finding| (finding.code, finding.lane)).collect()
}

#[test]
fn pairs_that_cancel_or_comb_are_named_and_different_takes_are_not() {
    let mut takes = Takes::default();
    takes.0.insert(AssetId(1), vec![words(1, -18.0)]);
    takes.0.insert(AssetId(2), vec![words(5, -18.0)]);
    // A copy of the guide 2 ms later, over other noise 40 dB down.
    let mut late = vec![0.0f32; 96];
    late.extend(words(1, -18.0));
    late.iter_mut().zip(noise(200_000, 9)).for_each(|(sample, noise)| *sample += 0.001 * noise);
    takes.0.insert(AssetId(3), vec![late]);
    let mut lanes = vec![whole(1, 1, &takes), whole(2, 2, &takes), whole(3, 3, &takes), whole(4, 1, &takes)];
    lanes[3].polarity = Polarity::Inverted;
    let (measured, findings) = measure(lanes, &takes);
    let pair = |a, b| measured.stack.pairs.iter().find(|pair| (pair.first, pair.second) == (a, b));
    assert_eq!(pair(1, 2), None, "two takes of one line");
    let comb = pair(1, 3).unwrap();
    assert_eq!(comb.conflict, Conflict::Comb);
    assert!((comb.delay_ms - 2.0).abs() < 0.1 && (comb.first_notch_hz() - 250.0).abs() < 15.0, "{comb:?}");
    let polarity = pair(1, 4).unwrap();
    assert_eq!(polarity.conflict, Conflict::Polarity);
    assert!(polarity.correlation < -0.99 && polarity.delay_ms == 0.0, "{polarity:?}");
    assert!(codes(&findings).contains(&("polarity-against-guide", Some(4))), "{findings:?}");
    assert!(codes(&findings).contains(&("lanes-comb", Some(3))), "{findings:?}");
}

#[test]
fn loudness_spread_clipping_and_a_compressor_that_never_lets_go_are_found() {
    let mut takes = Takes::default();
    for id in 1..=3 {
        takes.0.insert(AssetId(id), vec![words(u32::try_from(id).unwrap(), -18.0 - 2.5 * (id as f64 - 1.0))]);
    }
    let mut lanes = vec![whole(1, 1, &takes), whole(2, 2, &takes), whole(3, 3, &takes)];
    let (calm, findings) = measure(lanes.clone(), &takes);
    assert!(
        !codes(&findings).iter().any(|(code, _)| [
            "loudness-spread",
            "clipping",
            "compressor-never-releases",
            "deess-beyond-cap"
        ]
        .contains(code)),
        "{findings:?}"
    );
    let apart = calm.lanes[1].loudness_lufs.unwrap() - calm.lanes[2].loudness_lufs.unwrap();
    assert!((apart - 2.5).abs() < 0.5, "{apart}");
    assert!((calm.lanes[1].against_guide_lu.unwrap() + 2.5).abs() < 0.5);
    lanes[2].tone = Some(Arc::new(Tone { gain_db: Db(24.0), ..Tone::default() }));
    let stuck = Compress { threshold_db: Db(-60.0), release_ms: 5000.0, ..Compress::default() };
    lanes[1].tone = Some(Arc::new(Tone {
        compress: Some(stuck),
        deess: Some(Deess { threshold_db: Db(-60.0), most_db: Db(5.0), ..Deess::default() }),
        ..Tone::default()
    }));
    let (measured, findings) = measure(lanes, &takes);
    let found = codes(&findings);
    for expected in [
        ("clipping", Some(3)),
        ("stack-clipping", None),
        ("loudness-spread", None),
        ("compressor-never-releases", Some(2)),
    ] {
        assert!(found.contains(&expected), "{expected:?} in {found:?}");
    }
    assert!(findings.iter().find(|f| f.code == "clipping").unwrap().text.contains("behind its tone"));
    assert!(measured.lanes[1].compress_most_db > 10.0 && !measured.lanes[1].compress_releases);
    let deess = measured.lanes[1].deess_most_db;
    assert!(deess > 4.5 && deess < 5.1, "the cap is 5 dB: {deess}");
}

#[test]
fn mono_loses_nothing_of_the_middle_three_db_of_independent_sides_and_all_of_opposite_ones() {
    let mut takes = Takes::default();
    let (a, b) = (noise(96_000, 1), noise(96_000, 2));
    takes.0.insert(AssetId(1), vec![a.clone()]);
    takes.0.insert(AssetId(2), vec![a.clone(), b]);
    takes.0.insert(AssetId(3), vec![a.clone(), a.iter().map(|sample| -sample).collect()]);
    let mono = |asset: u64| measure(vec![whole(2, asset, &takes)], &takes);
    let (middle, _) = mono(1);
    assert!((middle.stack.mono.correlation.unwrap() - 1.0).abs() < 1e-6);
    assert!(middle.stack.mono.loss_db.iter().flatten().all(|loss| loss.abs() < 0.01));
    let (wide, _) = mono(2);
    assert!(wide.stack.mono.correlation.unwrap().abs() < 0.02);
    assert!(
        wide.stack.mono.loss_db.iter().flatten().all(|loss| (loss + 3.01).abs() < 0.5),
        "{:?}",
        wide.stack.mono
    );
    let (opposite, findings) = mono(3);
    assert!((opposite.stack.mono.correlation.unwrap() + 1.0).abs() < 1e-6);
    assert!(codes(&findings).contains(&("mono-loss", None)), "{findings:?}");
}

#[test]
fn esses_that_fall_together_are_a_pile_and_others_are_not() {
    let ess_at = |start: usize, seed: u32| {
        let mut take = vowel(200.0, -20.0, 96_000, RATE);
        let ess = band_noise(5600.0, 8600.0, -20.0, 9600, RATE, seed);
        take[start..start + 9600].copy_from_slice(&ess);
        vec![take]
    };
    let mut takes = Takes::default();
    for id in 1..=4u64 {
        takes.0.insert(AssetId(id), ess_at(48_000, u32::try_from(id).unwrap()));
        takes.0.insert(AssetId(id + 4), ess_at(usize::try_from(id).unwrap() * 15_000, 9));
    }
    let (together, findings) = measure((1..=4).map(|id| whole(id, id, &takes)).collect(), &takes);
    let pile = together.stack.piles.first().unwrap();
    assert_eq!(pile.lanes, 4);
    assert!((47_000..50_000).contains(&pile.from) && (56_000..59_000).contains(&pile.to), "{pile:?}");
    assert!(codes(&findings).contains(&("esses-pile-up", None)));
    let (apart, _) = measure((1..=4).map(|id| whole(id, id + 4, &takes)).collect(), &takes);
    assert!(apart.stack.piles.is_empty(), "{:?}", apart.stack.piles);
}

#[test]
fn the_sums_loudness_is_that_of_the_bounced_stack() {
    let mut takes = Takes::default();
    (1..=3).for_each(|id| drop(takes.0.insert(AssetId(id), vec![words(u32::try_from(id).unwrap(), -20.0)])));
    let mut lanes: Vec<_> = (1..=3).map(|id| whole(id, id, &takes)).collect();
    lanes[1].pan = Pan(-0.6);
    lanes[1].tone = Some(Arc::new(whole_chain()));
    let folder = tempfile::tempdir().unwrap();
    let copies = takes.write(folder.path(), RATE);
    let song = song(lanes.clone());
    let (measured, _) = measure(lanes, &takes);
    let out = folder.path().join("out");
    let request = BounceRequest {
        song: &song,
        rate: RATE,
        title: "t",
        assets: &copies,
        folder: &out,
        format: OutputFormat::F32,
        overwrite: false,
        options: tautline::handoff::BounceOptions::default(),
    };
    let bounced = bounce(&request, &Silent).unwrap();
    let stack = bounced.files.iter().find(|file| file.kind == FileKind::Stack).unwrap();
    let samples: Vec<f32> =
        hound::WavReader::open(&stack.path).unwrap().samples::<f32>().map(Result::unwrap).collect();
    let side = |side: usize| samples.iter().skip(side).step_by(2).copied().collect::<Vec<f32>>();
    let found = tautline::sound::loudness::loudness(&[&side(0), &side(1)], RATE);
    let apart = found.integrated_lufs.unwrap() - measured.stack.loudness.integrated_lufs.unwrap();
    assert!(apart.abs() < 1e-6, "{apart}");
    assert!((stack.peak_db.unwrap() - measured.stack.peak_db.unwrap()).abs() < 1e-6);
}
