//! Fade presets: those shipped in `shared/`, and over them those of the user's folder.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::{CliError, aside, folders};
use crate::command::Presets;
use crate::song::{FadePreset, PresetRamp};

/// The presets that come with the program.
const SHIPPED: &str = include_str!("../../shared/fades.toml");
/// Larger preset files are not read.
const LARGEST: u64 = 1 << 20;

type Fades = BTreeMap<String, FadePreset>;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    fade: Fades,
}

/// All presets by name. A name in the user's file replaces the shipped one.
pub fn load() -> Result<Presets, CliError> {
    Ok(Presets { fades: load_fades()?, tones: super::tone_presets::load()? })
}

fn load_fades() -> Result<Fades, CliError> {
    let mut presets = read(SHIPPED, Path::new("shared/fades.toml"))?;
    let Some(path) = folders::config().map(|folder| folder.join("fades.toml")) else { return Ok(presets) };
    match std::fs::metadata(&path) {
        Err(_) => return Ok(presets),
        Ok(metadata) if metadata.len() > LARGEST => {
            return Err(CliError::input(format!("{} is too large for presets", path.display())));
        }
        Ok(_) => {}
    }
    let text = std::fs::read_to_string(&path)
        .map_err(|error| CliError::input(format!("cannot read {}: {error}", path.display())))?;
    presets.extend(read(&text, &path)?);
    Ok(presets)
}

/// Writes a preset into the user's file, whose other presets stay; one of the same name is replaced.
pub fn save(name: &str, preset: &FadePreset) -> Result<(), CliError> {
    let Some(folder) = folders::config() else {
        return Err(CliError::output("there is no home folder to keep presets in"));
    };
    save_in(&folder, name, preset)
}

fn save_in(folder: &Path, name: &str, preset: &FadePreset) -> Result<(), CliError> {
    let path = folder.join("fades.toml");
    let failed = |error: &dyn std::fmt::Display| {
        CliError::output(format!("cannot write {}: {error}; nothing was changed", path.display()))
    };
    let text = match std::fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(CliError::input(format!("cannot read {}: {error}", path.display()))),
    };
    // The user's comments and order stay: the preset is added at the end, or, where it replaces one, that one is cut out.
    let mut presets = read(&text, &path)?;
    let block = toml::to_string(&File { fade: Fades::from([(name.to_owned(), preset.clone())]) })
        .map_err(|error| failed(&error))?;
    let kept = match presets.insert(name.to_owned(), preset.clone()) {
        None => format!("{}\n", text.trim_end()),
        Some(_) => without(&text, name).unwrap_or_default(),
    };
    let mut whole = format!("{}\n\n{block}", kept.trim_end());
    if read(&whole, &path).ok().as_ref() != Some(&presets) {
        // Written in some other way than ours: the presets are kept, their comments are not.
        whole = toml::to_string(&File { fade: presets }).map_err(|error| failed(&error))?;
    }
    aside::write_synced(&path, whole.trim_start()).map_err(|error| failed(&error))
}

/// The text without the tables of one preset.
fn without(text: &str, name: &str) -> Option<String> {
    let (plain, quoted) = (format!("[fade.{name}"), format!("[fade.\"{name}\""));
    let is_ours = |line: &str| {
        [&plain, &quoted]
            .into_iter()
            .any(|start| line.strip_prefix(start.as_str()).is_some_and(|rest| rest.starts_with([']', '.'])))
    };
    let mut kept = Vec::new();
    let mut inside = false;
    for line in text.lines() {
        if line.trim_start().starts_with('[') {
            inside = is_ours(line.trim());
        }
        if !inside {
            kept.push(line);
        }
    }
    Some(kept.join("\n"))
}

/// Reads the text of a file of fade presets.
///
/// # Errors
/// It is damaged, or a value is out of range; the text names `path`.
pub fn read(text: &str, path: &Path) -> Result<BTreeMap<String, FadePreset>, CliError> {
    let wrong =
        |why: String| CliError::input(format!("{}: {why}; correct it or move it away", path.display()));
    let file: File = toml::from_str(text).map_err(|error| wrong(error.to_string().trim().to_owned()))?;
    for (name, preset) in &file.fade {
        let fits =
            |ramp: &PresetRamp| (0.0..=60_000.0).contains(&ramp.ms) && (-1.0..=1.0).contains(&ramp.bend.0);
        if ![preset.fade_in, preset.fade_out].iter().flatten().all(fits) {
            return Err(wrong(format!("preset {name}: ms is 0 to 60000 and bend -1 to 1")));
        }
    }
    Ok(file.fade)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shipped_presets_are_valid_and_say_what_they_are_for() {
        let presets = read(SHIPPED, Path::new("shipped")).unwrap();
        assert!(presets.contains_key("soft-ends"));
        for (name, preset) in presets {
            assert!(!preset.about.is_empty(), "{name}");
            assert!(preset.fade_in.is_some() || preset.fade_out.is_some(), "{name}");
        }
    }

    #[test]
    fn a_preset_out_of_range_is_refused_by_name() {
        let error = read("[fade.odd]\nout = { ms = -1 }", Path::new("x.toml")).unwrap_err();
        assert!(error.text.contains("preset odd"), "{}", error.text);
        assert!(read("[fade.odd]\nout = { ms = nan }", Path::new("x.toml")).is_err());
        assert!(read("[fade.odd]\nlevel = 3", Path::new("x.toml")).is_err());
    }

    #[test]
    fn a_saved_preset_joins_the_file_and_replaces_its_namesake() {
        let folder = tempfile::tempdir().unwrap();
        let ramp =
            |ms| PresetRamp { ms, curve: crate::song::Curve::RaisedCosine, bend: crate::song::Bend(0.25) };
        let preset = |ms| FadePreset { about: "mine".into(), fade_in: None, fade_out: Some(ramp(ms)) };
        let path = folder.path().join("fades.toml");
        std::fs::write(&path, "# my own\n[fade.other]\nout = { ms = 5 }\n").unwrap();
        save_in(folder.path(), "verse ends", &preset(70.5)).unwrap();
        save_in(folder.path(), "verse ends", &preset(90.0)).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(text.starts_with("# my own\n[fade.other]"), "{text}");
        let presets = read(&text, &path).unwrap();
        assert_eq!(presets.len(), 2);
        assert_eq!(presets["verse ends"], preset(90.0));
        assert_eq!(text.matches("verse ends").count(), 2, "{text}");
    }

    #[test]
    fn a_damaged_file_is_not_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("fades.toml");
        std::fs::write(&path, "[fade.broken").unwrap();
        let preset = FadePreset { about: String::new(), fade_in: None, fade_out: None };
        assert!(save_in(folder.path(), "x", &preset).is_err());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "[fade.broken");
    }
}
