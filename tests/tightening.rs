//! What `tighten` and `tail to guide` do to made stacks with exact truth: how far words are off afterwards, whether one is
//! lost or sounds twice, and what the cuts are like, measured on bounces and not by the program's own timing.
//!
//! Stacks: the demo (its plan is the truth) and the held-out ones of `tests/fixtures/timing` (espeak-ng's word events).
//! `cargo test --test tightening -- --nocapture` prints the figures.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a panic in a test is its report")]

#[path = "common/own_home.rs"]
mod own_home;
#[path = "common/tightened.rs"]
mod tightened;

use serde_json::Value;

use tightened::{Stack, active_db, are_hidden, db, list, number, places, share, tightened};

#[test]
fn the_demo_lies_on_the_guide_afterwards() {
    let (off, cuts) = tightened("demo", &Stack::demo(), "");
    assert!(share(&off, 0.5) < 3.0 && share(&off, 0.95) < 15.0);
    assert!(cuts.len() > 20);
    are_hidden(&cuts);
}

#[test]
fn the_room_goes_on_where_a_hole_was_opened() {
    let stack = Stack::demo();
    let said = stack.run("tighten within 3ms at most 150ms on all");
    assert!(said.contains("holes with room tone"), "{said}");
    let (rate, lanes) = stack.bounced("after");
    let shown = stack.show();
    for (lane, samples) in list(&shown, "lanes").iter().zip(&lanes).skip(1) {
        let regions = list(lane, "regions");
        let silent = regions.windows(2).filter(|pair| {
            let end = number(&pair[0], "at") + number(&pair[0], "length");
            number(&pair[1], "at") - end > 0.004 * rate
        });
        assert_eq!(silent.count(), 0, "holes on lane {}", lane["number"]);
        // From the first word to the last nothing is digitally silent for as long as 4 ms.
        let inside = &samples[rate as usize..(18.5 * rate) as usize];
        let still = inside.chunks((0.004 * rate) as usize).filter(|part| part.iter().all(|x| *x == 0.0));
        assert_eq!(still.count(), 0, "lane {}", lane["number"]);
    }
}

#[test]
fn words_sung_apart_lie_on_the_guide_afterwards() {
    let (off, cuts) = tightened("b-apart", &Stack::held_out("b-apart"), "");
    assert!(share(&off, 0.5) < 3.0 && share(&off, 0.95) < 15.0);
    are_hidden(&cuts);
}

/// Words of whole lines touch: they are parted where one goes over into the next. Words farther off than 150 ms stay, and
/// hold back those beside them.
fn whole_lines(how: &str) {
    let (mut cuts, mut reachable) = (Vec::new(), Vec::new());
    for name in ["b-lines", "c-tails", "d-gaps"] {
        let stack = Stack::held_out(name);
        let (was, ..) = stack.planned();
        let (off, more) = tightened(name, &stack, how);
        let near = stack.reachable(150.0);
        println!(
            "{name}{how}: of {} words within 150 ms: median {:.2}, p95 {:.1} ms, {} beyond 15 ms",
            near.len(),
            share(&near, 0.5),
            share(&near, 0.95),
            near.iter().filter(|off| **off > 15.0).count(),
        );
        assert!(share(&off, 0.5) * 4.0 < share(&was, 0.5), "{name}{how}");
        assert!(share(&near, 0.5) < 3.0 && share(&near, 0.95) < 15.0, "{name}{how}");
        reachable.extend(near);
        cuts.extend(more);
    }
    println!(
        "all words within 150 ms: {:.2} ms, p95 {:.1} ms",
        share(&reachable, 0.5),
        share(&reachable, 0.95)
    );
    assert!(share(&reachable, 0.5) < 3.0 && share(&reachable, 0.95) < 15.0, "{how}");
    are_hidden(&cuts);
}

#[test]
fn whole_lines_lie_on_the_guide_and_lose_nothing() {
    whole_lines("");
}

#[test]
fn cuts_inside_words_lose_nothing_either() {
    whole_lines(" inside words");
}

/// Where a lane's sound dies before `until`: the last 5 ms within 35 dB of its active level and clear of its noise, in
/// seconds.
fn dies(samples: &[f32], rate: f64, (from, until): (f64, f64)) -> f64 {
    let step = (rate * 0.005) as usize;
    let levels: Vec<f64> =
        samples.chunks((rate / 100.0) as usize).map(db).filter(|db| *db > -150.0).collect();
    let floor = (active_db(samples, rate) - 35.0).max(share(&levels, 0.1) + 9.0);
    let (first, last) = ((from * rate) as usize / step, (until * rate) as usize / step);
    let sounds =
        |index: &usize| samples.get(index * step..(index + 1) * step).is_some_and(|part| db(part) > floor);
    (first..last).rev().find(sounds).map_or(from, |index| (index + 1) as f64 * step as f64 / rate)
}

