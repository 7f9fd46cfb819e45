//! Spoken words with every hard ending, over three floors and with leakage: what `trim gaps` keeps and what it takes.

use crate::material::{Noise, Take, above_100_hz, desk, energy, high, lay_out, level_db, words_of};

/// Shares of one ending's energy that were kept: of the least lucky word, and of all its words together.
#[derive(Default, Clone, Copy)]
struct Row {
    worst: f64,
    kept: f64,
    all: f64,
    kept_high: f64,
    all_high: f64,
    worst_word: usize,
}

struct Outcome {
    rows: Vec<(String, Row)>,
    dead_removed: f64,
    clipped_onsets: Vec<String>,
}

fn trim(take: &Take, floor: f64) -> Outcome {
    let mut desk = desk(vec![take.sound.clone()]);
    desk.run("trim gaps on all").unwrap();
    let out = desk.render(1, Some(&take.clean), take.clean.len());
    let mut rows: Vec<(String, Row)> = Vec::new();
    let mut clipped = Vec::new();
    for (index, word) in take.words.iter().enumerate() {
        let (from, to) = word.last;
        let (kept, all) = (energy(&out[from..to]), energy(&take.clean[from..to]));
        let (kept_high, all_high) = (energy(&high(&out[from..to])), energy(&high(&take.clean[from..to])));
        let name = format!("{} {}", word.voice, word.ending);
        let at = rows.iter().position(|(known, _)| *known == name).unwrap_or_else(|| {
            rows.push((name, Row { worst: 1.0, ..Row::default() }));
            rows.len() - 1
        });
        let row = &mut rows[at].1;
        let share = (kept / all).min(kept_high / all_high);
        if share < row.worst {
            (row.worst, row.worst_word) = (share, index);
        }
        row.kept += kept;
        row.all += all;
        row.kept_high += kept_high;
        row.all_high += all_high;
        let onset = heard_from(&take.clean[word.start..word.end], floor) + word.start;
        let onset = onset..onset + 480;
        let part = |sound: &[f32]| {
            energy(
                &above_100_hz(&sound[word.start..word.end])[onset.start - word.start..onset.end - word.start],
            )
        };
        let share = part(&out) / part(&take.clean);
        if share < 0.99 {
            clipped.push(format!(
                "{} {}: {share:.3} of 10 ms from {} on",
                word.voice,
                word.word,
                onset.start - word.start
            ));
        }
    }
    let mut dead = vec![true; take.clean.len()];
    take.words.iter().for_each(|word| dead[word.start..word.end].fill(false));
    let total = dead.iter().filter(|dead| **dead).count();
    for region in &desk.lane(1).regions {
        dead[region.at.0 as usize..region.end().0 as usize].fill(false);
    }
    let removed = dead.iter().filter(|dead| **dead).count();
    Outcome { rows, dead_removed: removed as f64 / total as f64, clipped_onsets: clipped }
}

/// Where a word begins to be heard: its first 5 ms that stand 6 dB above the floor. What lies below 100 Hz does not count:
/// one of the voices puts a step of its mean before b and d.
fn heard_from(word: &[f32], floor: f64) -> usize {
    let word = above_100_hz(word);
    word.windows(240).step_by(24).position(|part| level_db(part) > floor + 6.0).unwrap_or(0) * 24
}

/// Trims one draw of gaps and noise over one floor; prints a table, asserts the goals.
fn keeps(name: &str, seed: u64, leak: Option<f64>, (floor, least): (f64, f64)) {
    let mut noise = Noise(seed);
    let words = words_of(name, 1.0);
    let mut take = lay_out(&words, &mut noise);
    if let Some(db) = leak {
        let mut others = words.clone();
        others.reverse();
        take = take.with_leakage(&lay_out(&others, &mut noise), db);
    }
    let take = take.with_floor(floor, &mut noise);
    let outcome = trim(&take, floor);
    let leak = leak.map_or("none".into(), |db| db.to_string());
    for (ending, row) in &outcome.rows {
        println!(
            "{name} {seed:2} {floor:5}  {leak:5}  {ending:12} {:7.2} % {:7.2} %   {:7.2} % {}",
            100.0 * row.kept / row.all,
            100.0 * row.kept_high / row.all_high,
            100.0 * row.worst,
            take.words[row.worst_word].word
        );
    }
    println!(
        "{name} {seed:2} {floor:5}  {leak:5}  dead space removed {:.2} %, clipped onsets {:?}",
        100.0 * outcome.dead_removed,
        outcome.clipped_onsets
    );
    for (ending, row) in &outcome.rows {
        assert!(row.kept / row.all >= least, "{seed} {ending} over {floor}: {}", row.kept / row.all);
    }
    assert!(outcome.dead_removed >= 0.92, "{seed} over {floor}: {}", outcome.dead_removed);
    assert_eq!(outcome.clipped_onsets, Vec::<String>::new(), "{seed} over {floor}, leakage {leak}");
}

/// Floors in dBFS, and the share of each ending's energy that must stay over each.
const FLOORS: [(f64, f64); 3] = [(-70.0, 0.99), (-60.0, 0.99), (-50.0, 0.97)];

