//! `tone` and `match level`: what they set, in exact numbers, and what they refuse.
#![allow(clippy::unwrap_used, reason = "a panic is the report of a test")]

mod common;
mod toning;

use std::collections::HashMap;
use std::sync::Arc;

use common::{RATE, refusal, run, store};
use tautline::command::{Action, Context, Diagnostic, Hearing, Presets, carry_out, parse};
use tautline::edit::{Op, Store};
use tautline::listen::{Heard, Slice, Source, listen};
use tautline::song::tone::{BandShape, Detector, Slope, Stage, TonePreset};
use tautline::song::{AssetId, Db, Tone};
use toning::{band_noise, vowel};

const FRAMES: u64 = 240_000;

macro_rules! scene {
    ($store:ident) => {
        let folder = tempfile::tempdir().unwrap();
        #[allow(unused_mut)]
        let mut $store = store(folder.path(), 4, FRAMES);
    };
}

fn tone(store: &Store, number: usize) -> Tone {
    store.session().song().lanes[number - 1].tone.as_deref().cloned().unwrap_or_default()
}

#[test]
fn each_form_sets_its_numbers_and_nothing_else() {
    scene!(s);
    run(&mut s, "tone highpass 90Hz on lane 2; tone eq 2 bell 300Hz -4dB q 1.4 on lane 2").unwrap();
    run(&mut s, "tone deess 7500Hz threshold -30dB at most 8dB on lane 2").unwrap();
    run(&mut s, "tone compress threshold -20dB ratio 4 attack 5ms release 60ms knee 6dB on lane 2").unwrap();
    run(&mut s, "tone drive 3dB on lane 2; tone gain -1.5dB on lane 2").unwrap();
    let set = tone(&s, 2);
    let high = set.highpass.unwrap();
    assert_eq!((high.frequency_hz, high.slope), (90.0, Slope::Twelve));
    let band = set.bands[1].unwrap();
    assert_eq!((band.shape, band.frequency_hz, band.gain_db.0, band.q), (BandShape::Bell, 300.0, -4.0, 1.4));
    let deess = set.deess.unwrap();
    assert_eq!(
        (deess.frequency_hz, deess.threshold_db.0, deess.most_db.0, deess.relative),
        (7500.0, -30.0, 8.0, false)
    );
    let compress = set.compress.unwrap();
    assert_eq!((compress.threshold_db.0, compress.ratio, compress.knee_db.0), (-20.0, 4.0, 6.0));
    assert_eq!((compress.attack_ms, compress.release_ms, compress.makeup_db.0), (5.0, 60.0, 0.0));
    assert_eq!((set.drive_db.0, set.gain_db.0), (3.0, -1.5));
    assert_eq!(set.bands.iter().flatten().count(), 1);
    assert_eq!((tone(&s, 1), tone(&s, 3)), (Tone::default(), Tone::default()));
    // A later form keeps what it leaves out.
    run(&mut s, "tone compress ratio 2 rms detector highpass 150Hz mix 0.5 on lane 2").unwrap();
    let compress = tone(&s, 2).compress.unwrap();
    assert_eq!((compress.threshold_db.0, compress.ratio, compress.mix), (-20.0, 2.0, 0.5));
    assert_eq!((compress.detector, compress.detector_highpass_hz), (Detector::Rms, Some(150.0)));
    run(&mut s, "tone compress detector highpass off on lane 2").unwrap();
    assert_eq!(tone(&s, 2).compress.unwrap().detector_highpass_hz, None, "only the filter goes");
    run(&mut s, "tone deess 6.8kHz width 0.5oct threshold -12dB relative shelf attack 48smp on lane 2")
        .unwrap();
    let deess = tone(&s, 2).deess.unwrap();
    assert_eq!(
        (deess.frequency_hz, deess.width_octaves, deess.relative, deess.attack_ms),
        (6800.0, 0.5, true, 1.0)
    );
    run(&mut s, "tone eq 2 off on lane 2; tone deess off on lane 2; tone highpass off on lane 2").unwrap();
    run(&mut s, "tone compress off on lane 2; tone drive 0dB on lane 2; tone gain 0dB on lane 2").unwrap();
    assert_eq!(s.session().song().lanes[1].tone, None, "a tone that sets nothing is none");
}