#[test]
fn last_words_that_rang_longer_end_with_the_guide_and_keep_their_consonants() {
    let (mut ends, mut kept, mut consonants) = (Vec::new(), 0, 0);
    for (name, stack) in [("demo", Stack::demo()), ("c-tails", Stack::held_out("c-tails"))] {
        stack.run("tighten within 3ms at most 400ms on all");
        let (rate, before) = stack.bounced("before");
        stack.run("tail to guide on all");
        let (_, after) = stack.bounced("after");
        let shown = stack.show();
        for (row, words) in stack.truth.iter().enumerate().skip(1) {
            for (index, (word, guide)) in words.iter().zip(&stack.truth[0]).enumerate() {
                let Some(end) = guide.end else { continue };
                let span = (guide.start, end + 0.5);
                let guides = dies(&before[0], rate, span);
                let (was, is) = (dies(&before[row], rate, span), dies(&after[row], rate, span));
                // A whole word that lies elsewhere is no matter of its tail.
                let lane = &list(&shown, "lanes")[row];
                let lies = places(lane, word.start * rate).first().map_or(f64::MAX, |at| at / rate);
                if was > guides + 0.02 && (lies - guide.start).abs() < 0.05 {
                    println!(
                        "{name} lane {} word {}: {:+.0} ms, then {:+.0} ms",
                        row + 1,
                        index + 1,
                        (was - guides) * 1000.0,
                        (is - guides) * 1000.0
                    );
                    ends.push((is - guides).abs() * 1000.0);
                }
                for (start, end) in &word.consonants {
                    consonants += 1;
                    let middle = f64::midpoint(*start, *end) * rate;
                    kept += usize::from(!places(lane, middle).is_empty());
                }
            }
        }
    }
    let within = ends.iter().filter(|end| **end <= 20.0).count();
    println!("{within} of {} ends within 20 ms, {kept} of {consonants} final consonants kept", ends.len());
    assert!(ends.len() >= 4 && within * 20 >= ends.len() * 19, "{ends:?}");
    assert_eq!(kept, consonants, "final consonants kept");
}

/// The offsets of a lane's words by number, as `timing --json` has them.
fn offsets(report: &Value, lane: usize) -> Vec<(u64, f64)> {
    let lane = list(report, "lanes").iter().find(|found| found["number"] == lane).unwrap();
    list(lane, "words")
        .iter()
        .map(|word| (word["word"].as_u64().unwrap(), number(word, "offset_ms")))
        .collect()
}

fn offset(report: &Value, lane: usize, word: u64) -> f64 {
    offsets(report, lane).into_iter().find(|(number, _)| *number == word).unwrap().1
}

#[test]
fn pieces_slide_what_they_name_and_nothing_else() {
    let stack = Stack::demo();
    let before = stack.json(&["timing"]);
    stack.run("tighten pieces \"2:2 -12ms, 3:1..2 +480smp\"");
    let after = stack.json(&["timing"]);
    for (lane, words, by) in [(2, 2..=2, -12.0), (3, 1..=2, 10.0)] {
        for (word, was) in offsets(&before, lane) {
            let by = if words.contains(&word) { by } else { 0.0 };
            let is = offset(&after, lane, word);
            assert!((is - was - by).abs() < 0.05, "lane {lane} word {word}: {was} to {is}, not by {by}");
        }
    }
    assert_eq!(offsets(&before, 4), offsets(&after, 4));
    for (line, why) in [
        ("tighten pieces \"2:900 -12ms\"", "no word 900"),
        ("tighten pieces \"9:1 -12ms\"", "lane 9 is not there"),
        ("tighten pieces \"1:1 -12ms\"", "lane 1"),
        ("tighten pieces \"2:1 -12\"", "names no piece"),
        ("tighten pieces \"2:1 -12ms\" on lane 2", "takes no scope"),
    ] {
        let said = stack.refused(line);
        assert!(said.contains(why), "{line}: {said}");
    }
}

#[test]
fn onsets_are_kept_apart_and_the_same_way_every_time() {
    let places = || {
        let stack = Stack::demo();
        stack.run("tighten within 2ms apart 1ms on all");
        let report = stack.json(&["timing"]);
        (2..=5).map(|lane| offsets(&report, lane)).collect::<Vec<_>>()
    };
    let lanes = places();
    assert_eq!(lanes, places(), "the same stack gives the same edit");
    let count = lanes[0].last().unwrap().0;
    let (mut pairs, mut close) = (0, 0);
    for word in 1..=count {
        let mut at: Vec<f64> = vec![0.0];
        at.extend(
            lanes
                .iter()
                .filter_map(|lane| lane.iter().find(|(number, _)| *number == word))
                .map(|(_, at)| *at),
        );
        at.sort_by(f64::total_cmp);
        for pair in at.windows(2) {
            pairs += 1;
            // A sample less than asked is rounding.
            close += usize::from(pair[1] - pair[0] < 0.95);
        }
    }
    println!("{close} of {pairs} neighbouring onsets closer than 1 ms");
    // Words that lay within 2 ms of the guide were not moved, so that they may lie close to it.
    assert!(pairs > 80 && close * 20 <= pairs, "{close} of {pairs}");
}

