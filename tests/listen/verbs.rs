//! What the verbs that hear do with it.

use crate::material::{Noise, RATE, desk, energy, lay_out, level_db, read, root, words};
use tautline::command::{Action, Deaf, Does, GapRules, Hearing, gaps};
use tautline::listen::SoundKind;
use tautline::song::{AssetId, Curve, Db, Length};

fn demo(name: &str) -> Vec<f32> {
    read(&root().join(format!("demo/{name}.flac")))
}

#[test]
fn doubles_breathe_softer_guides_keep_and_drop_takes_breaths_away() {
    let mut desk = desk(vec![demo("lead"), demo("double-1")]);
    desk.run("trim gaps on all").unwrap();
    let softened =
        |number: usize| desk.lane(number).regions.iter().filter(|r| r.gain_db == Db(-12.0)).count();
    assert_eq!((softened(1), softened(2)), (0, 4));
    let heard = desk.memory.heard(AssetId(2)).unwrap();
    let out = desk.render(2, None, desk.memory.takes[&AssetId(2)].len());
    for breath in heard.of(SoundKind::Breath) {
        let middle = breath.start as usize + 1440..breath.end as usize - 1440;
        let change = level_db(&out[middle.clone()]) - level_db(&desk.memory.takes[&AssetId(2)][middle]);
        assert!((change + 12.0).abs() < 0.01, "{change}");
    }
    let again = desk.run("trim gaps on all");
    let edits = desk.store.session().history.edits().len();
    desk.run("undo").unwrap();
    desk.run("trim gaps breaths drop on lane 2").unwrap();
    let out = desk.render(2, None, desk.memory.takes[&AssetId(2)].len());
    for breath in heard.of(SoundKind::Breath) {
        assert!(energy(&out[breath.start as usize..breath.end as usize - 2400]) < 1e-4);
    }
    assert!(
        again.is_err() && edits == 1,
        "a second time there is nothing to trim and nothing to soften again: {again:?}"
    );
}

#[test]
fn proposals_are_data_and_can_be_chosen_one_by_one() {
    let mut desk = desk(vec![demo("lead")]);
    let rules = GapRules::usual(RATE);
    let found = gaps(desk.lane(1), RATE, &rules, &desk.memory).unwrap();
    assert_eq!(found.proposals.len(), 5, "{found:?}");
    assert!(
        found.proposals.iter().all(|p| p.does == Does::Empty && !p.reason.is_empty() && p.confidence > 0.5)
    );
    assert!(found.share > 0.1 && found.share < 0.5);
    let place = |index: usize| {
        let span = found.proposals[index].span;
        (span.start.0 + span.end.0) / 2
    };
    desk.run(&format!("trim gaps only {}smp,{}smp on lane 1", place(1), place(3))).unwrap();
    assert_eq!(desk.lane(1).regions.len(), 3);
    desk.run("undo").unwrap();
    let done = desk.run(&format!("trim gaps skip {}smp on lane 1", place(2))).unwrap();
    assert_eq!(desk.lane(1).regions.len(), 3);
    assert_eq!(done.remarks.len(), 4);
    assert!(done.remarks[0].text.starts_with("empty: before the first sound"), "{:?}", done.remarks);
    // What was taken off comes back at any edge, by hand.
    desk.run("restore on lane 1").unwrap();
    desk.run("undo; undo; trim gaps keep 200ms least 100ms on lane 1").unwrap();
    let kept: u64 = desk.lane(1).regions.iter().map(|region| region.length.0).sum();
    desk.run("undo; trim gaps on lane 1").unwrap();
    assert!(kept > desk.lane(1).regions.iter().map(|region| region.length.0).sum::<u64>() + 4 * 12_000);
}