#[test]
fn bypass_takes_on_and_off_before_the_scope() {
    scene!(s);
    run(&mut s, "tone drive 3dB on all").unwrap();
    assert_eq!(tone(&s, 1), Tone::default(), "`all` leaves the guide alone");
    run(&mut s, "tone bypass on on lane 2; tone bypass deess on on role double").unwrap();
    assert!(tone(&s, 2).bypass && !tone(&s, 3).bypass);
    assert_eq!(tone(&s, 3).skip, vec![Stage::Deess]);
    run(
        &mut s,
        "tone bypass compress on on lane 3; tone bypass deess off on lane 3; tone bypass off on lane 2",
    )
    .unwrap();
    assert_eq!((tone(&s, 3).skip, tone(&s, 2).bypass), (vec![Stage::Compress], false));
    let text = refusal(&mut s, "tone bypass on lane 2");
    assert!(text.contains("lane"), "{text}");
}

#[test]
fn tones_are_edits_that_undo_and_branches_keep() {
    scene!(s);
    run(&mut s, "tone highpass 90Hz on lane 2; mark \"dry low\"; tone highpass 120Hz on lane 2; undo; tone drive 2dB on lane 2").unwrap();
    assert_eq!((tone(&s, 2).highpass.unwrap().frequency_hz, tone(&s, 2).drive_db.0), (90.0, 2.0));
    run(&mut s, "goto edit 2").unwrap();
    assert_eq!(tone(&s, 2).highpass.unwrap().frequency_hz, 120.0);
    run(&mut s, "bring lane 2 from \"dry low\"").unwrap();
    assert_eq!(tone(&s, 2).highpass.unwrap().frequency_hz, 90.0);
}

#[test]
fn a_tone_survives_the_session_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("song.json");
    {
        let mut s = Store::create(&path, common::session(3, FRAMES)).unwrap();
        run(&mut s, "tone eq 4 high-shelf 9kHz -2dB on lane 2; tone compress threshold -18dB on lane 2")
            .unwrap();
        run(&mut s, "tone order compress,eq,deess,drive on lane 2; tone bypass eq on on lane 2").unwrap();
        s.close().unwrap();
    }
    let (s, _) = Store::open(&path, tautline::edit::Access::Read).unwrap();
    let read = tone(&s, 2);
    assert_eq!(read.bands[3].unwrap().frequency_hz, 9000.0);
    assert_eq!((read.order[0], read.skip.clone()), (Stage::Compress, vec![Stage::Eq]));
    assert!(matches!(s.session().history.edits()[0].ops[0], Op::SetTone { .. }));
    // A file that was changed by hand to nonsense is noticed.
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("\"ratio\":4.0", "\"ratio\":0.5")).unwrap();
    let broken = Store::open(&path, tautline::edit::Access::Read);
    let found = broken.map(|(store, _)| store.session().violations().len());
    assert!(found.is_err() || found.is_ok_and(|count| count > 0));
}

#[test]
fn numbers_out_of_range_are_refused_with_the_range() {
    scene!(s);
    for (line, parts) in [
        ("tone eq 2 bell 300Hz -4dB q 0 on lane 2", ["q of 0", "from 0.1 to 30"]),
        ("tone compress ratio 0.5 on lane 2", ["ratio of 0.5", "from 1 to 100"]),
        ("tone eq 1 bell 30kHz 2dB on lane 2", ["30000Hz", "to 21600Hz at the session's 48000 Hz"]),
        ("tone deess 7500Hz at most 40dB on lane 2", ["40dB", "to 24dB"]),
        ("tone highpass 5Hz on lane 2", ["5Hz", "from 10Hz to 2000Hz"]),
        ("tone compress attack 2s on lane 2", ["2000ms", "to 500ms"]),
        ("tone drive 30dB on lane 2", ["30dB", "to 12dB"]),
        ("tone eq 5 bell 300Hz 1dB on lane 2", ["bands 1 to 4", ""]),
        ("tone eq 1 bell 300Hz on lane 2", ["needs a gain", ""]),
        ("tone highpass 90Hz slope 18 on lane 2", ["12 or 24", ""]),
        ("tone order eq,eq,deess,drive on lane 2", ["each stage once", ""]),
        ("tone copy from lane 2 on lane 3", ["no tone to copy", ""]),
        ("tone copy from lane 2,3 on lane 4", ["from one lane", ""]),
        ("tone preset nobody on lane 2", ["no tone preset", ""]),
        ("tone save preset mine on lane 2", ["no tone to save", ""]),
        ("tone highpass 90 on lane 2", ["column 15", "Hz or kHz"]),
        ("tone eq 2 bell 300Hz -4 q 1 on lane 2", ["no gain", "dB"]),
        ("tone eq 2 ball 300Hz -4dB on lane 2", ["did you mean `bell`", ""]),
    ] {
        let text = refusal(&mut s, line);
        assert!(parts.iter().all(|part| text.contains(part)), "{line}: {text}");
    }
}