#[test]
fn a_held_offset_counts_as_met() {
    let stack = Stack::demo();
    let was = offset(&stack.json(&["timing"]), 2, 2);
    assert!(was.abs() > 20.0, "word 2 of lane 2 is loose: {was}");
    stack.run("hold on lane 2 word 2; tighten within 3ms on lane 2");
    let report = stack.json(&["timing"]);
    assert!((offset(&report, 2, 2) - was).abs() < 3.1, "it stays: {}", offset(&report, 2, 2));
    assert!(offset(&report, 2, 3).abs() < 3.1);
    let lane = &list(&report, "lanes")[0];
    let word = list(lane, "words").iter().find(|word| word["word"] == 2).unwrap();
    assert!((number(word, "held_ms") - was).abs() < 0.1);
    assert!(number(&lane["summary"], "p95_abs_ms") < 15.0, "{}", lane["summary"]);
    // A number may be written, survives a save, and is taken off again.
    stack.run("hold +14ms on lane 2 word 2; tighten within 3ms on lane 2");
    assert!((offset(&stack.json(&["timing"]), 2, 2) - 14.0).abs() < 3.1);
    stack.run("hold off on lane 2; tighten within 3ms on lane 2");
    assert!(offset(&stack.json(&["timing"]), 2, 2).abs() < 3.1);
}

#[test]
fn words_take_their_names_from_a_line_of_the_lyric() {
    let stack = Stack::demo();
    stack.run("word line \"walk in step\"; word line \"- pass\" from 2");
    let report = stack.json(&["timing"]);
    let names: Vec<&Value> =
        list(&list(&report, "lanes")[0], "words").iter().map(|word| &word["name"]).take(4).collect();
    assert_eq!(names, [&Value::from("walk"), &Value::Null, &Value::from("pass"), &Value::Null]);
    assert!(stack.refused("word line \"a b\" from 900").contains("no word 900"));
}

#[test]
fn a_region_goes_to_the_next_and_the_previous_onset_of_the_guide() {
    let stack = Stack::demo();
    let report = stack.json(&["timing"]);
    let words = list(&list(&report, "lanes")[0], "words");
    let starts: Vec<f64> = words.iter().map(|word| number(word, "at_s")).collect();
    let third = starts[2] + number(&words[2], "offset_ms") / 1000.0;
    // The third word alone, with room around it.
    let (from, to) = (third - 0.03, starts[3] - 0.03);
    stack.run(&format!("remove 0s..{from:.3}s on lane 2; remove {to:.3}s..end on lane 2"));
    let at = |stack: &Stack| {
        let shown = stack.show();
        number(&list(&list(&shown, "lanes")[1], "regions")[0], "at") / number(&shown, "rate")
    };
    let before = at(&stack);
    stack.run("shift to onset previous on lane 2 at 0s..end");
    assert!((at(&stack) - before - (starts[1] - third)).abs() < 0.001, "{before} {}", at(&stack));
    stack.run("shift to onset next on lane 2 at 0s..end");
    assert!((at(&stack) - before - (starts[2] - third)).abs() < 0.001, "{before} {}", at(&stack));
    stack.run("shift to onset previous on lane 2 at 0s..end; shift to onset previous on lane 2 at 0s..end");
    assert!(stack.refused("shift to onset previous on lane 2 at 0s..end").contains("begins before it"));
}

#[test]
fn the_scorecard_shows_both_states_and_the_published_limits() {
    let stack = Stack::demo();
    stack.run("mark \"as sung\"; tighten within 3ms at most 150ms on all; tail to guide on all");
    for against in ["start", "as sung"] {
        let card = stack.json(&["timing", "--against", against]);
        assert_eq!(card["against"], against);
        assert_eq!(list(&card, "lanes").len(), 4);
        let (before, after) = (&card["stack"]["before"], &card["stack"]["after"]);
        assert!(number(before, "median_abs_ms") > 15.0 && number(after, "median_abs_ms") < 3.0, "{card}");
        assert!(
            number(before, "late_ends_p95_ms") > 150.0 && number(after, "late_ends_p95_ms") <= 20.0,
            "{card}"
        );
    }
    let text =
        stack.tautline().arg("timing").arg(stack.path()).args(["--against", "start"]).output().unwrap();
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(
        text.contains("Hirsh 1959") && text.contains("Rasch 1979") && text.contains("the stack"),
        "{text}"
    );
    assert_eq!(text.matches("\n  before ").count(), 4, "{text}");
    let mut unknown = stack.tautline();
    let unknown = unknown.arg("timing").arg(stack.path()).args(["--against", "nothing"]).output().unwrap();
    assert_eq!(unknown.status.code(), Some(1));
    println!("{text}");
}

