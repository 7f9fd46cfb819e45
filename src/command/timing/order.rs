//! Pieces that would run into each other, or into a gap that has to stay.

use super::in_quiet::CLOSURE_MS;
use super::tighten::{Piece, Plan, names, remark};
use super::{LaneTiming, Timing, splice};
use crate::song::Lane;

/// What stays of a gap between two regions when one is slid against the other, in ms: room for a short crossfade and for
/// what is quiet of either word.
const STAYS_MS: f64 = 26.0;

/// By how many samples a piece may go earlier than the one before it.
fn room(on: &Lane, lane: &LaneTiming, rate: u32, (before, here): (&Piece, &Piece)) -> i64 {
    let ms = |ms: f64| (ms * f64::from(rate) / 1000.0) as i64;
    let (last, first) = (before.words.last(), here.words.first());
    if let (Some(last), Some(first)) = (last, first)
        && !here.starts_region()
    {
        let pair = (&lane.words[*last], &lane.words[*first]);
        let rate = f64::from(rate);
        let joint = here.joint.map_or(0, |joint| joint.room(rate));
        return joint.max(splice::room(&on.regions[here.region], pair, rate));
    }
    let ended = last.map_or(i64::MIN, |word| lane.words[*word].end as i64);
    let left_end = on.regions[before.region].end().0;
    let onset = first.map_or(i64::MAX, |word| lane.words[*word].at as i64);
    let gap = onset.saturating_sub(ended.min(left_end));
    // A short one is the closure of a stop, which belongs to the word behind it.
    let stays = if gap < ms(CLOSURE_MS) { ms(STAYS_MS * 1.5) } else { ms(STAYS_MS) };
    gap.saturating_sub(stays).max(0)
}

/// Holds back pieces that would run into the word before them. Where two want to be where only one can, both give way, as
/// little as can be in all (least squares over the words, by pooling what is in each other's way).
pub(super) fn keep_order(on: &Lane, lane: &LaneTiming, plan: &mut Plan, timing: &Timing) {
    // Runs of pieces that push each other: their mean, how much they weigh, and how many they are. Room between two
    // counts as if the later one began so much earlier.
    let mut runs: Vec<(f64, f64, usize)> = Vec::new();
    let (mut gone, mut rooms) = (0.0, Vec::with_capacity(plan.pieces.len()));
    for (index, piece) in plan.pieces.iter().enumerate() {
        let free =
            index.checked_sub(1).map(|before| room(on, lane, timing.rate, (&plan.pieces[before], piece)));
        gone += free.unwrap_or(0) as f64;
        rooms.push(gone);
        // What is not to be moved gives way to nothing.
        let weight = if piece.by == 0 && piece.fixed { 1e9 } else { piece.words.len().max(1) as f64 };
        runs.push((piece.by as f64 + gone, weight, 1));
        while let [.., (a, heavy, many), (b, light, few)] = runs.as_slice()
            && a > b
        {
            let weight = heavy + light;
            let merged = ((a * heavy + b * light) / weight, weight, many + few);
            runs.truncate(runs.len() - 2);
            runs.push(merged);
        }
    }
    let wanted: Vec<f64> =
        runs.into_iter().flat_map(|(mean, _, count)| std::iter::repeat_n(mean, count)).collect();
    for (index, (wanted, gone)) in wanted.into_iter().zip(rooms).enumerate() {
        let piece = &mut plan.pieces[index];
        let by = (wanted - gone).round() as i64;
        if by != piece.by {
            let left = timing.ms((piece.by - by) as f64);
            let at = piece.words.first().map_or(0, |word| lane.words[*word].at as i64);
            let names = names(lane, &piece.words);
            let why = format!("{names}: {:.1} ms are left, since its neighbour leaves no room", left.abs());
            piece.by = by;
            plan.refused.push(remark(plan.row, at, why));
        }
    }
}
