//! Takes that are no well-behaved takes: a sensible result or a clear refusal, and never an empty lane by surprise.

use crate::material::{Desk, Noise, RATE, Take, desk, energy, lay_out, words};
use tautline::listen::{Slice, SoundKind, Verdict, listen};

const SECOND: usize = RATE as usize;

fn hum(take: &mut [f32], hz: f64, gain: f64) {
    for (n, sample) in take.iter_mut().enumerate() {
        let phase = 2.0 * std::f64::consts::PI * hz * n as f64 / f64::from(RATE);
        // A rectifier's hum: overtones up to the fifth.
        *sample += (1..=5).map(|k| (f64::from(k) * phase).sin() / f64::from(k)).sum::<f64>() as f32 * gain as f32;
    }
}

fn refusal(desk: &mut Desk, line: &str) -> String {
    let before = desk.store.session().song().clone();
    let text = desk.run(line).expect_err(line).to_string();
    assert_eq!(*desk.store.session().song(), before);
    text
}

fn spoken(seed: u64) -> Take {
    lay_out(&words(1.0)[21..31], &mut Noise(seed))
}

fn kept(desk: &Desk, take: &Take) -> f64 {
    let out = desk.render(1, Some(&take.clean), take.clean.len());
    energy(&out) / energy(&take.clean)
}

#[test]
fn silence_noise_and_splinters_are_left_alone_with_a_reason() {
    let mut noise = Noise(3);
    let cases = [
        (vec![0.0; 3 * SECOND], "is silent"),
        (noise.white(3 * SECOND, -40.0), "nothing in the take stands out"),
        (noise.white(240, -20.0), "shorter than 50 ms"),
        (vec![], "it has no gap"),
    ];
    for (take, why) in cases {
        if take.is_empty() {
            continue;
        }
        let mut desk = desk(vec![take]);
        let text = refusal(&mut desk, "trim gaps on all");
        assert!(text.contains("nothing to do, because") && text.contains(why), "{text}");
    }
}

#[test]
fn a_take_without_a_gap_is_left_alone() {
    let mut noise = Noise(9);
    let mut take = vec![0.0f32; 4 * SECOND];
    hum(&mut take, 220.0, 0.1);
    for (n, sample) in take.iter_mut().enumerate() {
        *sample *= 1.0 + 0.5 * (n as f32 / 9000.0).sin();
        *sample += noise.next() as f32 * 0.001;
    }
    let text = refusal(&mut desk(vec![take]), "trim gaps on all");
    assert!(text.contains("nothing to do, because"), "{text}");
}

#[test]
fn hum_dc_and_black_gaps_do_no_harm() {
    let clean = spoken(21);
    let mut noise = Noise(4);
    let mut takes = Vec::new();
    for hz in [50.0, 60.0] {
        let mut take = clean.clone().with_floor(-65.0, &mut noise);
        hum(&mut take.sound, hz, 0.003);
        takes.push((format!("hum at {hz}"), take));
    }
    let mut take = clean.clone().with_floor(-65.0, &mut noise);
    take.sound.iter_mut().for_each(|sample| *sample += 0.05);
    takes.push(("mean of 0.05".into(), take));
    takes.push(("black".into(), clean.clone()));
    for (name, take) in takes {
        let mut desk = desk(vec![take.sound.clone()]);
        desk.run("trim gaps on all").unwrap();
        let share = kept(&desk, &take);
        let sounding: u64 = desk.lane(1).regions.iter().map(|region| region.length.0).sum();
        let spoken: usize = take.words.iter().map(|word| word.end - word.start).sum();
        println!("{name}: kept {:.4} %, sounding {sounding} of {spoken} spoken", 100.0 * share);
        assert!(share > 0.999, "{name}: {share}");
        assert!(sounding < spoken as u64 * 3 / 2, "{name}: {sounding} of {spoken}");
    }
}