#[test]
fn softened_esses_fall_by_what_was_said_and_nothing_else_changes() {
    let take = demo("double-2");
    let mut desk = desk(vec![demo("lead"), take.clone()]);
    let done = desk.run("soften s 6dB on role double").unwrap();
    let heard = desk.memory.heard(AssetId(2)).unwrap();
    let out = desk.render(2, None, take.len());
    let esses: Vec<_> = heard.of(SoundKind::Sibilant).collect();
    assert!(esses.len() >= 8 && done.remarks.len() <= esses.len());
    let mut far = vec![true; take.len()];
    for ess in &esses {
        let (from, to) = (ess.start as usize, ess.end as usize);
        far[from.saturating_sub(500)..to + 500].fill(false);
        if to - from > 1000 {
            let middle = from + 450..to - 450;
            let change = level_db(&out[middle.clone()]) - level_db(&take[middle]);
            assert!((change + 6.0).abs() < 0.01, "{ess:?}: {change}");
        }
        // The ramps are the same sound on both sides: the level stays between the two gains.
        for n in (from.saturating_sub(400)..to + 400).filter(|n| take[*n].abs() > 1e-3) {
            let gain = out[n] / take[n];
            assert!((0.5..=1.0001).contains(&gain), "{n}: {gain}");
        }
    }
    for n in (0..take.len()).filter(|n| far[*n]) {
        // Joins of dips that lie close to each other are softened too.
        let gain = if take[n].abs() > 1e-3 { out[n] / take[n] } else { 1.0 };
        assert!((gain - 1.0).abs() < 1e-5 || (gain - 0.501).abs() < 0.01, "{n}: {gain}");
    }
    assert!(desk.run("soften s 0dB on lane 2").is_err());
    assert!(desk.run("soften pops 6dB on lane 2").unwrap_err().to_string().contains("no pop was heard"));
    desk.run("undo").unwrap();
    assert_eq!(desk.lane(2).regions.len(), 1, "one edit, one undo");
}

#[test]
fn pops_lose_their_thump_and_the_voice_over_them_stays() {
    // A blow of air under a sung vowel: 30 Hz, 80 ms, three times as loud as the voice.
    let turn = std::f32::consts::TAU / 48_000.0;
    let voice: Vec<f32> = (0..96_000)
        .map(|n| (1..=12).map(|k| 0.1 / k as f32 * (220.0 * k as f32 * turn * n as f32).sin()).sum::<f32>())
        .collect();
    let mut take = voice.clone();
    for n in 0..3840 {
        let shape = (n as f32 / 3840.0 * std::f32::consts::PI).sin();
        take[40_000 + n] += 0.6 * shape * (30.0 * turn * n as f32).sin();
    }
    let mut desk = desk(vec![take.clone()]);
    let done = desk.run("soften pops on lane 1").unwrap();
    assert_eq!(done.remarks.len(), 1, "{:?}", done.remarks);
    assert!(done.remarks[0].text.starts_with("soften below 150 Hz: pop of"), "{:?}", done.remarks);
    let out = desk.render(1, None, take.len());
    let (from, to) = (done.remarks[0].from.0 as usize, done.remarks[0].to.0 as usize);
    let beside: Vec<f32> = out.iter().zip(&voice).map(|(out, voice)| out - voice).collect();
    // In its loudest third the blow is 20 dB down and more, and the voice is what it was.
    let blow: Vec<f32> = take.iter().zip(&voice).map(|(take, voice)| take - voice).collect();
    let middle = from.max(41_200)..to.min(42_600);
    assert!(middle.len() > 1000, "{from}..{to}");
    assert!(level_db(&beside[middle.clone()]) < level_db(&blow[middle]) - 20.0);
    // Outside of the pop and its ramps not a bit has changed.
    let far = 600;
    assert_eq!(out[..from - far], take[..from - far]);
    assert_eq!(out[to + far..], take[to + far..]);
    // No step that was not there: the largest second difference is that of the take.
    let bend = |x: &[f32]| x.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f32::max);
    assert!(bend(&out) <= bend(&take) * 1.05);
    assert!(desk.run("soften pops below 5Hz on lane 1").unwrap_err().to_string().contains("no frequency"));
    desk.run("undo; soften pops 6dB on lane 1; undo; redo").unwrap();
    desk.run("undo").unwrap();
    assert_eq!(desk.render(1, None, take.len()), take);
}

