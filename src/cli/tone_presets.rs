//! Tone presets: those shipped in `shared/`, and over them those of the user's folder.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::{CliError, aside, folders};
use crate::song::tone::TonePreset;

type Tones = BTreeMap<String, TonePreset>;

/// The presets that come with the program.
const SHIPPED: &str = include_str!("../../shared/tones.toml");
/// Larger preset files are not read.
const LARGEST: u64 = 1 << 20;
/// The version of the file's form that is written, and the newest that is read.
const VERSION: u32 = 1;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    version: u32,
    #[serde(default)]
    tone: Tones,
}

/// Just enough to tell the version of a file whose rest may be unknown.
#[derive(Deserialize)]
struct Head {
    version: Option<u32>,
}

/// All tone presets by name. A name in the user's file replaces the shipped one.
pub fn load() -> Result<Tones, CliError> {
    let mut presets = read(SHIPPED, Path::new("shared/tones.toml"))?;
    if let Some(folder) = folders::config() {
        presets.extend(read_file(&folder.join("tones.toml"))?);
    }
    Ok(presets)
}

/// Writes a preset into the user's file, whose other presets stay; one of the same name is replaced.
pub fn save(name: &str, preset: &TonePreset) -> Result<(), CliError> {
    let Some(folder) = folders::config() else {
        return Err(CliError::output("there is no home folder to keep presets in"));
    };
    save_in(&folder, name, preset)
}

fn save_in(folder: &Path, name: &str, preset: &TonePreset) -> Result<(), CliError> {
    let path = folder.join("tones.toml");
    let mut presets = read_file(&path)?;
    presets.insert(name.to_owned(), preset.clone());
    let failed = |error: &dyn std::fmt::Display| {
        CliError::output(format!("cannot write {}: {error}; nothing was changed", path.display()))
    };
    let text = toml::to_string(&File { version: VERSION, tone: presets }).map_err(|error| failed(&error))?;
    aside::write_synced(&path, &text).map_err(|error| failed(&error))
}

/// The presets of a file; none if there is no file.
fn read_file(path: &Path) -> Result<Tones, CliError> {
    match std::fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Tones::new()),
        Ok(metadata) if metadata.len() > LARGEST => {
            return Err(CliError::input(format!("{} is too large for presets", path.display())));
        }
        _ => {}
    }
    let text = std::fs::read_to_string(path)
        .map_err(|error| CliError::input(format!("cannot read {}: {error}", path.display())))?;
    read(&text, path)
}

/// Reads the text of a file of tone presets.
///
/// # Errors
/// It is damaged, or a value is out of range; the text names `path`.
pub fn read(text: &str, path: &Path) -> Result<BTreeMap<String, TonePreset>, CliError> {
    let wrong =
        |why: String| CliError::input(format!("{}: {why}; correct it or move it away", path.display()));
    let head: Head = toml::from_str(text).map_err(|error| wrong(error.to_string().trim().to_owned()))?;
    match head.version {
        Some(VERSION) => {}
        Some(other) => {
            return Err(wrong(format!("version {other} of tone presets is unknown here, only {VERSION} is")));
        }
        None => return Err(wrong(format!("it does not say `version = {VERSION}`"))),
    }
    let file: File = toml::from_str(text).map_err(|error| wrong(error.to_string().trim().to_owned()))?;
    for (name, preset) in &file.tone {
        if let Some((limit, value)) = preset.set.out_of_range() {
            let (what, low, high, unit) = (limit.what, limit.low, limit.high, limit.unit);
            return Err(wrong(format!(
                "preset {name}: a {what} of {value}{unit}; from {low}{unit} to {high}{unit}"
            )));
        }
        if !preset.set.is_ordered() {
            return Err(wrong(format!(
                "preset {name}: the order names each stage once, and skip none twice"
            )));
        }
    }
    Ok(file.tone)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Tone;

    #[test]
    fn shipped_presets_are_valid_and_say_what_they_are_for() {
        let presets = read(SHIPPED, Path::new("shipped")).unwrap();
        assert!(presets.contains_key("chorus-double"));
        for (name, preset) in presets {
            assert!(!preset.about.is_empty(), "{name}");
            assert!(!preset.set.is_idle(), "{name}");
        }
    }

    #[test]
    fn odd_presets_are_refused_with_the_reason() {
        let refusal = |text: &str| read(text, Path::new("x.toml")).unwrap_err().text;
        assert!(refusal("[tone]").contains("version = 1"));
        assert!(refusal("version = 7\nnew = 3").contains("version 7"));
        let head = "version = 1\n[tone.odd.set]\n";
        assert!(refusal(&format!("{head}drive_db = nan")).contains("preset odd: a drive of NaN"));
        let ratio = "[tone.odd.set.compress]\nthreshold_db=-20\nratio=0.5\nattack_ms=5\nrelease_ms=60\nknee_db=0\nmakeup_db=0\nmix=1";
        assert!(refusal(&format!("version = 1\n{ratio}")).contains("ratio of 0.5; from 1 to 100"));
        assert!(
            refusal(&format!("{head}bands.5 = {{ shape = \"bell\", frequency_hz = 1, gain_db = 1, q = 1 }}"))
                .contains("bands")
        );
        assert!(refusal(&format!("{head}order = [\"eq\", \"eq\", \"drive\", \"deess\"]")).contains("order"));
        assert!(refusal(&format!("{head}speed = 2")).contains("speed"));
    }

    #[test]
    fn a_saved_preset_is_read_back_and_others_stay() {
        let folder = tempfile::tempdir().unwrap();
        let mut preset = TonePreset { about: "one".into(), set: Tone::default() };
        preset.set.bands[1] = Some(crate::song::tone::Band {
            shape: crate::song::tone::BandShape::Bell,
            frequency_hz: 300.0,
            gain_db: crate::song::Db(-4.0),
            q: 1.4,
        });
        save_in(folder.path(), "first one", &preset).unwrap();
        save_in(folder.path(), "second", &TonePreset { about: "two".into(), ..preset.clone() }).unwrap();
        let read = read_file(&folder.path().join("tones.toml")).unwrap();
        assert_eq!(read["first one"], preset);
        assert_eq!(read["second"].about, "two");
    }
}