#[test]
fn leakage_louder_than_soft_words_keeps_every_word() {
    let mut noise = Noise(8);
    let mut all = words(1.0);
    all.truncate(31);
    // Every second word is sung 24 dB softer, and the guide leaks at -20 dB.
    for word in all.iter_mut().step_by(2) {
        word.sound.iter_mut().for_each(|sample| *sample *= 0.063);
    }
    let own = lay_out(&all[21..], &mut noise);
    let take = own.with_leakage(&spoken(77), -20.0).with_floor(-70.0, &mut noise);
    let mut desk = desk(vec![take.sound.clone()]);
    let _ = desk.run("trim gaps on all");
    let out = desk.render(1, Some(&take.clean), take.clean.len());
    for word in &take.words {
        let share = energy(&out[word.start..word.end]) / energy(&take.clean[word.start..word.end]);
        assert!(share > 0.98, "{}: {share}", word.word);
    }
}

#[test]
fn more_than_four_fifths_of_a_lane_asks_again() {
    let mut noise = Noise(2);
    let mut take = lay_out(&words(1.0)[21..22], &mut noise);
    take.sound.resize(30 * SECOND, 0.0);
    take.clean.resize(30 * SECOND, 0.0);
    let take = take.with_floor(-60.0, &mut noise);
    let mut desk = desk(vec![take.sound.clone()]);
    let text = refusal(&mut desk, "trim gaps on all");
    assert!(text.contains("% of what sounds would go") && text.contains("anyway"), "{text}");
    desk.run("trim gaps anyway on all").unwrap();
    assert!(kept(&desk, &take) > 0.999);
    let text = refusal(&mut desk, "trim gaps on all");
    assert!(text.contains("no gap long enough"), "what was trimmed has nothing left to trim: {text}");
}

#[test]
fn clicks_and_pops_are_flagged_where_they_are() {
    let mut noise = Noise(6);
    let mut take = spoken(5).with_floor(-62.0, &mut noise).sound;
    let click = SECOND / 4;
    take[click] += 0.08;
    let heard = listen(&mut Slice { rate: RATE, samples: &take }).unwrap();
    let clicks: Vec<_> = heard.of(SoundKind::Click).collect();
    assert_eq!(clicks.len(), 1, "{clicks:?}");
    assert!(clicks[0].start.abs_diff(click as u64) < 240);
    assert_eq!(heard.of(SoundKind::Pop).count(), 0);
    // A blow of air: 30 Hz, 80 ms, louder than the voice.
    let pop = 3 * SECOND / 8;
    for n in 0..3840 {
        let (t, shape) = (n as f32 / 48_000.0, (n as f32 / 3840.0 * std::f32::consts::PI).sin());
        take[pop + n] += 0.4 * shape * (2.0 * std::f32::consts::PI * 30.0 * t).sin();
    }
    let heard = listen(&mut Slice { rate: RATE, samples: &take }).unwrap();
    let pops: Vec<_> = heard.of(SoundKind::Pop).collect();
    assert_eq!(pops.len(), 1, "{pops:?}");
    assert!(pops[0].start.abs_diff(pop as u64) < 2400 && pops[0].end.abs_diff(pop as u64 + 3840) < 2400, "{pops:?}");
}

#[test]
fn the_same_is_heard_at_every_rate_and_hostile_samples_do_not_matter() {
    let take = spoken(13).with_floor(-65.0, &mut Noise(1));
    let heard = listen(&mut Slice { rate: RATE, samples: &take.sound }).unwrap();
    let half: Vec<f32> = take.sound.chunks(2).map(|pair| 0.5 * (pair[0] + pair[pair.len() - 1])).collect();
    let slow = listen(&mut Slice { rate: RATE / 2, samples: &half }).unwrap();
    assert_eq!(heard.verdict, Verdict::Phrases);
    assert_eq!(heard.phrases.len(), slow.phrases.len());
    for (a, b) in heard.phrases.iter().zip(&slow.phrases) {
        assert!(a.start.abs_diff(2 * b.start) < 1440, "{a:?} {b:?}");
    }
    let mut bad = take.sound.clone();
    for n in (0..bad.len()).step_by(9973) {
        bad[n] = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY][n % 3];
    }
    let heard = listen(&mut Slice { rate: RATE, samples: &bad }).unwrap();
    assert!(heard.is_sound(tautline::listen::VERSION, RATE, bad.len() as u64));
    for frames in [0, 1, 119, 120, 2400, 2401] {
        let part = &take.sound[..frames];
        assert!(listen(&mut Slice { rate: RATE, samples: part }).is_ok());
    }
}