#[test]
fn copies_and_presets_give_the_whole_tone() {
    scene!(s);
    run(
        &mut s,
        "tone highpass 90Hz on lane 2; tone drive 4dB on lane 2; tone copy from lane 2 on role double",
    )
    .unwrap();
    assert_eq!(tone(&s, 4), tone(&s, 2));
    let mut presets = Presets::new();
    let set = Tone { drive_db: Db(6.0), ..Tone::default() };
    presets.tones.insert("thick".into(), TonePreset { about: "thick".into(), set: set.clone() });
    let default = Tone {
        compress: Some(tautline::song::tone::Compress { ratio: 7.0, ..Default::default() }),
        ..Tone::default()
    };
    presets.tones.insert("default".into(), TonePreset { about: String::new(), set: default });
    with(&mut s, "tone preset thick on lane 3", &presets, &tautline::command::Deaf).unwrap();
    assert_eq!(tone(&s, 3), set);
    with(&mut s, "tone compress threshold -30dB on lane 3", &presets, &tautline::command::Deaf).unwrap();
    assert_eq!(tone(&s, 3).compress.unwrap().ratio, 7.0, "what is left out comes from `default`");
    // Saving is an action for whoever owns folders.
    let session = s.session();
    let context = Context { session, cursor: None, presets: &presets, hearing: &tautline::command::Deaf };
    let resolve = |line: &str| parse(line).unwrap()[0].call.resolve(&context);
    match resolve("tone save preset \"my own\" about \"for tests\" on lane 2").unwrap() {
        Action::SaveTone { name, preset } => {
            assert_eq!(
                (name.as_str(), preset.about.as_str(), &preset.set),
                ("my own", "for tests", &tone(&s, 2))
            );
        }
        other => panic!("{other:?}"),
    }
    assert!(
        matches!(resolve("tone save default on lane 2").unwrap(), Action::SaveTone { name, .. } if name == "default")
    );
    assert!(resolve("tone save preset \"a/b\" on lane 2").unwrap_err().to_string().contains("no name"));
}

/// Runs a line with presets and ears.
fn with(
    store: &mut Store,
    line: &str,
    presets: &Presets,
    hearing: &dyn Hearing,
) -> Result<Vec<String>, Diagnostic> {
    let mut said = Vec::new();
    for command in parse(line)? {
        let context = Context { session: store.session(), cursor: None, presets, hearing };
        let action = command.call.resolve(&context)?;
        let done = carry_out(store, action, &command.text, common::TIME)
            .map_err(|error| Diagnostic::refusal(error.to_string()))?;
        said.push(done.summary);
        said.extend(done.remarks.into_iter().map(|remark| remark.text));
    }
    Ok(said)
}

/// Takes in memory that can be listened to.
#[derive(Debug)]
struct Ears(HashMap<AssetId, Vec<f32>>);

impl Hearing for Ears {
    fn heard(&self, asset: AssetId) -> Result<Arc<Heard>, Diagnostic> {
        let mut slice = Slice { rate: RATE, samples: &self.0[&asset] };
        listen(&mut slice).map(Arc::new).map_err(Diagnostic::refusal)
    }

    fn samples(&self, asset: AssetId, from: u64, out: &mut [f32]) -> Result<(), Diagnostic> {
        Slice { rate: RATE, samples: &self.0[&asset] }.read(from, out).map_err(Diagnostic::refusal)
    }
}

