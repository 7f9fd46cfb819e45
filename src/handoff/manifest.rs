//! The manifest: checksums of what was handed off and of what it was made from, and the check of them later.

use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::BounceError;
use crate::media::MediaError;

/// What the `format` field of every manifest says.
const FORMAT: &str = "tautline-handoff";
/// The newest version that this program reads, and the one it writes.
const VERSION: u64 = 1;
/// How every manifest's name ends, before a number and `.json`.
pub(super) const SUFFIX: &str = "_manifest";
/// Larger manifests are not read.
const LARGEST: u64 = 64 << 20;
/// Stands in the place of the seal while that is counted.
const NO_SEAL: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// Checksums of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sums {
    /// Its size in bytes.
    pub bytes: u64,
    /// BLAKE3 of its bytes, 64 hexadecimal digits.
    pub blake3: String,
    /// SHA-256 of its bytes, 64 hexadecimal digits.
    pub sha256: String,
}

/// A file with its checksums.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Listed {
    /// Outputs: its name within the folder. Sources: where it was.
    pub path: String,
    /// Its checksums.
    #[serde(flatten)]
    pub sums: Sums,
}

/// What a hand-off consists of and what it was made from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// Always `tautline-handoff`.
    pub format: String,
    /// Version of the form; this is 1.
    pub version: u64,
    /// The program that wrote it.
    pub program: String,
    /// The song's title.
    pub title: String,
    /// The session file's name.
    pub session: String,
    /// The edit that was handed off.
    pub head: u64,
    /// Samples per second of the files.
    pub rate: u32,
    /// Position on the timeline of their first sample.
    pub start: i64,
    /// Samples in every file.
    pub length: u64,
    /// The recordings that they were made from.
    pub sources: Vec<Listed>,
    /// The files.
    pub files: Vec<Listed>,
    /// BLAKE3 of this text with zeros in this place: the manifest vouches for itself too. Must come last.
    pub seal: String,
}

impl Manifest {
    /// A manifest that lists no file yet.
    #[must_use]
    pub fn new(title: &str, session: &str, head: u64) -> Manifest {
        Manifest {
            format: FORMAT.into(),
            version: VERSION,
            program: concat!("Tautline ", env!("CARGO_PKG_VERSION")).into(),
            title: title.into(),
            session: session.into(),
            head,
            rate: 0,
            start: 0,
            length: 0,
            sources: Vec::new(),
            files: Vec::new(),
            seal: NO_SEAL.into(),
        }
    }

    /// The sealed text.
    pub(super) fn text(&self) -> String {
        let unsealed = Manifest { seal: NO_SEAL.into(), ..self.clone() };
        let mut text = serde_json::to_string_pretty(&unsealed).unwrap_or_default();
        text.push('\n');
        let seal = blake3::hash(text.as_bytes()).to_hex();
        match text.rfind(NO_SEAL) {
            Some(at) => text.replace_range(at..at + NO_SEAL.len(), &seal),
            None => text.clear(),
        }
        text
    }
}

/// Both checksums of a file, in one reading.
///
/// # Errors
/// It is missing or cannot be read.
pub fn sums(path: &Path) -> Result<Sums, MediaError> {
    let mut file = crate::media::open_file(path)?;
    let (mut blake3, mut sha256) = (blake3::Hasher::new(), Sha256::new());
    let mut block = vec![0; 256 * 1024];
    let mut bytes = 0;
    loop {
        match file.read(&mut block) {
            Ok(0) => break,
            Ok(got) => {
                let read = block.get(..got).unwrap_or_default();
                blake3.update(read);
                sha256.update(read);
                bytes += got as u64;
            }
            Err(e) if e.kind() == ErrorKind::Interrupted => {}
            Err(e) => return Err(MediaError::reading(path, e)),
        }
    }
    let sha256 = sha256.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
    Ok(Sums { bytes, blake3: blake3.finalize().to_hex().to_string(), sha256 })
}

/// The checksums of files that are still growing under other names, in their order; the names are those they will have.
pub(super) fn list(files: Vec<(String, PathBuf)>) -> Result<Vec<Listed>, BounceError> {
    let listed = files.into_par_iter().map(|(name, path)| Ok(Listed { path: name, sums: sums(&path)? }));
    listed.collect::<Result<_, MediaError>>().map_err(BounceError::from)
}

/// What became of one file since.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// As it was.
    Same,
    /// Its bytes are others.
    Changed,
    /// It is not there.
    Missing,
    /// It cannot be read, or makes no sense.
    Unreadable,
    /// No manifest lists it.
    Unlisted,
}

/// One file of a folder that was verified.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verified {
    /// Its name within the folder.
    pub path: String,
    /// What became of it.
    pub verdict: Verdict,
    /// More about it, in words; empty if there is nothing to say.
    pub text: String,
}

/// Why a folder could not be verified at all.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    /// The folder cannot be read.
    #[error("{}: the folder cannot be read ({source}); check the path", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// There is nothing to verify it by.
    #[error("{}: there is no manifest (a file whose name ends in {SUFFIX}.json); a bounce writes one", .0.display())]
    NoManifest(PathBuf),
}

