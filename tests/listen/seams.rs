//! Seams: no bump, no hole, no click.

use crate::material::{Desk, Noise, RATE, desk, level_db};
use tautline::command::Action;
use tautline::song::Curve;

/// Two noises of a correlation, overlapping by a second on lane 1.
fn correlated(r: f64) -> Desk {
    let second = RATE as usize;
    let mut noise = Noise(5);
    let mut take = noise.white(2 * second, -20.0);
    let other = noise.white(2 * second, -20.0);
    let own = (1.0 - r * r).sqrt();
    for n in 0..2 * second {
        let shared = if n < second { f64::from(take[second + n]) } else { 0.0 };
        let other = f64::from(other[n]);
        take.push(if n < second { r * shared + own * other } else { other } as f32);
    }
    let mut desk = desk(vec![take]);
    desk.run("cut at 2s on lane 1; shift -1s on lane 1 at 2.5s").unwrap();
    desk
}

#[test]
fn crossfades_of_any_correlation_stay_flat() {
    for r in [1.0, 0.5, 0.0] {
        let mut desk = correlated(r);
        let done = desk.run("seam still within 10ms length 500ms on lane 1").unwrap();
        let lane = desk.lane(1);
        let (left, right) = (&lane.regions[0], &lane.regions[1]);
        assert_eq!(left.end().since(right.at).0, 24_000);
        assert_eq!(left.fade_out.curve, Curve::Linear);
        let out = desk.render(1, None, 3 * RATE as usize);
        let from = right.at.0 as usize;
        let mut worst: f64 = 0.0;
        for part in out[from..from + 24_000].chunks(2400) {
            worst = worst.max((level_db(part) + 20.0).abs());
        }
        println!("r {r}: bend {:.3}, worst {worst:.3} dB from flat; {}", left.fade_out.bend.0, done.remarks[0].text);
        assert!(worst < 0.3, "r {r}: {worst}");
    }
}

/// A sung vowel: 24 overtones with two formants, vibrato and drift.
fn sung(frames: usize, hz: f64) -> Vec<f32> {
    let mut phase = 0.0f64;
    let mut out = Vec::with_capacity(frames);
    for n in 0..frames {
        let t = n as f64 / f64::from(RATE);
        let f = hz * (1.0 + 0.008 * (2.0 * std::f64::consts::PI * 5.5 * t).sin());
        phase += f / f64::from(RATE);
        let mut sample = 0.0;
        for k in 1..=24 {
            let at = f64::from(k) * f;
            let formant = 1.0 / (1.0 + ((at - 650.0) / 150.0).powi(2)) + 0.4 / (1.0 + ((at - 1100.0) / 200.0).powi(2));
            sample += (formant + 0.02) * (2.0 * std::f64::consts::PI * f64::from(k) * phase).sin();
        }
        out.push((0.12 * sample * (1.0 + 0.05 * (2.0 * std::f64::consts::PI * 0.7 * t).sin())) as f32);
    }
    out
}

/// Sharpest bend in each 6 ms.
fn bends(samples: &[f32]) -> Vec<f32> {
    let bend = |w: &[f32]| (w[2] - 2.0 * w[1] + w[0]).abs();
    samples.chunks(288).map(|part| part.windows(3).map(bend).fold(0.0, f32::max)).collect()
}

#[test]
fn a_held_vowel_cut_and_slid_has_no_hole_and_no_click() {
    for hz in [110.0, 180.0, 330.0] {
        let take = sung(3 * RATE as usize, hz);
        let mut own = bends(&take);
        own.sort_by(f32::total_cmp);
        let p99 = own[own.len() * 99 / 100];
        let (mut hole, mut own_hole, mut click, mut slip) = (0.0f64, 0.0f64, 0.0f32, 0.0f64);
        for ms in [-40, -31, -23, -14, -9, -5, 5, 8, 13, 20, 29, 40] {
            let mut desk = desk(vec![take.clone()]);
            desk.run(&format!("cut at 1.5s on lane 1; shift {ms:+}ms on lane 1 at 1.6s")).unwrap();
            let done = desk.run("seam within 45ms on lane 1").unwrap();
            assert_eq!(done.remarks.len(), 1);
            let out = desk.render(1, None, take.len());
            let lane = desk.lane(1);
            let (from, to) = (lane.regions[1].at.0 as usize, lane.regions[0].end().0 as usize);
            assert!(from < to, "they cross");
            let place = from.abs_diff(72_000).max(to.abs_diff(72_000));
            assert!(place <= (45 + 40) * 48, "{ms}: {place}");
            let usual = level_db(&take[from - 9600..to + 9600]);
            // Over four periods of the lowest voice, so that no period's own shape shows.
            for at in (from - 2400..to + 1440).step_by(120) {
                hole = hole.max((level_db(&out[at..at + 1745]) - usual).abs());
                own_hole = own_hole.max((level_db(&take[at..at + 1745]) - usual).abs());
            }
            click = click.max(bends(&out[from - 288..to + 288]).into_iter().fold(0.0, f32::max) / p99);
            let placed = lane.regions[1].source_origin().0 - i64::from(ms) * 48;
            slip = slip.max(placed.unsigned_abs() as f64 / 48.0);
        }
        println!("{hz} Hz: level within {hole:.2} dB (unedited: {own_hole:.2} dB), click {click:.3} of its own p99, slipped by {slip:.2} ms at most");
        assert!(hole < 1.0, "{hz}: {hole} dB");
        assert!(click <= 1.0, "{hz}: {click} of p99");
        assert!(slip <= 5.0, "{hz}: {slip} ms");
    }
}

#[test]
fn a_report_changes_nothing_and_says_what_is_there() {
    let mut desk = correlated(0.0);
    let before = desk.store.session().song().clone();
    let head = desk.store.session().history.head();
    let done = desk.run("seam report on lane 1").unwrap();
    assert_eq!((desk.store.session().history.head(), done.operations), (head, 0));
    assert_eq!(*desk.store.session().song(), before);
    assert!(done.remarks[0].text.contains("correlation 0.0") || done.remarks[0].text.contains("correlation -0.0"));
    let actions = desk.resolve("seam report on lane 1").unwrap();
    assert!(matches!(actions[0], Action::Tell { .. }));
    assert!(desk.run("seam on lane 1 at 0.1s").is_ok(), "the region before the joint names it too");
}
