//! Keeps onsets apart: copies of one word that begin at the very same moment comb.

use std::collections::HashMap;

use super::tighten::{Plan, Rules, names, remark};
use super::{LaneTiming, Timing};

/// Where the onsets of each word lie that nothing moves any more, as offsets from the guide in samples.
#[derive(Debug, Default)]
pub struct Settled(HashMap<usize, Vec<f64>>);

impl Settled {
    /// The guide, and the lanes that are not among those to be moved.
    #[must_use]
    pub fn new(timing: &Timing, moved: &dyn Fn(usize) -> bool) -> Settled {
        let mut settled = Settled::default();
        for word in 0..timing.words.len() {
            settled.0.entry(word).or_default().push(0.0);
        }
        for lane in timing.lanes.iter().filter(|lane| !moved(lane.row)) {
            for word in &lane.words {
                settled.add(word.word, word.offset);
            }
        }
        settled
    }

    fn add(&mut self, word: usize, offset: f64) {
        self.0.entry(word).or_default().push(offset);
    }

    /// Counts those words of a lane as settled that its plan does not move.
    pub fn keep(&mut self, lane: &LaneTiming, plan: &Plan) {
        for piece in plan.pieces.iter().filter(|piece| piece.by == 0) {
            for word in piece.words.iter().map(|word| &lane.words[*word]) {
                self.add(word.word, word.offset);
            }
        }
    }

    /// Changes the slides of a lane's pieces by as little as keeps their words `apart` from what is settled, then counts
    /// the lane as settled. The same lanes in the same order give the same result.
    pub fn settle(&mut self, timing: &Timing, lane: &LaneTiming, rules: &Rules, apart: f64, plan: &mut Plan) {
        for index in 0..plan.pieces.len() {
            if plan.pieces[index].by == 0 {
                continue;
            }
            let piece = &plan.pieces[index];
            let lands: Vec<(usize, f64)> = piece
                .words
                .iter()
                .map(|word| &lane.words[*word])
                .map(|word| (word.word, word.offset + piece.by as f64))
                .collect();
            // A piece may go as far off as it may lie anyway, and always by one step.
            let most = rules.within.max(apart) + apart;
            match self.least(&lands, apart, most) {
                Some(more) => plan.pieces[index].by += more,
                None => {
                    let at = piece.words.first().map_or(0, |word| lane.words[*word].at as i64);
                    let text = format!(
                        "{}: stays, since no place keeps it {:.1} ms apart from the other lanes",
                        names(lane, &piece.words),
                        timing.ms(apart)
                    );
                    plan.refused.push(remark(plan.row, at, text));
                    plan.pieces[index].by = 0;
                }
            }
        }
        let mut slid = vec![0.0; lane.words.len()];
        for piece in &plan.pieces {
            piece.words.iter().for_each(|word| slid[*word] = piece.by as f64);
        }
        for (word, by) in lane.words.iter().zip(slid) {
            self.add(word.word, word.offset + by);
        }
    }

    /// The least change, in whole samples, after which none of the words lies closer than `apart` to a settled onset.
    fn least(&self, lands: &[(usize, f64)], apart: f64, most: f64) -> Option<i64> {
        let taken: Vec<f64> = lands
            .iter()
            .flat_map(|(word, at)| self.0.get(word).into_iter().flatten().map(move |settled| settled - at))
            .filter(|away| away.abs() < most + apart)
            .collect();
        let free = |by: f64| taken.iter().all(|away| (away - by).abs() >= apart);
        let ends = taken.iter().flat_map(|away| [(away + apart).ceil(), (away - apart).floor()]);
        std::iter::once(0.0)
            .chain(ends)
            .filter(|by| by.abs() <= most && free(*by))
            // Of two that are as near, the later: a late copy thickens, an early one leads.
            .min_by(|a, b| a.abs().total_cmp(&b.abs()).then(b.total_cmp(a)))
            .map(|by| by as i64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_least_change_keeps_the_distance_and_goes_later_first() {
        let settled = Settled(HashMap::from([(0, vec![0.0, 48.0]), (1, vec![0.0])]));
        assert_eq!(settled.least(&[(0, 200.0)], 48.0, 300.0), Some(0));
        assert_eq!(settled.least(&[(0, 0.0)], 48.0, 300.0), Some(-48));
        assert_eq!(settled.least(&[(1, 0.0)], 48.0, 300.0), Some(48));
        // One change for both words.
        assert_eq!(settled.least(&[(0, 90.0), (1, 0.0)], 48.0, 300.0), Some(48));
        assert_eq!(settled.least(&[(0, 0.0)], 48.0, 40.0), None);
    }
}
