//! Keymaps: which key, or chord of keys, runs which command line.
//!
//! A keymap file has one binding per line, so that a wrong line never takes the others with it:
//!
//! ```toml
//! name = "two-hands"
//! about = "left hand left edge, right hand right edge"
//! builds-on = "another"          # optional
//! counts = true                  # digits before a key repeat it
//!
//! [everywhere]                   # or lanes, close, tone, proposals, graph: that view only, before `everywhere`
//! "f" = "cut at cursor on {target}"
//! "m n" = "type \"note \""
//! "ctrl-q" = false               # nothing is bound to it any more
//!
//! [groups]
//! "m" = "mark and name"          # what a half-typed chord is for
//! ```

use std::collections::BTreeMap;
use std::fmt;

use super::key::Key;
use crate::command::Diagnostic;

/// Where a binding holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Place {
    /// In every view that has no binding of its own for the key.
    #[default]
    Everywhere,
    /// In the lanes view.
    Lanes,
    /// In the close view.
    Close,
    /// In the tone view.
    Tone,
    /// In the list of proposals.
    Proposals,
    /// In the graph view.
    Graph,
}

impl Place {
    /// All places with the word that names each in a file.
    pub const ALL: [(Place, &'static str); 6] = [
        (Place::Everywhere, "everywhere"),
        (Place::Lanes, "lanes"),
        (Place::Close, "close"),
        (Place::Tone, "tone"),
        (Place::Proposals, "proposals"),
        (Place::Graph, "graph"),
    ];

    /// The word that names this place.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(place, _)| *place == self).map_or("", |(_, word)| word)
    }
}

/// What a key runs, and where that was said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Binding {
    /// A command line, with placeholders.
    pub line: String,
    /// The file.
    pub file: String,
    /// The line in it, from 1.
    pub at: usize,
}

/// Something wrong in a keymap file. The rest of the file is used all the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file.
    pub file: String,
    /// The line, from 1.
    pub at: usize,
    /// What is wrong, and what to do.
    pub text: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} line {}: {}", self.file, self.at, self.text)
    }
}

/// What a typed chord comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// It is complete.
    Command(String),
    /// More keys may follow: each with what it does.
    Half(Vec<(Key, String)>),
    /// Nothing is bound to it.
    Nothing,
}

/// Which chords run which command lines.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Keymap {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// Whether digits are counts.
    pub counts: bool,
    bindings: BTreeMap<(Place, Vec<Key>), Binding>,
    groups: BTreeMap<Vec<Key>, String>,
}

impl Keymap {
    /// A keymap without bindings.
    #[must_use]
    pub fn new() -> Keymap {
        Keymap { counts: true, ..Keymap::default() }
    }

    /// Looks up a chord in a view.
    #[must_use]
    pub fn find(&self, place: Place, chord: &[Key]) -> Found {
        for place in [place, Place::Everywhere] {
            if let Some(binding) = self.bindings.get(&(place, chord.to_vec())) {
                return Found::Command(binding.line.clone());
            }
        }
        let mut follow: BTreeMap<Key, String> = BTreeMap::new();
        for place in [place, Place::Everywhere] {
            for ((_, keys), binding) in self.bindings.iter().filter(|((own, _), _)| *own == place) {
                let Some(rest) = keys.strip_prefix(chord) else { continue };
                let Some(next) = rest.first() else { continue };
                let text = match rest.len() {
                    1 => binding.line.clone(),
                    _ => self.group(&keys[..=chord.len()]).unwrap_or("…").to_owned(),
                };
                follow.entry(*next).or_insert(text);
            }
        }
        if follow.is_empty() { Found::Nothing } else { Found::Half(follow.into_iter().collect()) }
    }

    /// What a half-typed chord is for, if its file says so.
    #[must_use]
    pub fn group(&self, chord: &[Key]) -> Option<&str> {
        self.groups.get(chord).map(String::as_str)
    }

    /// All bindings: place, chord as text, what it runs.
    pub fn all(&self) -> impl Iterator<Item = (Place, String, &Binding)> {
        self.bindings.iter().map(|((place, keys), binding)| (*place, chord_text(keys), binding))
    }

    /// The shortest chord that runs a line beginning with `start`, for hints.
    #[must_use]
    pub fn chord_for(&self, start: &str) -> Option<String> {
        let fits = |line: &str| line.starts_with(start);
        let found = self.bindings.iter().filter(|(_, binding)| fits(&binding.line));
        let shortest = found.min_by_key(|((place, keys), binding)| {
            (keys.len(), binding.line.len(), chord_text(keys).len(), *place != Place::Everywhere)
        });
        shortest.map(|((_, keys), _)| chord_text(keys))
    }

