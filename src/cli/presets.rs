//! Fade presets: those shipped in `shared/`, and over them those of the user's folder.

use std::path::Path;

use serde::Deserialize;

use super::{CliError, folders};
use crate::command::Presets;
use crate::song::PresetRamp;

/// The presets that come with the program.
const SHIPPED: &str = include_str!("../../shared/fades.toml");
/// Larger preset files are not read.
const LARGEST: u64 = 1 << 20;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    fade: Presets,
}

/// All fade presets by name. A name in the user's file replaces the shipped one.
pub fn load() -> Result<Presets, CliError> {
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

fn read(text: &str, path: &Path) -> Result<Presets, CliError> {
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
}
