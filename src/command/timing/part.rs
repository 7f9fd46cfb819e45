//! Between which words two pieces part. Words at their border that are not sure may go with either, so that a cut that finds
//! no place where it was planned can lie before or behind them.

use super::quiet::Border;
use super::splice::Splice;
use super::tighten::{Piece, Rules};
use super::{LaneTiming, WordTiming};
use crate::command::diagnostic::Diagnostic;

/// Where two pieces part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Parting {
    /// So many words of the right piece go to the left one; if negative, so many of the left one to the right one.
    pub shift: isize,
    /// The cut.
    pub splice: Splice,
    /// How much later than the left piece the right one goes.
    pub by: i64,
}

/// Finds the best cut between two words with a border for a right piece that goes later than the left one by one of several
/// distances in samples, the first of them for which there is one. Gives its index, the cut, and the distance after a nudge.
type Cutter<'a> = dyn Fn((&WordTiming, &WordTiming), Border, &[i64]) -> Result<Option<(usize, Splice, i64)>, Diagnostic>
    + 'a;

/// The parting that lets the right piece go where it is to go, or else as far as can be; as near to the planned one as can be.
/// `None` if the two cannot part at all.
///
/// # Errors
/// Those of the cutter.
pub(super) fn best(
    lane: &LaneTiming,
    rules: &Rules,
    (left, right): (&Piece, &Piece),
    cut: &Cutter,
) -> Result<Option<Parting>, Diagnostic> {
    let by = right.by - left.by;
    let steps = if rules.exact { 1 } else { 10 };
    let mut distances: Vec<i64> = (0..steps).map(|tenths| by * (10 - tenths) / 10).collect();
    distances.retain(|by| *by != 0);
    let mut best = None;
    for shift in shifts(lane, rules, left, right) {
        let Some((before, after, border)) = at(left, right, shift) else { continue };
        let found = cut((&lane.words[before], &lane.words[after]), border, &distances)?;
        let Some((index, splice, by)) = found.filter(|(_, _, by)| *by != 0) else { continue };
        best = Some(Parting { shift, splice, by });
        // What this parting does not reach is what another one has to beat.
        distances.truncate(index);
        if index == 0 {
            break;
        }
    }
    Ok(best)
}

/// Which words may go to the other side, as planned first; see [`Parting::shift`].
fn shifts(lane: &LaneTiming, rules: &Rules, left: &Piece, right: &Piece) -> Vec<isize> {
    let unsure = |word: &&usize| lane.words[**word].found.confidence < rules.sure;
    let over = right.words.iter().take_while(unsure).count().min(right.words.len().saturating_sub(1));
    let back = left.words.iter().rev().take_while(unsure).count().min(left.words.len().saturating_sub(1));
    let free = !rules.exact && !left.fixed && !right.fixed;
    let (over, back) = if free { (over, back) } else { (0, 0) };
    let mut shifts = vec![0];
    for step in 1..=over.max(back) {
        shifts.extend((step <= over).then_some(step as isize));
        shifts.extend((step <= back).then_some(-(step as isize)));
    }
    shifts
}

/// The words before and behind a parting, and what lies between them.
fn at(left: &Piece, right: &Piece, shift: isize) -> Option<(usize, usize, Border)> {
    let word =
        |index: usize| left.words.get(index).or_else(|| right.words.get(index - left.words.len())).copied();
    let border = |index: usize| {
        left.borders.get(index).or_else(|| right.borders.get(index - left.borders.len())).copied()
    };
    let here = left.words.len().checked_add_signed(shift)?;
    Some((word(here.checked_sub(1)?)?, word(here)?, border(here)?))
}

/// Moves words from the piece at `index` to the one before it, or back; see [`Parting::shift`].
pub(super) fn hand_over(pieces: &mut [Piece], index: usize, shift: isize) {
    let (before, after) = pieces.split_at_mut(index);
    let (Some(left), Some(right)) = (before.last_mut(), after.first_mut()) else { return };
    let count = shift.unsigned_abs();
    if shift > 0 {
        left.words.extend(right.words.drain(..count.min(right.words.len())));
        left.borders.extend(right.borders.drain(..count.min(right.borders.len())));
    } else {
        let from = left.words.len().saturating_sub(count);
        right.words.splice(0..0, left.words.drain(from..));
        right.borders.splice(0..0, left.borders.drain(from..));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(words: &[usize]) -> Piece {
        Piece {
            region: 0,
            borders: words
                .iter()
                .map(|word| if *word == 0 { Border::Start } else { Border::Touching })
                .collect(),
            splice: None,
            joint: None,
            by: 0,
            fixed: false,
            words: words.to_vec(),
            confidence: 1.0,
        }
    }

    #[test]
    fn words_go_over_and_come_back() {
        let mut pieces = [piece(&[0, 1]), piece(&[2, 3, 4])];
        assert_eq!(at(&pieces[0], &pieces[1], 0), Some((1, 2, Border::Touching)));
        assert_eq!(at(&pieces[0], &pieces[1], 2), Some((3, 4, Border::Touching)));
        assert_eq!(at(&pieces[0], &pieces[1], -1), Some((0, 1, Border::Touching)));
        assert_eq!(at(&pieces[0], &pieces[1], -2), None);
        assert_eq!(at(&pieces[0], &pieces[1], 3), None);
        hand_over(&mut pieces, 1, 2);
        assert_eq!((&pieces[0], &pieces[1]), (&piece(&[0, 1, 2, 3]), &piece(&[4])));
        hand_over(&mut pieces, 1, -3);
        assert_eq!((&pieces[0], &pieces[1]), (&piece(&[0]), &piece(&[1, 2, 3, 4])));
    }
}