    /// Reads a file over what is there: its bindings replace those of the same chord. `check` says
    /// whether a command line is one. Gives what is wrong; every other line counts.
    pub fn read(
        &mut self,
        text: &str,
        file: &str,
        check: &dyn Fn(&str) -> Result<(), Diagnostic>,
    ) -> Vec<Problem> {
        let mut reading =
            Reading { map: self, file, check, problems: Vec::new(), section: None, seen: BTreeMap::new() };
        for (index, line) in text.lines().enumerate() {
            reading.line(index + 1, line.trim());
        }
        reading.shadowed();
        reading.problems
    }

    /// The file that this text builds on, if it says so.
    #[must_use]
    pub fn builds_on(text: &str) -> Option<String> {
        let value = |line: &str| one(line).ok().filter(|(key, _)| key == "builds-on").map(|(_, value)| value);
        text.lines().take_while(|line| !line.starts_with('[')).find_map(value)?.as_str().map(str::to_owned)
    }
}

/// A chord as it is written.
#[must_use]
pub fn chord_text(keys: &[Key]) -> String {
    keys.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
}

enum Section {
    Keys(Place),
    Groups,
    Unknown,
}

struct Reading<'a> {
    map: &'a mut Keymap,
    file: &'a str,
    check: &'a dyn Fn(&str) -> Result<(), Diagnostic>,
    problems: Vec<Problem>,
    section: Option<Section>,
    /// Lines of this very file by chord, to find the same chord said twice.
    seen: BTreeMap<(Place, Vec<Key>), usize>,
}

impl Reading<'_> {
    fn problem(&mut self, at: usize, text: String) {
        // A binary file by mistake must not fill the log.
        if self.problems.len() < 200 {
            self.problems.push(Problem { file: self.file.to_owned(), at, text });
        }
    }

    fn line(&mut self, at: usize, line: &str) {
        if line.is_empty() || line.starts_with('#') {
            return;
        }
        if let Some(name) = line.strip_prefix('[') {
            let name = name.split(']').next().unwrap_or("").trim();
            let place = Place::ALL.iter().find(|(_, word)| *word == name).map(|(place, _)| *place);
            self.section = Some(match (place, name) {
                (Some(place), _) => Section::Keys(place),
                (None, "groups") => Section::Groups,
                (None, _) => {
                    let names = "everywhere, lanes, close, tone, proposals, graph or groups";
                    self.problem(at, format!("there is no section [{name}]; it can be {names}"));
                    Section::Unknown
                }
            });
            return;
        }
        match (one(line), &self.section) {
            (_, Some(Section::Unknown)) => {}
            (Err(why), _) => self.problem(at, why),
            (Ok((key, value)), None) => self.head(at, &key, &value),
            (Ok((key, value)), Some(Section::Keys(place))) => self.binding(at, *place, &key, &value),
            (Ok((key, value)), Some(Section::Groups)) => match (chord(&key), value.as_str()) {
                (Ok(keys), Some(text)) => drop(self.map.groups.insert(keys, text.to_owned())),
                (Err(why), _) => self.problem(at, why),
                (_, None) => self.problem(at, "a group is named by a text in quotes".to_owned()),
            },
        }
    }

    fn head(&mut self, at: usize, key: &str, value: &toml::Value) {
        match (key, value) {
            ("name", toml::Value::String(text)) => self.map.name.clone_from(text),
            ("about", toml::Value::String(text)) => self.map.about.clone_from(text),
            ("counts", toml::Value::Boolean(counts)) => self.map.counts = *counts,
            ("builds-on", toml::Value::String(_)) => {}
            _ => self.problem(at, format!("`{key}` cannot stand before the first section with that value")),
        }
    }

    fn binding(&mut self, at: usize, place: Place, key: &str, value: &toml::Value) {
        let keys = match chord(key) {
            Ok(keys) => keys,
            Err(why) => return self.problem(at, why),
        };
        if let Some(before) = self.seen.insert((place, keys.clone()), at) {
            self.problem(at, format!("`{key}` is bound in line {before} already; this line is not used"));
            return;
        }
        match value {
            toml::Value::Boolean(false) => drop(self.map.bindings.remove(&(place, keys))),
            toml::Value::String(line) => match (self.check)(line) {
                Ok(()) => {
                    let binding = Binding { line: line.clone(), file: self.file.to_owned(), at };
                    self.map.bindings.insert((place, keys), binding);
                }
                Err(error) => self.problem(at, format!("`{key}`: {error}")),
            },
            _ => self.problem(at, format!("`{key}` takes a command in quotes, or false to bind nothing")),
        }
    }

    /// A chord that begins with a bound key can never be typed: the key alone runs first.
    fn shadowed(&mut self) {
        let mut hidden = Vec::new();
        for ((place, keys), binding) in &self.map.bindings {
            for length in 1..keys.len() {
                let front = self.map.bindings.get(&(*place, keys[..length].to_vec()));
                if let Some(front) = front {
                    hidden.push((*place, keys.clone(), length, binding.clone(), front.clone()));
                }
            }
        }
        for (place, keys, length, binding, front) in hidden {
            let text = format!(
                "`{}` can never be typed, since `{}` alone runs `{}` ({} line {}); unbind one of them with false",
                chord_text(&keys),
                chord_text(&keys[..length]),
                front.line,
                front.file,
                front.at
            );
            // The newer of the two is at fault and goes.
            let at = if binding.file == self.file { binding.at } else { front.at };
            let gone = if binding.file == self.file { keys } else { keys[..length].to_vec() };
            self.map.bindings.remove(&(place, gone));
            self.problem(at, text);
        }
    }
}

