//! Names of files: a template, and characters that every system and every mail takes.

use std::collections::HashSet;

use super::BounceError;
use crate::media::OutputFormat;
use crate::song::{Lane, Role};

/// The template unless another is told.
pub const DEFAULT_NAMES: &str = "{song}_{number}_{role}_{name}_{rate}";
/// Longest part of a name that comes from the user, so that the whole fits any file system.
const LONGEST_PART: usize = 60;
/// Longest name without its ending.
const LONGEST_NAME: usize = 200;
/// The fields of a template.
const FIELDS: [&str; 6] = ["song", "number", "role", "name", "rate", "format"];

/// What a file is named after.
#[derive(Debug, Clone, Copy)]
pub(super) enum Subject<'a> {
    /// A lane and its number.
    Lane(usize, &'a Lane),
    /// The sum of all lanes of a role.
    Role(Role),
    /// The sum of the stack.
    Stack,
}

/// A template read into pieces.
#[derive(Debug, Clone)]
pub(super) struct NameTemplate {
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone)]
enum Piece {
    Text(String),
    Field(&'static str),
}

impl NameTemplate {
    /// Reads a template: text with fields in braces.
    ///
    /// # Errors
    /// An unknown field, or a brace without its other one.
    pub(super) fn read(text: &str) -> Result<NameTemplate, BounceError> {
        let wrong = |why: String| BounceError::Names { template: text.to_owned(), why };
        let mut pieces = Vec::new();
        let mut rest = text;
        while !rest.is_empty() {
            let (before, after) = rest.split_once('{').unwrap_or((rest, ""));
            if before.contains('}') {
                return Err(wrong("a brace is closed that was not opened".into()));
            }
            if !before.is_empty() {
                pieces.push(Piece::Text(before.to_owned()));
            }
            if before.len() == rest.len() {
                break;
            }
            let Some((field, behind)) = after.split_once('}') else {
                return Err(wrong("a brace is not closed".into()));
            };
            match FIELDS.iter().find(|known| **known == field) {
                Some(known) => pieces.push(Piece::Field(known)),
                None => return Err(wrong(format!("there is no field {{{field}}}"))),
            }
            rest = behind;
        }
        if pieces.is_empty() {
            return Err(wrong("it is empty".into()));
        }
        Ok(NameTemplate { pieces })
    }

    /// The name of one file without its ending. Fields that say nothing about a sum vanish with their separator.
    pub(super) fn fill(&self, title: &str, rate: u32, format: OutputFormat, subject: Subject) -> String {
        let value = |field: &str| match (field, subject) {
            ("song", _) => part(title, "untitled"),
            ("rate", _) => rate_word(rate),
            ("format", _) => format_word(format).to_owned(),
            ("number", Subject::Lane(number, _)) => format!("{number:02}"),
            ("role", Subject::Lane(_, lane)) => lane.role.word().to_owned(),
            ("name", Subject::Lane(_, lane)) => part(&lane.name, "take"),
            ("role", Subject::Role(role)) => role.word().to_owned(),
            ("name", Subject::Role(_)) => "all".to_owned(),
            ("role", Subject::Stack) => "stack".to_owned(),
            _ => String::new(),
        };
        let pieces = self.pieces.iter().map(|piece| match piece {
            Piece::Text(text) => portable(text),
            Piece::Field(field) => value(field),
        });
        let mut name = String::new();
        for letter in pieces.collect::<String>().chars().take(LONGEST_NAME) {
            if !(letter == '_' && name.ends_with('_')) {
                name.push(letter);
            }
        }
        let name = name.trim_matches(['-', '_', '.']);
        if name.is_empty() { "untitled".to_owned() } else { name.to_owned() }
    }
}

/// Makes names differ, also where capital and small letters count as the same: a second one gets `-2`, and so on.
pub(super) fn distinct(names: Vec<String>, ending: &str) -> Vec<String> {
    let mut taken = HashSet::new();
    let mut made = Vec::new();
    for name in names {
        let mut choice = format!("{name}.{ending}");
        let mut count = 1;
        while !taken.insert(choice.to_lowercase()) {
            count += 1;
            choice = format!("{name}-{count}.{ending}");
        }
        made.push(choice);
    }
    made
}

/// A rate as it is said: `48k`, `44k1`, `11025`.
fn rate_word(rate: u32) -> String {
    match (rate / 1000, rate % 1000) {
        (thousands, 0) => format!("{thousands}k"),
        (thousands, rest) if rest % 100 == 0 => format!("{thousands}k{}", rest / 100),
        _ => rate.to_string(),
    }
}

fn format_word(format: OutputFormat) -> &'static str {
    match format {
        OutputFormat::I16 | OutputFormat::Flac16 => "16bit",
        OutputFormat::I24 | OutputFormat::Flac24 => "24bit",
        OutputFormat::I32 => "32bit",
        OutputFormat::F32 => "float",
    }
}

/// `text` with each run of characters outside of a-z, A-Z, 0-9, - and _ replaced by one hyphen.
fn portable(text: &str) -> String {
    let mut clean = String::new();
    for letter in text.chars() {
        if letter.is_ascii_alphanumeric() || letter == '-' || letter == '_' {
            clean.push(letter);
        } else if !clean.ends_with('-') {
            clean.push('-');
        }
    }
    clean
}

/// A text as a file name without its ending: characters that every system takes, not too many, never none.
#[must_use]
pub fn portable_name(text: &str) -> String {
    part(text, "untitled")
}

/// As [`portable`], cut to a part's length and without separators at its ends.
pub(super) fn part(text: &str, otherwise: &str) -> String {
    let clean: String = portable(text).chars().take(LONGEST_PART).collect();
    let clean = clean.trim_matches(['-', '_']);
    if clean.is_empty() { otherwise.to_owned() } else { clean.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_portable_characters_are_left() {
        assert_eq!(part("Lantern Row", "x"), "Lantern-Row");
        assert_eq!(part("../..//etc/passwd", "x"), "etc-passwd");
        assert_eq!(part("déjà vu: #2 (final)", "x"), "d-j-vu-2-final");
        assert_eq!(part("lead_01-b", "x"), "lead_01-b");
        assert_eq!(part("\u{1f3a4}\n\0", "take"), "take");
        assert_eq!(part("", "take"), "take");
        assert_eq!(part(&"a".repeat(1000), "x").len(), LONGEST_PART);
    }

    #[test]
    fn a_template_names_lanes_and_sums() {
        let of = |template: &str, subject| {
            NameTemplate::read(template).unwrap().fill("Lantern Row", 44_100, OutputFormat::I24, subject)
        };
        assert_eq!(of(DEFAULT_NAMES, Subject::Stack), "Lantern-Row_stack_44k1");
        assert_eq!(of(DEFAULT_NAMES, Subject::Role(Role::Double)), "Lantern-Row_double_all_44k1");
        assert_eq!(of("../{song}/{format}", Subject::Stack), "Lantern-Row-24bit");
        assert_eq!(of("{number}", Subject::Stack), "untitled");
        for wrong in ["{song", "song}", "{title}", "{}", ""] {
            assert!(NameTemplate::read(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn names_that_collide_are_told_apart() {
        let names = ["a", "A", "b", "a-2", "a"].map(str::to_owned).to_vec();
        assert_eq!(distinct(names, "wav"), ["a.wav", "A-2.wav", "b.wav", "a-2-2.wav", "a-3.wav"]);
    }

    #[test]
    fn rates_are_said_as_the_trade_says_them() {
        assert_eq!([48_000, 44_100, 88_200, 11_025].map(rate_word), ["48k", "44k1", "88k2", "11025"]);
    }
}
