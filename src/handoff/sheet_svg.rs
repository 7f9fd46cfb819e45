//! Pictures for the sheet, as SVG: shapes before and after, and how far the words lie from the guide's.

use maud::{Markup, html};

use super::facts::LaneFacts;
use super::report::Picture;
use super::sheet::LIMITS;

/// Units across a picture.
const WIDTH: f64 = 720.0;
/// Units of height of one shape.
const SHAPE: f64 = 34.0;
/// Offsets beyond this many ms are drawn at the edge.
const FARTHEST_MS: f64 = 80.0;

/// Two shapes over one axis of time: as it was, and as it is. Both at one scale, that of the louder.
pub(super) fn shapes(before: Option<&Picture>, after: Option<&Picture>, seconds: f64) -> Markup {
    let loudest = |picture: Option<&Picture>| {
        picture.map_or(0.0, |picture| picture.columns().iter().copied().fold(0.0, f32::max))
    };
    let scale = loudest(before).max(loudest(after)).max(1e-6);
    let rows = [("was", "before", before), ("is", "after", after)];
    let height = SHAPE * 2.0 + 14.0;
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {height}")) role="img" aria-label="shape before and after" {
            @for (row, (class, word, picture)) in rows.into_iter().enumerate() {
                @let middle = SHAPE * (row as f64 + 0.5);
                path class="axis" d=(format!("M0 {middle}H{WIDTH}")) {}
                @if let Some(picture) = picture { path class=(class) d=(bars(picture, middle, scale)) {} }
                text x="2" y=(format!("{:.0}", middle - SHAPE / 2.0 + 9.0)) { (word) }
            }
            (axis(seconds, SHAPE * 2.0))
        }
    }
}

/// One upright stroke for each column that sounds.
fn bars(picture: &Picture, middle: f64, scale: f32) -> String {
    let count = picture.columns().len().max(1);
    let mut path = String::new();
    for (index, level) in picture.columns().iter().enumerate() {
        let half = f64::from(level / scale) * (SHAPE / 2.0 - 1.0);
        if half >= 0.05 {
            let x = (index as f64 + 0.5) * WIDTH / count as f64;
            path.push_str(&format!("M{x:.1} {:.1}v{:.1}", middle - half, 2.0 * half));
        }
    }
    path
}

/// Ticks with their seconds, some five to twelve of them.
fn axis(seconds: f64, top: f64) -> Markup {
    let steps = [0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0];
    let step = steps.into_iter().find(|step| seconds / step <= 12.0).unwrap_or(7200.0);
    let count = if seconds > 0.0 { (seconds / step).floor() as usize } else { 0 };
    html! {
        @for tick in 0..=count.min(40) {
            @let x = tick as f64 * step / seconds.max(1e-9) * WIDTH;
            path class="axis" d=(format!("M{x:.1} {top}v4")) {}
            @if x < WIDTH - 24.0 { text x=(format!("{:.1}", x + 2.0)) y=(format!("{:.0}", top + 11.0)) { (tick as f64 * step) " s" } }
        }
    }
}

/// Each word's offset from the guide over its place in time, with the published limits as lines.
pub(super) fn scatter(
    facts: &LaneFacts,
    seconds: f64,
    seconds_of: impl Fn(crate::song::Position) -> f64,
) -> Markup {
    let height = 84.0;
    let y = |ms: f64| height / 2.0 - ms.clamp(-FARTHEST_MS, FARTHEST_MS) / FARTHEST_MS * (height / 2.0 - 4.0);
    let x = |seconds_in: f64| (seconds_in / seconds.max(1e-9)).clamp(0.0, 1.0) * (WIDTH - 8.0) + 4.0;
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {}", height + 14.0)) role="img" aria-label="offsets of the words in ms" {
            path class="axis" stroke-width="1.5" d=(format!("M0 {:.1}H{WIDTH}", y(0.0))) {}
            @for (limit, meaning) in LIMITS {
                @for side in [limit, -limit] {
                    path class="axis" stroke-dasharray="4 3" d=(format!("M0 {:.1}H{WIDTH}", y(side))) {}
                }
                text x="2" y=(format!("{:.1}", y(limit) - 1.5)) { (format!("±{limit:.0} ms")) title { (meaning) } }
            }
            text x=(format!("{}", WIDTH - 26.0)) y="9" { "late" }
            text x=(format!("{}", WIDTH - 26.0)) y=(format!("{:.0}", height - 2.0)) { "early" }
            @for (word, before) in facts.words.iter().zip(facts.offsets_before_ms.iter().map(Some).chain(std::iter::repeat(None))) {
                @let place = x(seconds_of(word.at));
                @if let Some(before) = before { circle class="dot was" cx=(format!("{place:.1}")) cy=(format!("{:.1}", y(*before))) r="2" {} }
                circle class="dot" cx=(format!("{place:.1}")) cy=(format!("{:.1}", y(word.offset_ms))) r="2.6" {}
            }
            (axis(seconds, height))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::handoff::WordFact;
    use crate::song::Position;

    #[test]
    fn every_word_is_a_dot_at_its_offset_and_every_limit_a_pair_of_lines() {
        let word = |at, offset_ms| WordFact { at: Position(at), end: None, offset_ms, end_offset_ms: None };
        let facts = LaneFacts {
            words: vec![word(0, 0.0), word(48_000, -200.0), word(96_000, 20.0)],
            offsets_before_ms: vec![45.0],
            tone: None,
        };
        let picture = scatter(&facts, 2.0, |at| at.0 as f64 / 48_000.0).into_string();
        assert_eq!(picture.matches("<circle class=\"dot\"").count(), 3);
        assert_eq!(picture.matches("<circle class=\"dot was\"").count(), 1);
        assert_eq!(picture.matches("stroke-dasharray").count(), 2 * LIMITS.len());
        // In time with the guide: on the line in the middle; early beyond what is drawn: at the lower edge.
        assert!(picture.contains("cx=\"4.0\" cy=\"42.0\""), "{picture}");
        assert!(picture.contains("cx=\"360.0\" cy=\"80.0\""), "{picture}");
        assert!(picture.contains("cx=\"716.0\" cy=\"32.5\""), "{picture}");
    }

    #[test]
    fn both_shapes_are_drawn_at_one_scale() {
        let (mut loud, mut soft) = (Picture::new(2), Picture::new(2));
        loud.add(&[&[1.0, 0.0]]);
        soft.add(&[&[0.5, 0.5]]);
        let picture = shapes(Some(&loud), Some(&soft), 1.0).into_string();
        assert!(picture.contains("d=\"M180.0 1.0v32.0\""), "{picture}");
        assert!(picture.contains("d=\"M180.0 43.0v16.0M540.0 43.0v16.0\""), "{picture}");
    }
}