/// Reads one line `key = value`.
fn one(line: &str) -> Result<(String, toml::Value), String> {
    let table: toml::Table = toml::from_str(line).map_err(|error| {
        let why = error.message().lines().next().unwrap_or("").to_owned();
        format!("this line cannot be read ({why}); write \"KEY\" = \"COMMAND\" on one line")
    })?;
    table.into_iter().next().ok_or_else(|| "nothing stands here".to_owned())
}

fn chord(text: &str) -> Result<Vec<Key>, String> {
    let keys: Result<Vec<Key>, String> = text.split_whitespace().map(str::parse).collect();
    match keys {
        Ok(keys) if keys.is_empty() => Err("a key is missing".to_owned()),
        Ok(keys) if keys.len() > 4 => Err(format!("`{text}` is a chord of more than four keys")),
        keys => keys,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> (Keymap, Vec<String>) {
        let mut map = Keymap::new();
        let check = |line: &str| match line {
            "wrong" => Err(Diagnostic::refusal("there is no verb `wrong`").help("did you mean `ring`?")),
            _ => Ok(()),
        };
        let problems = map.read(text, "mine.toml", &check);
        (map, problems.iter().map(ToString::to_string).collect())
    }

    fn keys(text: &str) -> Vec<Key> {
        chord(text).unwrap()
    }

    #[test]
    fn wrong_lines_are_named_and_the_others_count() {
        let (map, problems) = read(
            "name = \"mine\"\nshade = 3\n[everywhere]\n\"a\" = \"play\"\n\"b\" = \"wrong\"\n\"entre\" = \"play\"\n\
             \"a\" = \"stop\"\n\"c\" = 5\nd = \n[nowhere]\n\"x\" = \"play\"\n[graph]\n\"a\" = \"walk go\"\n",
        );
        assert_eq!(map.find(Place::Lanes, &keys("a")), Found::Command("play".into()));
        assert_eq!(map.find(Place::Graph, &keys("a")), Found::Command("walk go".into()));
        let begins = [
            "mine.toml line 2:",
            "mine.toml line 5: `b`: there is no verb `wrong` (did you mean `ring`?)",
            "mine.toml line 6: there is no key `entre`",
            "mine.toml line 7: `a` is bound in line 4",
            "mine.toml line 8: `c` takes",
            "mine.toml line 9: this line",
            "mine.toml line 10: there is no section",
        ];
        assert_eq!(problems.len(), begins.len(), "{problems:#?}");
        for (problem, begin) in problems.iter().zip(begins) {
            assert!(problem.starts_with(begin), "{problem}");
        }
    }

    #[test]
    fn a_file_over_another_replaces_and_unbinds_key_by_key() {
        let (mut map, _) = read("[everywhere]\n\"a\" = \"one\"\n\"b\" = \"two\"\n\"c\" = \"three\"");
        let problems = map.read("[everywhere]\n\"a\" = \"other\"\n\"b\" = false", "user.toml", &|_| Ok(()));
        assert_eq!(problems, vec![]);
        assert_eq!(map.find(Place::Lanes, &keys("a")), Found::Command("other".into()));
        assert_eq!(map.find(Place::Lanes, &keys("b")), Found::Nothing);
        assert_eq!(map.find(Place::Lanes, &keys("c")), Found::Command("three".into()));
    }

    #[test]
    fn half_a_chord_says_what_may_follow_and_a_hidden_chord_is_named() {
        let (map, problems) =
            read("[everywhere]\n\"m n\" = \"note\"\n\"m x y\" = \"deep\"\n[groups]\n\"m x\" = \"more\"");
        assert_eq!(problems, Vec::<String>::new());
        let follow = vec![(Key::char('n'), "note".to_owned()), (Key::char('x'), "more".to_owned())];
        assert_eq!(map.find(Place::Close, &keys("m")), Found::Half(follow));
        let (map, problems) = read("[everywhere]\n\"m\" = \"one\"\n\"m n\" = \"two\"");
        assert!(problems[0].contains("can never be typed") && problems[0].contains("line 3"), "{problems:?}");
        assert_eq!(map.find(Place::Lanes, &keys("m")), Found::Command("one".into()));
    }
}
