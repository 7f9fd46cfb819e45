//! Names of bounced files: characters that every system and every mail takes.

use crate::song::Lane;

/// Longest part of a name that comes from the user, so that the whole fits any file system.
const LONGEST_PART: usize = 60;

/// Name of a lane's file without its ending: title, number, role and name joined by underscores. The number makes
/// it unique, also where capital and small letters count as the same.
pub(super) fn of_lane(title: &str, number: usize, lane: &Lane) -> String {
    let (title, name) = (part(title, "untitled"), part(&lane.name, "take"));
    format!("{title}_{number:02}_{}_{name}", lane.role.word())
}

/// Name of the stack's file without its ending.
pub(super) fn of_stack(title: &str) -> String {
    format!("{}_stack", part(title, "untitled"))
}

/// `text` with each run of characters outside of a-z, A-Z, 0-9, - and _ replaced by one hyphen.
fn part(text: &str, otherwise: &str) -> String {
    let mut clean = String::new();
    for letter in text.chars() {
        if letter.is_ascii_alphanumeric() || letter == '-' || letter == '_' {
            clean.push(letter);
        } else if !clean.ends_with('-') {
            clean.push('-');
        }
        if clean.len() == LONGEST_PART {
            break;
        }
    }
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
}
