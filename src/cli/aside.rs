//! Files of the program's own, written aside and renamed: whoever reads one finds the old one or the new one, whole.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// Writes a file in place of one that may be there; its folder is made. Nobody waits for the disk.
pub fn write(path: &Path, text: &str) -> io::Result<()> {
    fill(path, false, |out| out.write_all(text.as_bytes()))
}

/// As [`write`], but waits until the bytes are on the disk: not even a power cut takes what the user made.
pub fn write_synced(path: &Path, text: &str) -> io::Result<()> {
    fill(path, true, |out| out.write_all(text.as_bytes()))
}

/// Keeps a document. That it can fail does no harm: what is kept so is made again next time.
pub fn keep(path: &Path, document: &impl serde::Serialize) {
    let _ = fill(path, false, |out| Ok(serde_json::to_writer(out, document)?));
}

fn fill(
    path: &Path,
    synced: bool,
    content: impl FnOnce(&mut BufWriter<&mut File>) -> io::Result<()>,
) -> io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(folder)?;
    let mut aside = tempfile::NamedTempFile::new_in(folder)?;
    let mut out = BufWriter::new(aside.as_file_mut());
    content(&mut out)?;
    out.flush()?;
    drop(out);
    if synced {
        aside.as_file().sync_all()?;
    }
    aside.persist(path).map_err(|error| error.error)?;
    Ok(())
}