#[test]
fn missing_fades_follow_the_sound() {
    let take = lay_out(&words(1.0)[21..23], &mut Noise(31)).with_floor(-65.0, &mut Noise(32));
    let word = take.words[0].clone();
    let mut desk = desk(vec![take.sound.clone()]);
    // A cut in dead space well before and well behind, and one in the vowel.
    let middle = word.start + 4800;
    desk.run(&format!("trim to {}smp..{}smp on lane 1", word.start - 9600, word.end + 9600)).unwrap();
    desk.run("fade missing on lane 1").unwrap();
    let region = desk.lane(1).regions[0].clone();
    assert_eq!(region.fade_in.length, Length(960), "20 ms of nothing before the onset");
    assert!(region.fade_out.length >= Length(2400), "{:?}", region.fade_out);
    desk.run(&format!(
        "undo; undo; trim to {middle}smp..{}smp on lane 1; fade missing on lane 1",
        word.end + 9600
    ))
    .unwrap();
    let region = desk.lane(1).regions[0].clone();
    assert!(region.fade_in.length <= Length(240), "{:?}", region.fade_in);
}

#[test]
fn fades_are_scaled_lengthened_shortened_bent_and_saved() {
    let mut desk = desk(vec![vec![0.0; 96_000]]);
    desk.run("cut at 1s on lane 1; shift +100ms on lane 1 at 1.5s").unwrap();
    desk.run("fade out 20ms curve raised-cosine bend 0.2 on lane 1 at 0.5s").unwrap();
    let fade = |desk: &crate::material::Desk| desk.lane(1).regions[0].fade_out;
    desk.run("fade out longer 10ms bend by 0.3 on lane 1").unwrap();
    assert_eq!((fade(&desk).length, fade(&desk).bend.0), (Length(1440), 0.5));
    assert_eq!(desk.lane(1).regions[1].fade_out.length, Length(0), "no fade stays none");
    desk.run("fade out scale 0.5 bend by 0.9 on lane 1").unwrap();
    assert_eq!((fade(&desk).length, fade(&desk).bend.0), (Length(720), 1.0));
    desk.run("fade out shorter 5ms on lane 1").unwrap();
    assert_eq!((fade(&desk).length, fade(&desk).curve), (Length(480), Curve::RaisedCosine));
    desk.run("fade out shorter 1s on lane 1").unwrap();
    assert_eq!(fade(&desk).length, Length(1), "a fade is not shortened away");
    desk.run("undo").unwrap();
    let head = desk.store.session().history.head();
    let actions = desk.resolve("fade save preset verse-ends about \"mine\" on lane 1 at 0.5s").unwrap();
    let Action::SavePreset { name, preset } = &actions[0] else { panic!("{actions:?}") };
    assert_eq!((name.as_str(), preset.about.as_str()), ("verse-ends", "mine"));
    assert!(preset.fade_in.is_none() && preset.fade_out.unwrap().ms == 10.0);
    desk.run("fade save preset verse-ends on lane 1 at 0.5s").unwrap();
    assert_eq!(desk.store.session().history.head(), head);
    assert!(desk.run("fade save preset x on lane 1").unwrap_err().to_string().contains("different fades"));
    assert!(desk.run("fade save preset \"../x\" on lane 1 at 0.5s").is_err());
}

#[test]
fn a_batch_over_five_thousand_regions_is_one_edit_and_one_undo() {
    let mut desk = desk(vec![vec![0.0; 5000 * 2400]]);
    for from in (0..5000).step_by(1000) {
        let times: Vec<String> = (from.max(1)..from + 1000).map(|n| format!("{}smp", n * 2400)).collect();
        desk.run(&format!("cut at {} on lane 1", times.join(","))).unwrap();
    }
    assert_eq!(desk.lane(1).regions.len(), 5000);
    let (before, head) = (desk.store.session().song().clone(), desk.store.session().history.head());
    let done = desk.run("fade out 40ms bend 0.3 on all").unwrap();
    assert_eq!((done.operations, done.edit.0), (5000, head.0 + 1));
    assert!(
        desk.lane(1).regions.iter().all(|r| r.fade_out.length == Length(1920) && r.fade_out.bend.0 == 0.3)
    );
    desk.run("undo").unwrap();
    assert_eq!((desk.store.session().song(), desk.store.session().history.head()), (&before, head));
}

#[test]
fn without_ears_the_verbs_say_so() {
    let text = Deaf.heard(AssetId(1)).unwrap_err().to_string();
    assert!(text.contains("needs to hear") && text.contains("remove 2.1s..3.4s"), "{text}");
}
