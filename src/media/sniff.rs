//! Tells what a file is by its first bytes, never by its name.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use super::info::Container;
use super::{MediaError, MediaErrorKind, riff};

const HEAD: usize = 64;

/// What the first bytes say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seems {
    /// A sound file that is read here.
    Sound(Container),
    /// Something else, in words.
    Else(&'static str),
    Unknown,
}

/// Opens a regular, non-empty file.
pub(crate) fn open(path: &Path) -> Result<File, MediaError> {
    // A named pipe would block the open for ever, so the kind of file is looked at first.
    let meta = std::fs::metadata(path).map_err(|e| MediaError::reading(path, e))?;
    if !meta.is_file() {
        let what = if meta.is_dir() { "it is a folder" } else { "it is not a plain file" };
        return Err(MediaError::new(MediaErrorKind::Unreadable, path, what, "name a sound file"));
    }
    if meta.len() == 0 {
        return Err(MediaError::damaged(path, "the file is empty"));
    }
    File::open(path).map_err(|e| MediaError::reading(path, e))
}

/// The container of the open file at `path`.
pub(crate) fn container(file: &File, path: &Path) -> Result<Container, MediaError> {
    let mut head = [0; HEAD];
    let mut got = 0;
    while got < HEAD {
        match file.read_at(&mut head[got..], got as u64) {
            Ok(0) => break,
            Ok(more) => got += more,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(MediaError::reading(path, e)),
        }
    }
    let head = &head[..got];
    match seems(head) {
        Seems::Sound(container) => Ok(container),
        Seems::Else(what) => {
            Err(MediaError::damaged(path, format!("it is not a sound file: it looks like {what}")))
        }
        Seems::Unknown if got < 12 => {
            Err(MediaError::damaged(path, format!("it has only {got} bytes, too few for a sound file")))
        }
        Seems::Unknown => Err(MediaError::unsupported(
            path,
            "it is no sound file of a known kind",
            "WAV, RF64, AIFF, FLAC, MP3, AAC, M4A and Ogg Vorbis files are taken",
        )),
    }
}

/// An error unless the file is WAV, RF64 or BW64.
pub(crate) fn expect_wave(file: &File, path: &Path) -> Result<(), MediaError> {
    match container(file, path)? {
        Container::Wav | Container::Rf64 => Ok(()),
        other => Err(MediaError::unsupported(
            path,
            format!("it is {other:?}, not WAV, and has to be converted before its samples can be reached"),
            "take it in through the session, which makes a working copy",
        )),
    }
}

fn seems(head: &[u8]) -> Seems {
    let at = |offset: usize, text: &[u8]| head.get(offset..offset + text.len()) == Some(text);
    if riff::is_wave(head) {
        return Seems::Sound(if head.starts_with(b"RIFF") { Container::Wav } else { Container::Rf64 });
    }
    match head {
        [b'F', b'O', b'R', b'M', ..] if at(8, b"AIFF") || at(8, b"AIFC") => Seems::Sound(Container::Aiff),
        [b'f', b'L', b'a', b'C', ..] => Seems::Sound(Container::Flac),
        [b'O', b'g', b'g', b'S', ..] => Seems::Sound(Container::Ogg),
        [b'I', b'D', b'3', ..] => Seems::Sound(Container::Mp3),
        _ if at(4, b"ftyp") => Seems::Sound(Container::M4a),
        [0xff, 0xd8, 0xff, ..] => Seems::Else("a JPEG picture"),
        [0xff, second, ..] if second & 0xf6 == 0xf0 => Seems::Sound(Container::Aac),
        [0xff, second, ..] if second & 0xe0 == 0xe0 && second & 0x06 != 0 => Seems::Sound(Container::Mp3),
        [0x89, b'P', b'N', b'G', ..] => Seems::Else("a PNG picture"),
        [b'%', b'P', b'D', b'F', ..] => Seems::Else("a PDF document"),
        [b'P', b'K', 3, 4, ..] => Seems::Else("a ZIP archive"),
        [0x1f, 0x8b, ..] => Seems::Else("a compressed archive"),
        [b'R', b'I', b'F', b'X', ..] => Seems::Else("a big-endian RIFF file, which is not read"),
        [b'R', b'I', b'F', b'F', ..] => {
            Seems::Else("a RIFF file of another kind than WAVE, or a cut-off one")
        }
        _ if head.iter().all(|b| *b == 0) => {
            Seems::Else("a file of zero bytes only, as a failed copy leaves it")
        }
        _ if is_text(head) => Seems::Else("text"),
        _ => Seems::Unknown,
    }
}

fn is_text(head: &[u8]) -> bool {
    let text = match std::str::from_utf8(head) {
        Ok(text) => text,
        // A character may be cut off where the first bytes end.
        Err(e) if e.error_len().is_none() => std::str::from_utf8(&head[..e.valid_up_to()]).unwrap_or(""),
        Err(_) => "",
    };
    text.len() >= 4 && text.chars().all(|c| matches!(c, '\t' | '\n' | '\r') || !c.is_control())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn first_bytes_tell_the_kind() {
        let rows: [(&[u8], Seems); 12] = [
            (b"RIFF\0\0\0\0WAVEfmt ", Seems::Sound(Container::Wav)),
            (b"FORM\0\0\0\0AIFFCOMM", Seems::Sound(Container::Aiff)),
            (b"fLaC\0\0\0\x22", Seems::Sound(Container::Flac)),
            (b"OggS\0\x02", Seems::Sound(Container::Ogg)),
            (b"ID3\x04\0\0", Seems::Sound(Container::Mp3)),
            (b"\xff\xfb\x90\x00", Seems::Sound(Container::Mp3)),
            (b"\xff\xf1\x50\x80", Seems::Sound(Container::Aac)),
            (b"\0\0\0\x20ftypM4A ", Seems::Sound(Container::M4a)),
            (b"\xff\xd8\xff\xe0\0\x10JFIF", Seems::Else("a JPEG picture")),
            (b"take one, good\n", Seems::Else("text")),
            (b"RIFF\0\0\0\0AVI LIST", Seems::Else("a RIFF file of another kind than WAVE, or a cut-off one")),
            (b"\x01\x02\x03\x04\x05", Seems::Unknown),
        ];
        for (head, want) in rows {
            assert_eq!(seems(head), want, "{head:?}");
        }
    }
}
