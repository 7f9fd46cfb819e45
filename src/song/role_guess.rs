//! Guesses what a take is for from the name of its file.

use super::Role;

/// Words that name a role, in lower case, looked for in this order: "lead double" is a double, "lead harmony" a
/// harmony. Backing vocals are sung, so they are no backing; "track" says little, so it comes last
/// (common practice, no source).
const WORDS: [(Role, &[&str]); 6] = [
    (Role::Adlib, &["adlib", "adlibs", "ad lib", "ad libs", "libs"]),
    (
        Role::Harmony,
        &[
            "harmony",
            "harmonies",
            "harm",
            "harms",
            "third",
            "thirds",
            "fifth",
            "fifths",
            "octave",
            "octaves",
            "descant",
            "backing vocal",
            "backing vocals",
            "backing vox",
            "bv",
            "bvs",
            "bgv",
            "bgvs",
        ],
    ),
    (Role::Double, &["double", "doubles", "doubled", "dbl", "dbls", "dub", "dubs", "dt"]),
    (
        Role::Backing,
        &["backing", "instrumental", "inst", "instr", "mix", "band", "music", "karaoke", "playback"],
    ),
    (Role::Guide, &["guide", "lead", "leads", "main"]),
    (Role::Backing, &["track", "tracks"]),
];

/// Words beside "harmony" that a person would name along with it.
const HEIGHTS: [&str; 6] = ["high", "low", "mid", "upper", "lower", "middle"];

impl Role {
    /// What the take in the file `file_name` (a name or a path) is for, and the part of the name that says so; `None` if no part
    /// does. Only whole words count: names are split at anything but letters, and where small letters meet a capital.
    #[must_use]
    pub fn guess(file_name: &str) -> Option<(Role, String)> {
        let words = words(stem(file_name));
        for (role, names) in WORDS {
            if let Some(found) = names.iter().find_map(|name| find(&words, name)) {
                return Some((role, with_height(role, &words, found)));
            }
        }
        None
    }
}

/// The name without folders and ending.
fn stem(file_name: &str) -> &str {
    let name = file_name.rsplit(['/', '\\']).next().unwrap_or(file_name);
    match name.rsplit_once('.') {
        Some((stem, _)) if !stem.is_empty() => stem,
        _ => name,
    }
}

/// The word-like parts of a name in lower case: "LeadVox_02" gives "lead", "vox".
fn words(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut was_small = false;
    for letter in name.chars() {
        if !letter.is_alphabetic() || (letter.is_uppercase() && was_small) {
            words.push(String::new());
        }
        if letter.is_alphabetic()
            && let Some(word) = words.last_mut()
        {
            word.extend(letter.to_lowercase());
        }
        was_small = letter.is_lowercase();
    }
    words.retain(|word| !word.is_empty());
    words
}

/// Index and length of the words that make up `name` ("ad lib" is two).
fn find(words: &[String], name: &str) -> Option<(usize, usize)> {
    let parts: Vec<&str> = name.split(' ').collect();
    let at = words.windows(parts.len()).position(|window| window.iter().eq(parts.iter()))?;
    Some((at, parts.len()))
}

fn with_height(role: Role, words: &[String], (at, length): (usize, usize)) -> String {
    let is_height = |index: usize| words.get(index).is_some_and(|word| HEIGHTS.contains(&word.as_str()));
    let start = if role == Role::Harmony && at > 0 && is_height(at - 1) { at - 1 } else { at };
    let end = if role == Role::Harmony && is_height(at + length) { at + length + 1 } else { at + length };
    words[start..end].join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_words_name_the_role() {
        let rows = [
            ("lead.wav", Role::Guide, "lead"),
            ("LeadVox_02.wav", Role::Guide, "lead"),
            ("01 GUIDE.aif", Role::Guide, "guide"),
            ("lantern-main-v3.flac", Role::Guide, "main"),
            ("Dbl1.wav", Role::Double, "dbl"),
            ("chorus_double_L.wav", Role::Double, "double"),
            ("lead dub 2.wav", Role::Double, "dub"),
            ("vox-DT-3.wav", Role::Double, "dt"),
            ("HarmHigh.wav", Role::Harmony, "harm high"),
            ("low harmony 2.wav", Role::Harmony, "low harmony"),
            ("third_above.wav", Role::Harmony, "third"),
            ("leadHarmony3.wav", Role::Harmony, "harmony"),
            ("adlib4.wav", Role::Adlib, "adlib"),
            ("Ad-Lib end.wav", Role::Adlib, "ad lib"),
            ("backing.mp3", Role::Backing, "backing"),
            ("RoughMix.m4a", Role::Backing, "mix"),
            ("band_instrumental.wav", Role::Backing, "instrumental"),
            ("backing_vox_2.wav", Role::Harmony, "backing vox"),
            ("guide track.wav", Role::Guide, "guide"),
            ("main mix.wav", Role::Backing, "mix"),
            ("Track 03.wav", Role::Backing, "track"),
            ("takes/lead/double 1.wav", Role::Double, "double"),
            ("C:\\songs\\guide.wav", Role::Guide, "guide"),
        ];
        for (name, role, part) in rows {
            assert_eq!(Role::guess(name), Some((role, part.to_owned())), "{name}");
        }
    }

    #[test]
    fn parts_of_longer_words_do_not() {
        for name in [
            "leadership.wav",
            "mixture.wav",
            "doublet.wav",
            "maintain.wav",
            "charm.wav",
            "husband.wav",
            "misleading.wav",
            "thirdly.wav",
            "guidebook.wav",
            "take 3.wav",
            "",
            "...",
            "07.wav",
            "mix/take.wav",
            "soundtrack.wav",
        ] {
            assert_eq!(Role::guess(name), None, "{name}");
        }
    }

    #[test]
    fn hidden_files_and_other_scripts_do_no_harm() {
        assert_eq!(Role::guess(".lead"), Some((Role::Guide, "lead".to_owned())));
        assert_eq!(Role::guess("Ünder_Straße_Łead.wav"), None);
        assert_eq!(Role::guess("ǅ歌lead.wav"), None);
        assert_eq!(Role::guess("歌_lead.wav"), Some((Role::Guide, "lead".to_owned())));
    }
}
