//! Bytes from nowhere: whatever stands in a file, reading it ends, does not panic, and delivers no more than is there.

use std::path::PathBuf;
use std::sync::LazyLock;

use proptest::prelude::*;
use tautline::media::{OutputFormat, WavSpec, create_sink};
use tempfile::TempDir;

use super::build::*;

/// Good files of several kinds, to be damaged.
fn seeds() -> Vec<Vec<u8>> {
    let data = chunk(b"data", &pack(&integers(40, 24, 2), 3));
    let mut files = vec![
        riff(&[bext(9), fmt(1, 2, 48_000, 24), chunk(b"LIST", b"odd"), data.clone()]),
        riff(&[fmt_extensible(3, 1, 96_000, 32, 32), chunk(b"data", &[0x3e; 64])]),
        rf64(b"RF64", 120, 40, &[fmt(1, 1, 44_100, 24), chunk_claiming(b"data", u32::MAX, &data[8..])]),
        aiff(&integers(50, 16, 1), 16, 44_100),
        // With a name, whose length may then claim anything.
        [&aiff(&integers(50, 24, 1), 24, 48_000)[..], b"NAME\x00\x00\x00\x04take"].concat(),
        flac(),
    ];
    files[4][7] += 12;
    for name in ["tone.mp3", "tone.m4a", "tone.aac", "tone.ogg", "tone-alac.m4a"] {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures").join(name);
        files.push(std::fs::read(path).unwrap());
    }
    files
}

fn flac() -> Vec<u8> {
    let dir = folder();
    let path = dir.path().join("x.flac");
    let spec = WavSpec { channels: 2, rate: 44_100, format: OutputFormat::Flac16 };
    let mut sink = create_sink(&path, spec).unwrap();
    let plane = scaled(&integers(9_000, 12, 3), 16);
    sink.write(&[&plane, &plane]).unwrap();
    sink.finish().unwrap();
    std::fs::read(path).unwrap()
}

/// Everything that reads files, over one file.
fn exercise(dir: &TempDir, bytes: &[u8]) {
    let path: PathBuf = put(dir, "x.bin", bytes);
    // An error is as good as a report; what they must agree on is held there.
    let _ = read_every_way(&path, bytes.len());
    assert!(most_memory_kib() < 3 << 20, "a length of 4 GiB in a header was believed");
}

/// The most address space that this process ever had, in KiB.
fn most_memory_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmPeak:"));
    line.and_then(|line| line.trim().trim_end_matches("kB").trim().parse().ok()).unwrap_or(0)
}

static SEEDS: LazyLock<Vec<Vec<u8>>> = LazyLock::new(seeds);

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn fuzz_damaged_files(
        seed in 0usize..11,
        hits in prop::collection::vec((0.0f64..1.0, any::<u8>()), 0..8),
        header_hits in prop::collection::vec((0usize..100, prop_oneof![Just(0u8), Just(0xff), any::<u8>()]), 0..6),
        keep in 0.0f64..1.5,
    ) {
        let dir = folder();
        let mut bytes = SEEDS[seed].clone();
        for (place, value) in hits {
            let at = (place * bytes.len() as f64) as usize;
            bytes[at] = value;
        }
        for (at, value) in header_hits {
            if let Some(byte) = bytes.get_mut(at) {
                *byte = value;
            }
        }
        let length = (bytes.len() as f64 * keep.min(1.0)) as usize;
        exercise(&dir, &bytes[..length]);
    }

    #[test]
    fn fuzz_chunks_of_any_kind_and_length(
        chunks in prop::collection::vec(
            (
                prop_oneof![
                    Just(*b"fmt "), Just(*b"data"), Just(*b"bext"), Just(*b"ds64"), Just(*b"LIST"), any::<[u8; 4]>()
                ],
                prop_oneof![Just(0u32), Just(16), Just(u32::MAX), Just(u32::MAX - 1), 0u32..200, any::<u32>()],
                prop_oneof![
                    Just(fmt_body(1, 1, 48_000, 16)),
                    Just(fmt_body(3, 2, 96_000, 32)),
                    prop::collection::vec(any::<u8>(), 0..80),
                ],
                any::<bool>(),
            ),
            0..8,
        ),
        id in prop_oneof![Just(b"RIFF"), Just(b"RF64"), Just(b"BW64")],
    ) {
        let dir = folder();
        let mut bytes = [id.as_slice(), &[0xff; 4], b"WAVE"].concat();
        for (id, claimed, body, honest) in chunks {
            let claimed = if honest { body.len() as u32 } else { claimed };
            bytes.extend(chunk_claiming(&id, claimed, &body));
        }
        exercise(&dir, &bytes);
    }
}