/// Three phrases of a second with gaps of half a second, each with its level, an ess at each end.
fn phrases(levels: [f64; 3]) -> Vec<f32> {
    let mut take = vec![0.0f32; 24_000];
    for (index, level) in levels.into_iter().enumerate() {
        take.extend(vowel(200.0 + 20.0 * index as f64, level, 42_000, RATE));
        take.extend(band_noise(5600.0, 8600.0, level - 10.0, 8_000, RATE, index as u32 + 1));
        take.extend(vec![0.0f32; 24_000]);
    }
    take.resize(usize::try_from(FRAMES).unwrap(), 0.0);
    // A room: without one there is no floor to tell sound from.
    take.iter_mut()
        .zip(toning::noise(FRAMES as usize, 77))
        .for_each(|(sample, noise)| *sample += 2e-4 * noise);
    take
}

fn ears() -> Ears {
    Ears(HashMap::from([
        (AssetId(1), phrases([-16.0, -20.0, -18.0])),
        (AssetId(2), phrases([-19.0, -20.4, -14.0])),
        (AssetId(3), phrases([-30.0, -34.0, -32.0])),
        (AssetId(4), vec![0.0; usize::try_from(FRAMES).unwrap()]),
    ]))
}

#[test]
fn phrases_are_brought_to_the_guides_level_within_limits() {
    scene!(s);
    let presets = Presets::new();
    let said = with(&mut s, "match level to guide per phrase on lane 2", &presets, &ears()).unwrap();
    assert_eq!(said.len(), 4, "{said:?}");
    // 3 dB soft, 0.4 dB soft (within 1 dB: left), 4 dB loud.
    let gains: Vec<f64> = s.session().song().lanes[1].regions.iter().map(|region| region.gain_db.0).collect();
    assert_eq!(gains.len(), 3, "{gains:?} {said:?}");
    for (gain, expected) in gains.iter().zip([3.0, 0.0, -4.0]) {
        assert!((gain - expected).abs() < 0.35, "{gains:?} {said:?}");
    }
    // What is matched stays as it is.
    let again = with(&mut s, "match level to guide per phrase on lane 2", &presets, &ears()).unwrap();
    assert!(again[0].contains("nothing to do"), "{again:?}");
    with(&mut s, "match level to guide per lane at most 6dB on lane 3", &presets, &ears()).unwrap();
    assert_eq!(s.session().song().lanes[2].gain_db.0, 6.0, "14 dB are wanted, 6 are allowed");
    let silent = with(&mut s, "match level to guide on lane 4", &presets, &ears());
    assert!(silent.is_err() || silent.unwrap()[0].contains("nothing to do"));
}

#[test]
fn a_lane_behind_a_compressor_is_matched_by_what_comes_out() {
    scene!(s);
    let presets = Presets::new();
    // Gentle enough that 12 dB before it can still bring what is missing behind it.
    let gentle = "tone compress threshold -30dB ratio 1.5 makeup 5dB on lane 2";
    with(&mut s, gentle, &presets, &ears()).unwrap();
    with(&mut s, "match level to guide per phrase at most 12dB on lane 2", &presets, &ears()).unwrap();
    let again = with(
        &mut s,
        "match level to guide per phrase within 0.7dB at most 12dB on lane 2",
        &presets,
        &ears(),
    )
    .unwrap();
    assert!(again[0].contains("nothing to do"), "{again:?}");
}

#[test]
fn finding_says_what_it_measured_and_sets_only_when_asked() {
    scene!(s);
    let presets = Presets::new();
    let said = with(&mut s, "tone find s on lane 2", &presets, &ears()).unwrap();
    assert!(said[0].contains("of esses around") && said[0].contains("tone deess"), "{said:?}");
    assert_eq!(tone(&s, 2), Tone::default());
    with(&mut s, "tone find s set on lane 2", &presets, &ears()).unwrap();
    let deess = tone(&s, 2).deess.unwrap();
    assert!((deess.frequency_hz / 7000.0).log2().abs() < 0.2, "{deess:?}");
    with(&mut s, "tone find rumble set on lane 2", &presets, &ears()).unwrap();
    assert!((80.0..190.0).contains(&tone(&s, 2).highpass.unwrap().frequency_hz));
    let nothing = with(&mut s, "tone find s on lane 4", &presets, &ears()).unwrap();
    assert!(nothing[0].contains("too few esses"), "{nothing:?}");
    // The proposal is a command that can be carried out as it stands.
    with(&mut s, "tone clear on lane 2", &presets, &ears()).unwrap();
    let command = said[0].split(": ").find(|part| part.starts_with("tone deess")).unwrap();
    with(&mut s, command, &presets, &ears()).unwrap();
}