/// Findings of the check by code, with their texts, on one lane.
fn findings(stack: &Stack, lane: usize) -> Vec<(String, String)> {
    let report = stack.json(&["check"]);
    let own = list(&report, "findings").iter().filter(|finding| finding["lane"] == lane);
    own.map(|finding| (finding["code"].as_str().unwrap().into(), finding["text"].as_str().unwrap().into()))
        .collect()
}

#[test]
fn the_check_learns_words_tails_onsets_that_double_and_words_left_out() {
    let stack = Stack::demo();
    let has = |code: &str| findings(&stack, 2).into_iter().any(|(found, _)| found == code);
    assert!(has("word-off-guide") && has("tail-beyond-guide"));
    assert!(!has("onset-doubled") && !has("word-left-out"));
    stack.run("mark \"as sung\"; tighten on lane 2; tail to guide on lane 2");
    assert!(!has("word-off-guide") && !has("tail-beyond-guide") && !has("onset-doubled"));
    // An offset that is meant is no finding.
    stack.run("goto \"as sung\"; hold on lane 2");
    assert!(!has("word-off-guide"), "{:?}", findings(&stack, 2));
    // A piece slid later, drawn out over the onset that it left behind: the onset sounds twice.
    let cut = stack.truth[1][2].start - 0.03;
    stack.run(&format!(
        "goto \"as sung\"; cut at {cut:.3}s on lane 2; shift +300ms on lane 2 at {cut:.3}s..end; \
         edge end +200ms on lane 2 at 1s"
    ));
    assert!(has("onset-doubled"), "{:?}", findings(&stack, 2));
    let gone = (stack.truth[1][1].start - 0.05, stack.truth[1][2].start - 0.05);
    stack.run(&format!("goto \"as sung\"; remove {:.3}s..{:.3}s on lane 2", gone.0, gone.1));
    assert!(has("word-left-out"), "{:?}", findings(&stack, 2));
}

#[test]
fn a_last_consonant_under_a_long_fade_is_left_and_it_is_said_why() {
    let stack = Stack::demo();
    stack.run("tighten within 3ms at most 150ms on all; tail to guide on all");
    // Ends that come late again, each under a fade that begins before its last consonant.
    stack.run("shift +60ms on role double,harmony; fade out 300ms fit on role double,harmony");
    let mut run = stack.tautline();
    let once = run.arg("run").arg(stack.path()).args(["-c", "tail to guide on all"]).output().unwrap();
    let refused = stack.refused("tail to guide on all");
    assert!(
        refused.contains("its fade-out reaches over the last consonant: shorten that first"),
        "{refused} after {once:?}"
    );
    assert!(!refused.contains("nothing would change"), "{refused}");
    // A shorter fade lets the consonant come home.
    stack.run("fade out 10ms fit on role double,harmony; tail to guide on all");
}

#[test]
fn last_consonants_line_up_if_asked() {
    let stack = Stack::demo();
    stack.run("tighten within 3ms at most 150ms on all");
    let ends = |stack: &Stack| -> Vec<f64> {
        // Where the last t or s of a line lies against the guide's, by the plan and the regions.
        let shown = stack.show();
        let rate = number(&shown, "rate");
        let mut off = Vec::new();
        for (row, words) in stack.truth.iter().enumerate().skip(1) {
            for (word, guide) in words.iter().zip(&stack.truth[0]).filter(|(word, _)| word.end.is_some()) {
                let (Some((here, _)), Some((there, _))) = (word.consonants.last(), guide.consonants.last())
                else {
                    continue;
                };
                let at = places(&list(&shown, "lanes")[row], (here + 0.03) * rate);
                let at = at.first().unwrap_or_else(|| panic!("lane {} lost a consonant", row + 1));
                off.push((at / rate - there - 0.03) * 1000.0);
            }
        }
        off
    };
    let before = ends(&stack);
    stack.run("tail to guide consonants on all");
    let after = ends(&stack);
    let beyond = |off: &[f64]| off.iter().filter(|off| **off > 20.0).count();
    println!("consonants before {before:.0?}\nand after {after:.0?}");
    assert!(beyond(&before) >= 5 && beyond(&after) * 10 <= after.len(), "{before:?} {after:?}");
}
