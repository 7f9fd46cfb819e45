//! Keymaps and themes: those that come with the program, and over them those of the user's folder.

use std::path::{Path, PathBuf};

use super::super::{CliError, folders};
use crate::screen::keymap::Keymap;
use crate::screen::{Theme, check_line};

/// The keymaps that come with the program; the first is the default.
pub const KEYMAPS: [(&str, &str); 3] = [
    ("two-hands", include_str!("../../../keymaps/two-hands.toml")),
    ("left-alone", include_str!("../../../keymaps/left-alone.toml")),
    ("number-pad", include_str!("../../../keymaps/number-pad.toml")),
];
/// The themes that come with the program; the first is the default.
const THEMES: [&str; 3] = [
    include_str!("../../../shared/themes/ember.toml"),
    include_str!("../../../shared/themes/paper.toml"),
    include_str!("../../../shared/themes/signal.toml"),
];
/// Larger files are not read.
const LARGEST: u64 = 1 << 20;

/// Loads a keymap by name or from a file; gives also what is wrong in its files.
///
/// # Errors
/// There is no such keymap, or the file cannot be read.
pub fn keymap(asked: Option<&str>) -> Result<(Keymap, Vec<String>), CliError> {
    let asked = asked.unwrap_or(KEYMAPS[0].0);
    let mut map = Keymap::new();
    let mut problems = Vec::new();
    let mut layers: Vec<(String, String)> = Vec::new();
    let (mut file, mut text) = source(asked)?;
    // A file builds on another, or on the default; a circle of them ends after a few.
    loop {
        let shipped = KEYMAPS.iter().any(|(name, _)| file == shipped_name(name));
        let below = Keymap::builds_on(&text).or_else(|| (!shipped).then(|| KEYMAPS[0].0.to_owned()));
        layers.push((file, text));
        let Some(below) = below.filter(|below| below != "nothing" && layers.len() < 8) else { break };
        match source(&below) {
            Ok(next) => (file, text) = next,
            Err(error) => {
                problems.push(format!("{}: builds-on: {}", layers[layers.len() - 1].0, error.text));
                break;
            }
        }
    }
    for (file, text) in layers.iter().rev() {
        problems.extend(map.read(text, file, &check_line).iter().map(ToString::to_string));
    }
    let read = |path: &Path| layers.iter().any(|(file, _)| *file == path.display().to_string());
    if let Some((path, text)) = own(&map.name).filter(|(path, _)| !read(path)) {
        problems.extend(
            map.read(&text, &path.display().to_string(), &check_line).iter().map(ToString::to_string),
        );
    }
    Ok((map, problems))
}

fn shipped_name(name: &str) -> String {
    format!("keymaps/{name}.toml")
}

/// The text of a keymap: a shipped one by name, or a file.
fn source(asked: &str) -> Result<(String, String), CliError> {
    if let Some((name, text)) = KEYMAPS.iter().find(|(name, _)| *name == asked) {
        return Ok((shipped_name(name), (*text).to_owned()));
    }
    let path = Path::new(asked);
    if path.extension().is_none() && !path.exists() {
        if let Some((path, text)) = own(asked) {
            return Ok((path.display().to_string(), text));
        }
        let names: Vec<&str> = KEYMAPS.iter().map(|(name, _)| *name).collect();
        return Err(CliError::usage(format!(
            "there is no keymap {asked}: {} come with the program; a file is named by its path",
            names.join(", ")
        )));
    }
    let text = read(path)?;
    Ok((asked.to_owned(), text))
}

/// A keymap file in the user's folder.
fn own(name: &str) -> Option<(PathBuf, String)> {
    let path = folders::config()?.join("keymaps").join(format!("{name}.toml"));
    let text = read(&path).ok()?;
    Some((path, text))
}

fn read(path: &Path) -> Result<String, CliError> {
    let failed = |why: String| CliError::input(format!("cannot read {}: {why}", path.display()));
    let size = std::fs::metadata(path).map_err(|error| failed(error.to_string()))?.len();
    if size > LARGEST {
        return Err(failed(format!("it has {size} bytes, too many for keys or colours")));
    }
    let bytes = std::fs::read(path).map_err(|error| failed(error.to_string()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// All themes: those of the user's folder replace shipped ones of the same name. Gives also what is wrong.
pub fn themes() -> (Vec<Theme>, Vec<String>) {
    let mut problems = Vec::new();
    let mut themes: Vec<Theme> = THEMES.iter().filter_map(|text| Theme::read(text).ok()).collect();
    let Some(folder) = folders::config().map(|config| config.join("themes")) else {
        return (themes, problems);
    };
    let Ok(entries) = std::fs::read_dir(folder) else { return (themes, problems) };
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).take(200).collect();
    paths.sort();
    for path in paths.iter().filter(|path| path.extension().is_some_and(|ending| ending == "toml")) {
        match read(path)
            .map_err(|error| error.text)
            .and_then(|text| Theme::read(&text).map_err(|e| e.to_string()))
        {
            Ok(theme) => {
                themes.retain(|old| old.name != theme.name);
                themes.push(theme);
            }
            Err(why) => problems.push(format!("{}: {why}", path.display())),
        }
    }
    (themes, problems)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_keymap_is_free_of_problems_and_can_be_left() {
        for (name, _) in KEYMAPS {
            let (map, problems) = keymap(Some(name)).unwrap();
            assert_eq!(problems, Vec::<String>::new(), "{name}");
            assert_eq!(map.name, name);
            assert!(!map.about.is_empty());
            for line in
                ["quit", "type", "find", "view help", "undo", "play toggle", "cut at cursor", "cancel"]
            {
                assert!(map.chord_for(line).is_some(), "{name} has no key for {line}");
            }
        }
    }

    #[test]
    fn shipped_themes_colour_everything_and_early_unlike_late() {
        for text in THEMES {
            let theme = Theme::read(text).unwrap();
            assert_eq!(text.lines().filter(|line| line.contains("= [")).count(), 20, "{}", theme.name);
            assert!(!theme.about.is_empty());
        }
    }

    #[test]
    fn an_unknown_keymap_is_refused_with_the_names_there_are() {
        let error = keymap(Some("three-hands")).unwrap_err();
        assert!(error.text.contains("two-hands") && error.code == 2);
        assert_eq!(keymap(Some("no/such.toml")).unwrap_err().code, 3);
    }
}
