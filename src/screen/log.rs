//! Every message that was ever shown, the newest last.

use std::collections::VecDeque;

/// Messages kept.
const MOST: usize = 2000;

/// How much a message weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// It went as asked.
    Fine,
    /// Worth knowing.
    Note,
    /// It did not go as asked.
    Wrong,
}

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// How much it weighs.
    pub weight: Weight,
    /// What it says; one line.
    pub text: String,
    /// How often it came in a row.
    pub times: u32,
}

/// All messages.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Log {
    entries: VecDeque<Entry>,
}

impl Log {
    /// Adds a message; the same again only counts.
    pub fn add(&mut self, weight: Weight, text: &str) {
        let text = clean(text);
        if let Some(last) = self.entries.back_mut().filter(|last| last.text == text && last.weight == weight)
        {
            last.times = last.times.saturating_add(1);
            return;
        }
        if self.entries.len() == MOST {
            self.entries.pop_front();
        }
        self.entries.push_back(Entry { weight, text, times: 1 });
    }

    /// All of them, the oldest first.
    pub fn entries(&self) -> impl DoubleEndedIterator<Item = &Entry> + ExactSizeIterator {
        self.entries.iter()
    }

    /// The newest.
    #[must_use]
    pub fn last(&self) -> Option<&Entry> {
        self.entries.back()
    }
}

/// Text from outside, fit for one line of the screen: without control characters, not too long.
#[must_use]
pub fn clean(text: &str) -> String {
    // Direction marks would turn the rest of the row round.
    let odd = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    text.chars()
        .take(2000)
        .map(|c| if c == '\n' || c == '\t' { ' ' } else { c })
        .filter(|c| !odd(*c))
        .collect()
}
