//! Valid inputs of every kind, to be damaged.

use std::path::Path;

use tautline::edit::journal_path;
use tautline::media::{OutputFormat, WavSpec, create_sink};

use crate::build::*;
use crate::common::{self, run};

/// A file of the repository.
pub fn file(path: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

fn words(words: &[&str]) -> Vec<Vec<u8>> {
    words.iter().map(|word| word.as_bytes().to_vec()).collect()
}

pub fn none() -> Vec<Vec<u8>> {
    Vec::new()
}

pub fn wav() -> Vec<Vec<u8>> {
    let data = chunk(b"data", &pack(&integers(40, 24, 2), 3));
    let eight: Vec<u8> = (0..60).map(|n| n * 4).collect();
    vec![
        riff(&[bext(9), fmt(1, 2, 48_000, 24), chunk(b"LIST", b"odd"), data.clone()]),
        riff(&[fmt_extensible(3, 1, 96_000, 32, 32), chunk(b"data", &[0x3e; 64])]),
        riff(&[fmt(3, 1, 44_100, 64), chunk(b"data", &[0x3f; 160])]),
        riff(&[fmt(1, 1, 8_000, 8), chunk(b"data", &eight)]),
        rf64(b"RF64", 120, 40, &[fmt(1, 1, 44_100, 24), chunk_claiming(b"data", u32::MAX, &data[8..])]),
        simple(500),
    ]
}

pub fn wav_words() -> Vec<Vec<u8>> {
    words(&[
        "RIFF", "RF64", "BW64", "WAVE", "fmt ", "data", "bext", "ds64", "LIST", "JUNK", "iXML", "cue ",
        "fact",
    ])
}

/// Broadcast chunks with all their fields, versions 0 to 2 and with a history.
pub fn bext_files() -> Vec<Vec<u8>> {
    let mut whole = vec![b'x'; 602];
    whole[338..346].copy_from_slice(&172_800_000u64.to_le_bytes());
    (0..3u16)
        .map(|version| {
            let mut body = whole.clone();
            body[346..348].copy_from_slice(&version.to_le_bytes());
            body.extend_from_slice(b"A=PCM,F=48000,W=24,M=mono,T=take 3\r\n");
            riff(&[chunk(b"bext", &body), fmt(1, 1, 48_000, 16), chunk(b"data", &[1; 64])])
        })
        .collect()
}

pub fn aiff_files() -> Vec<Vec<u8>> {
    let named = |name: &[u8]| {
        let mut whole =
            [&aiff(&integers(50, 24, 1), 24, 48_000)[..], b"NAME\x00\x00\x00", &[name.len() as u8], name]
                .concat();
        whole[7] += 8 + name.len() as u8;
        whole
    };
    vec![aiff(&integers(50, 16, 1), 16, 44_100), aiff(&integers(200, 8, 1), 8, 22_050), named(b"take")]
}

pub fn aiff_words() -> Vec<Vec<u8>> {
    words(&["FORM", "AIFF", "AIFC", "COMM", "SSND", "NAME", "MARK", "INST", "sowt", "fl32", "NONE"])
}

pub fn flac_files() -> Vec<Vec<u8>> {
    let dir = folder();
    [(OutputFormat::Flac16, 2u16, 12, 900usize), (OutputFormat::Flac16, 1, 16, 5_000)]
        .into_iter()
        .map(|(format, channels, bits, frames)| {
            let path = dir.path().join(format!("{frames}.flac"));
            let mut sink = create_sink(&path, WavSpec { channels, rate: 44_100, format }).unwrap();
            let plane = scaled(&integers(frames, bits, 3), 16);
            sink.write(&vec![&plane[..]; usize::from(channels)]).unwrap();
            sink.finish().unwrap();
            std::fs::read(path).unwrap()
        })
        .collect()
}

pub fn flac_words() -> Vec<Vec<u8>> {
    vec![
        b"fLaC".to_vec(),
        vec![0xff, 0xf8],
        vec![0xff, 0xf9],
        vec![0x80, 0, 0, 34],
        vec![4, 0, 0, 8],
        vec![6, 0, 0, 1],
    ]
}

pub fn lossy() -> Vec<Vec<u8>> {
    ["tone.mp3", "tone.m4a", "tone.aac", "tone.ogg", "tone-alac.m4a"]
        .map(|name| file(&format!("tests/fixtures/{name}")))
        .to_vec()
}

pub fn lossy_words() -> Vec<Vec<u8>> {
    words(&[
        "ID3", "ftyp", "moov", "mdat", "trak", "mdia", "stsd", "stts", "stsz", "stco", "co64", "elst",
        "OggS", "vorbis", "Xing", "LAME", "alac", "esds",
    ])
}

/// A session with cuts, slides, crossfades, branches, marks, a tone and a way for redo.
pub fn session() -> (Vec<u8>, Vec<u8>) {
    let folder = common::quick_folder();
    let mut store = common::store(folder.path(), 3, 240_000);
    for line in [
        "cut at 1s,2s on lane 2",
        "shift -10ms on lane 2 at 2.5s; fade missing 4ms on all",
        "mark \"one\"; undo; gain -3dB on lane 2 at 1.5s; pan 0.5 on lane 3; loop 1s..2s",
        "crossfade 10ms on lane 2; note \"check the t\" at 1s on lane 2; tail to 4s fade 100ms on lane 3",
        "tone highpass 90Hz on lane 2; tone eq 2 bell 300Hz -4dB q 1.4 on lane 2",
    ] {
        run(&mut store, line).unwrap_or_else(|error| panic!("{line}: {error}"));
    }
    store.save().unwrap();
    for line in [
        "bring lane 2 from \"one\"; role harmony on lane 3",
        "mark \"two\"; undo 3; goto \"one\"; solo lane 2",
    ] {
        run(&mut store, line).unwrap_or_else(|error| panic!("{line}: {error}"));
    }
    (std::fs::read(store.path()).unwrap(), std::fs::read(journal_path(store.path())).unwrap())
}

pub fn sessions() -> Vec<Vec<u8>> {
    let (file_bytes, _) = session();
    vec![file_bytes, file("tests/session-v1.json")]
}

pub fn journals() -> Vec<Vec<u8>> {
    vec![session().1]
}

pub fn session_words() -> Vec<Vec<u8>> {
    let schema = String::from_utf8(file("shared/session.schema.json")).unwrap();
    let mut words: Vec<Vec<u8>> = schema
        .split('"')
        .filter(|word| word.len() > 1 && word.len() < 20 && !word.contains(' '))
        .map(|word| format!("\"{word}\"").into_bytes())
        .collect();
    words.sort();
    words.dedup();
    words
}

/// Examples of all verbs, a few on one line.
pub fn lines() -> Vec<Vec<u8>> {
    let mut lines: Vec<Vec<u8>> = tautline::command::VERBS
        .iter()
        .flat_map(|verb| verb.examples)
        .map(|line| line.as_bytes().to_vec())
        .collect();
    lines.push(b"cut at 1.5s on lane 2; shift +12ms on lane 2 at 1.6s..end; fade both 5ms on lane 2; undo; redo # why".to_vec());
    lines
}

pub fn line_words() -> Vec<Vec<u8>> {
    let mut all: Vec<Vec<u8>> = Vec::new();
    for line in lines() {
        all.extend(line.split(|byte| *byte == b' ').map(<[u8]>::to_vec));
    }
    all.extend(words(&[
        "..",
        ",",
        ";",
        "\"",
        "\\",
        "#",
        "99999999999999999999s",
        "1e9s",
        "-0smp",
        "nan",
        "infs",
        "9223372036854775807smp",
        "-9223372036854775808smp",
        "bar 3.2",
        "4294967296.1",
        "word 0",
        "lane 0",
    ]));
    all.sort();
    all.dedup();
    all
}

pub fn keymaps() -> Vec<Vec<u8>> {
    ["two-hands", "left-alone", "number-pad"].map(|name| file(&format!("keymaps/{name}.toml"))).to_vec()
}

pub fn themes() -> Vec<Vec<u8>> {
    ["ember", "paper", "signal"].map(|name| file(&format!("shared/themes/{name}.toml"))).to_vec()
}

pub fn fades() -> Vec<Vec<u8>> {
    vec![file("shared/fades.toml")]
}

pub fn tones() -> Vec<Vec<u8>> {
    vec![file("shared/tones.toml")]
}

pub fn toml_words() -> Vec<Vec<u8>> {
    words(&[
        "[everywhere]",
        "[groups]",
        "[graph]",
        "builds-on",
        "counts",
        "false",
        "true",
        "nan",
        "inf",
        "'''",
        "\"\"\"",
        "[[a]]",
        "a.b.c",
        "1979-05-27T07:32:00Z",
        "{ }",
        "= [",
        "ctrl-",
        "shift-",
        "f12",
        "space",
    ])
}

/// Standard MIDI Files: one track; three tracks with tempi, meters, markers, running status and system exclusive.
pub fn midis() -> Vec<Vec<u8>> {
    let track = |body: &[u8]| [&b"MTrk"[..], &(body.len() as u32).to_be_bytes(), body].concat();
    let head = |tracks: u8| [&b"MThd\0\0\0\x06\0\x01\0"[..], &[tracks], b"\x01\xe0"].concat();
    let tempo = b"\0\xFF\x51\x03\x0A\x2C\x2B\0\xFF\x58\x04\x03\x02\x18\x08\x8B\x20\xFF\x06\x06Chorus\x8B\x20\xFF\x51\x03\x07\xA1\x20\0\xFF\x2F\0";
    let notes = b"\0\x90\x40\x40\x60\x40\0\x10\xc0\x05\0\xf0\x03\x01\x02\xf7\0\xe0\x01\x02\0\xFF\x2F\0";
    let cues = b"\0\xFF\x07\x05verse\x81\x80\x00\xFF\x06\x00\0\xFF\x2F\0";
    vec![[head(1), track(tempo)].concat(), [head(3), track(tempo), track(notes), track(cues)].concat()]
}

pub fn midi_words() -> Vec<Vec<u8>> {
    let mut all = words(&["MThd", "MTrk"]);
    all.extend([
        vec![0xff, 0x51, 3],
        vec![0xff, 0x58, 4],
        vec![0xff, 6],
        vec![0xff, 0x2f, 0],
        vec![0xff; 4],
        vec![0x8f, 0xff, 0xff, 0x7f],
    ]);
    all
}