/// Holds every file of a hand-off's folder against its manifests. Every file appears once, manifests too; those that no
/// manifest lists come last.
///
/// # Errors
/// The folder cannot be read or holds no manifest.
pub fn verify(folder: &Path) -> Result<Vec<Verified>, VerifyError> {
    let unreadable = |source| VerifyError::Folder { path: folder.to_owned(), source };
    let mut names = Vec::new();
    for entry in fs::read_dir(folder).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        if entry.file_type().map_err(unreadable)?.is_file() {
            names.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    names.sort();
    let manifests: Vec<&String> = names.iter().filter(|name| is_manifest(name)).collect();
    if manifests.is_empty() {
        return Err(VerifyError::NoManifest(folder.to_owned()));
    }
    let mut verified = Vec::new();
    let mut listed: Vec<Listed> = Vec::new();
    for name in &manifests {
        let (verdict, text, manifest) = match read(&folder.join(name)) {
            Ok(manifest) => (Verdict::Same, String::new(), Some(manifest)),
            Err((verdict, text)) => (verdict, text, None),
        };
        listed.extend(manifest.into_iter().flat_map(|manifest| manifest.files));
        verified.push(Verified { path: (*name).clone(), verdict, text });
    }
    listed.sort_by(|a, b| a.path.cmp(&b.path));
    listed.dedup();
    let held: Vec<Verified> = listed.par_iter().map(|file| hold(folder, file)).collect();
    verified.extend(held);
    let known: std::collections::HashSet<String> = verified.iter().map(|file| file.path.clone()).collect();
    let unlisted = names.into_iter().filter(|name| !known.contains(name));
    verified.extend(unlisted.map(|path| Verified { path, verdict: Verdict::Unlisted, text: String::new() }));
    Ok(verified)
}

fn is_manifest(name: &str) -> bool {
    let Some((_, number)) = name.strip_suffix(".json").and_then(|stem| stem.rsplit_once(SUFFIX)) else {
        return false;
    };
    let number = number.strip_prefix('-').unwrap_or(number);
    number.bytes().all(|byte| byte.is_ascii_digit())
}

fn read(path: &Path) -> Result<Manifest, (Verdict, String)> {
    let unreadable = |why: String| (Verdict::Unreadable, why);
    let file = File::open(path).map_err(|error| unreadable(error.to_string()))?;
    let mut bytes = Vec::new();
    file.take(LARGEST + 1).read_to_end(&mut bytes).map_err(|error| unreadable(error.to_string()))?;
    if bytes.len() as u64 > LARGEST {
        return Err(unreadable("it is too large for a manifest".into()));
    }
    let changed = |why: &str| (Verdict::Changed, format!("{why}; do not trust what it lists"));
    let text = String::from_utf8(bytes).map_err(|_| changed("it is not the text that was written"))?;
    let manifest: Manifest = serde_json::from_str(&text)
        .map_err(|error| changed(&format!("it does not read as a manifest ({error})")))?;
    if manifest.format == FORMAT && manifest.version > VERSION {
        return Err(unreadable(format!(
            "it is of version {}; this program knows {VERSION}",
            manifest.version
        )));
    }
    let at = text.rfind(&manifest.seal).filter(|_| manifest.seal.len() == NO_SEAL.len());
    let unsealed = at.map(|at| format!("{}{NO_SEAL}{}", &text[..at], &text[at + NO_SEAL.len()..]));
    match unsealed {
        Some(unsealed) if blake3::hash(unsealed.as_bytes()).to_hex().as_str() == manifest.seal => {
            Ok(manifest)
        }
        _ => Err(changed("its own seal does not fit")),
    }
}

fn hold(folder: &Path, file: &Listed) -> Verified {
    let found = |verdict, text: &str| Verified { path: file.path.clone(), verdict, text: text.to_owned() };
    // A manifest is as hostile as any file: names that lead out of the folder are not followed.
    let plain =
        Path::new(&file.path).components().all(|part| matches!(part, std::path::Component::Normal(_)));
    if !plain || file.path.is_empty() {
        return found(Verdict::Unreadable, "its name leads out of the folder");
    }
    let path = folder.join(&file.path);
    match sums(&path) {
        Ok(now) if now == file.sums => found(Verdict::Same, ""),
        Ok(now) if now.bytes != file.sums.bytes => found(
            Verdict::Changed,
            &format!("it has {} bytes where {} were written", now.bytes, file.sums.bytes),
        ),
        Ok(_) => found(Verdict::Changed, "its bytes are not those that were written"),
        Err(_) if fs::symlink_metadata(&path).is_err() => found(Verdict::Missing, "it is not there"),
        Err(error) => found(Verdict::Unreadable, error.why()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_sums_are_the_published_ones() {
        // FIPS 180-4 example "abc"; the BLAKE3 value of the empty input is that of its reference implementation (from memory).
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        fs::write(&path, "abc").unwrap();
        let found = sums(&path).unwrap();
        assert_eq!(found.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        fs::write(&path, "").unwrap();
        let found = sums(&path).unwrap();
        assert_eq!(found.blake3, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262");
    }

    #[test]
    fn manifests_are_known_by_their_names() {
        for name in ["x_manifest.json", "x_manifest-2.json", "Lantern-Row_manifest-13.json"] {
            assert!(is_manifest(name), "{name}");
        }
        for name in ["manifest.txt", "x_manifest-a.json", "x.json"] {
            assert!(!is_manifest(name), "{name}");
        }
    }

    #[test]
    fn a_changed_manifest_is_noticed_wherever_it_was_changed() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("a.wav"), "sound").unwrap();
        let mut manifest = Manifest::new("Lantern Row", "song.json", 7);
        manifest.files = list(vec![("a.wav".into(), folder.path().join("a.wav"))]).unwrap();
        let path = folder.path().join("x_manifest.json");
        let text = manifest.text();
        fs::write(&path, &text).unwrap();
        assert!(verify(folder.path()).unwrap().iter().all(|file| file.verdict == Verdict::Same));
        for at in 0..text.len() {
            let mut bytes = text.clone().into_bytes();
            bytes[at] ^= 1;
            fs::write(&path, &bytes).unwrap();
            let found = verify(folder.path()).unwrap();
            assert!(
                found
                    .iter()
                    .any(|file| file.verdict == Verdict::Changed || file.verdict == Verdict::Unreadable),
                "byte {at}"
            );
        }
    }
}
