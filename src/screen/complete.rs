//! How a line could go on, over both tables.

use super::app::{App, World};
use super::verbs;
use crate::command::{Candidate, complete_with};

impl App {
    /// How a line could go on, best first.
    pub(super) fn candidates(&self, world: &World, line: &str) -> Vec<Candidate> {
        let more: Vec<_> = verbs::VERBS.iter().map(|verb| (verb.name, verb.about, verb.form)).collect();
        let context = self.context(world);
        let mut found = complete_with(line, Some(&context), &more);
        // Names of themes stand nowhere in the session.
        let last = line.rsplit(';').next().unwrap_or("").trim_start();
        if let Some(typed) = last.strip_prefix("theme ") {
            let fits = self.themes.iter().filter(|theme| theme.name.starts_with(typed.trim()));
            found = fits
                .map(|theme| Candidate { text: theme.name.clone(), about: theme.about.clone() })
                .collect();
        }
        found.truncate(60);
        found
    }
}
