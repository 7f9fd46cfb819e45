//! Nearest words for near misses.

/// The word of `among` that `typed` was most likely meant to be, if any is near.
///
/// Near means: a prefix, or at most a third of the letters wrong (optimal string alignment: letters
/// left out, put in, changed, or two neighbours swapped).
#[must_use]
pub fn nearest<'a>(typed: &str, among: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let typed = typed.to_lowercase();
    if typed.is_empty() || typed.chars().count() > 40 {
        return None;
    }
    let score = |word: &str| {
        let word = word.to_lowercase();
        if typed.len() >= 2 && word.starts_with(&typed) {
            return Some(0);
        }
        let wrong = distance(&typed, &word);
        let longest = typed.chars().count().max(word.chars().count());
        (wrong * 3 <= longest.max(3)).then_some(wrong)
    };
    among.into_iter().filter_map(|word| score(word).map(|score| (score, word))).min().map(|(_, word)| word)
}

fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut rows = vec![vec![0usize; b.len() + 1]; a.len() + 1];
    for (i, row) in rows.iter_mut().enumerate() {
        row[0] = i;
    }
    for (j, cell) in rows[0].iter_mut().enumerate() {
        *cell = j;
    }
    for i in 1..=a.len() {
        for j in 1..=b.len() {
            let change = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = change.min(rows[i - 1][j] + 1).min(rows[i][j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            rows[i][j] = best;
        }
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::nearest;

    #[test]
    fn near_misses_find_their_word_and_far_ones_none() {
        let words = ["cut", "shift", "fade", "crossfade", "restore"];
        assert_eq!(nearest("shfit", words), Some("shift"));
        assert_eq!(nearest("cu", words), Some("cut"));
        assert_eq!(nearest("corssfade", words), Some("crossfade"));
        assert_eq!(nearest("zzzz", words), None);
        assert_eq!(nearest("", words), None);
    }
}