#[test]
fn soft_endings_stay_and_dead_space_goes() {
    println!("words seed floor leak   ending        kept     kept >5k   worst word");
    for leak in [None, Some(-50.0)] {
        FLOORS.iter().for_each(|floor| keeps("endings", 11, leak, *floor));
    }
}

/// No threshold was set with these words, voices and gaps.
#[test]
fn words_that_no_threshold_was_set_with_keep_their_endings_too() {
    for seed in [101, 102] {
        for leak in [None, Some(-50.0)] {
            FLOORS.iter().for_each(|floor| keeps("held", seed, leak, *floor));
        }
    }
}

/// A voice-like tone with overtones, its level in dBFS rms.
fn vowel(frames: usize, dbfs: f64) -> Vec<f32> {
    let tone = |n: usize| {
        let phase = 2.0 * std::f64::consts::PI * 180.0 * n as f64 / 48_000.0;
        (1..=12).map(|k| (f64::from(k) * phase).sin() / f64::from(k)).sum::<f64>() as f32
    };
    let mut sound: Vec<f32> = (0..frames).map(tone).collect();
    let gain = 10f64.powf((dbfs - level_db(&sound)) / 20.0) as f32;
    let ramp = 480.0f32;
    for (n, sample) in sound.iter_mut().enumerate() {
        let edge = (n as f32 / ramp).min((frames - n) as f32 / ramp).min(1.0);
        *sample *= gain * edge;
    }
    sound
}

/// The worked cases for stop gaps: a vowel, a closure of 60, 100 or 150 ms (Byrd 1993 and Lisker 1957 give 50 to 120 ms,
/// sung and final ones are longer), a burst of 10 to 30 ms that lies 20 to 30 dB under the vowel.
#[test]
fn bursts_behind_a_closure_stay_and_half_a_second_of_nothing_goes() {
    for floor in [-70.0, -60.0] {
        for closure_ms in [60, 100, 150] {
            for (burst_ms, under) in [(10, 20.0), (30, 20.0), (10, 30.0), (30, 30.0)] {
                let mut noise = Noise(closure_ms + burst_ms);
                let mut clean = vec![0.0f32; 30_000];
                clean.extend(vowel(14_400, -20.0));
                clean.resize(clean.len() + closure_ms as usize * 48, 0.0);
                let burst = clean.len()..clean.len() + burst_ms as usize * 48;
                clean.extend(noise.white(burst.len(), -20.0 - under));
                clean.resize(clean.len() + 24_000, 0.0);
                clean.extend(vowel(14_400, -20.0));
                clean.resize(clean.len() + 30_000, 0.0);
                let take =
                    Take { sound: clean.clone(), clean, words: Vec::new() }.with_floor(floor, &mut noise);
                let mut desk = desk(vec![take.sound.clone()]);
                desk.run("trim gaps on all").unwrap();
                let out = desk.render(1, Some(&take.clean), take.clean.len());
                let kept = energy(&out[burst.clone()]) / energy(&take.clean[burst.clone()]);
                assert!(kept > 0.999, "{closure_ms} ms, {burst_ms} ms at -{under} dB over {floor}: {kept}");
                let dead = burst.end + 4800..burst.end + 19_200;
                assert_eq!(energy(&desk.render(1, None, take.clean.len())[dead]), 0.0);
            }
        }
    }
}

/// Jongman, Wayland and Wong, JASA 108:1252 (2000): sh peaks at 3.8 kHz, s at 5.5 kHz (men) to 8 kHz (women).
#[test]
fn the_centre_of_a_hiss_is_found_within_a_tenth() {
    use tautline::listen::{Slice, SoundKind, listen};
    for hz in [3800.0, 5500.0, 6800.0, 8000.0] {
        let mut noise = Noise(hz as u64);
        let mut sound = vec![0.0f32; 24_000];
        sound.extend(vowel(9600, -20.0));
        let mut hiss = noise.white(7200, 0.0);
        // Two resonances in a row, a third of an octave wide.
        for _ in 0..2 {
            let w = 2.0 * std::f64::consts::PI * hz / 48_000.0;
            let alpha = w.sin() / (2.0 * 4.3);
            let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
            for sample in &mut hiss {
                let x = f64::from(*sample);
                let y = (alpha * (x - x2) + 2.0 * w.cos() * y1 - (1.0 - alpha) * y2) / (1.0 + alpha);
                (x2, x1, y2, y1) = (x1, x, y1, y);
                *sample = y as f32;
            }
        }
        let gain = 10f64.powf((-30.0 - level_db(&hiss)) / 20.0) as f32;
        sound.extend(hiss.iter().map(|sample| sample * gain));
        sound.resize(sound.len() + 24_000, 0.0);
        let floor = noise.white(sound.len(), -65.0);
        sound.iter_mut().zip(floor).for_each(|(sample, floor)| *sample += floor);
        let heard = listen(&mut Slice { rate: 48_000, samples: &sound }).unwrap();
        let found: Vec<_> = heard.of(SoundKind::Sibilant).collect();
        assert_eq!(found.len(), 1, "{hz}: {found:?}");
        let centre = f64::from(found[0].centre_hz);
        assert!((centre / hz - 1.0).abs() < 0.1, "{hz}: {centre}");
        assert!(found[0].start.abs_diff(33_600) < 960 && found[0].end.abs_diff(40_800) < 960, "{found:?}");
    }
}
