//! Output files, read back by hound, symphonia and ourselves.

use std::os::unix::fs::PermissionsExt;

use tautline::media::{
    AudioSink, FlacWriter, MediaErrorKind, OutputFormat, WavSpec, WavWriter, create_sink, create_sink_at,
    probe,
};

use super::build::*;
use super::decoded::decoded;

const ALL: [OutputFormat; 6] = [
    OutputFormat::I16,
    OutputFormat::I24,
    OutputFormat::I32,
    OutputFormat::F32,
    OutputFormat::Flac16,
    OutputFormat::Flac24,
];

fn spec(channels: u16, format: OutputFormat) -> WavSpec {
    WavSpec { channels, rate: 48_000, format }
}

/// Channels of values that `format` holds exactly.
fn exact(channels: u16, frames: usize, format: OutputFormat) -> Vec<Vec<f32>> {
    // f32 itself holds 24 bits.
    let bits = u32::from(format.bits()).min(24);
    (0..channels)
        .map(|c| {
            let values = integers(frames, bits, 17 + u32::from(c));
            let mut plane = scaled(&values, bits);
            if format == OutputFormat::F32 {
                plane.iter_mut().for_each(|x| *x *= 1.37);
            }
            plane
        })
        .collect()
}

fn slices(planes: &[Vec<f32>]) -> Vec<&[f32]> {
    planes.iter().map(Vec::as_slice).collect()
}

#[test]
fn every_format_survives_there_and_back_bit_for_bit() {
    let dir = folder();
    for format in ALL {
        for channels in [1, 2] {
            // An odd number of frames, more than one block of the writer, written in uneven pieces.
            let planes = exact(channels, 70_001, format);
            let path = dir.path().join(format!("out.{}", format.extension()));
            let mut sink = create_sink(&path, spec(channels, format)).unwrap();
            for (start, end) in [(0, 1), (1, 4_000), (4_000, 4_000), (4_000, 69_999), (69_999, 70_001)] {
                let pieces: Vec<&[f32]> = planes.iter().map(|plane| &plane[start..end]).collect();
                sink.write(&pieces).unwrap();
            }
            assert!(!path.exists(), "nothing under the final name before the end");
            sink.finish().unwrap();
            let info = probe(&path).unwrap();
            assert_eq!((info.frames, info.channels, info.rate), (70_001, channels, 48_000), "{format:?}");
            assert!(info.warnings.is_empty(), "{format:?}: {:?}", info.warnings);
            assert_eq!(decoded(&path).1, planes, "{format:?}");
            if !format.is_flac() {
                assert_eq!(read_all(&path), planes, "{format:?}");
                through_hound(&path, &planes, format);
            }
            let mode = std::fs::metadata(&path).unwrap().permissions().mode();
            assert_eq!(mode & 0o444, 0o444, "others may read it");
            std::fs::remove_file(&path).unwrap();
            assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "nothing else is left");
        }
    }
}

fn through_hound(path: &std::path::Path, planes: &[Vec<f32>], format: OutputFormat) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let channels = planes.len();
    let want = (0..planes[0].len() * channels).map(|n| planes[n % channels][n / channels]);
    if format == OutputFormat::F32 {
        assert!(reader.samples::<f32>().map(Result::unwrap).eq(want));
    } else {
        let scale = 2f64.powi(i32::from(format.bits()) - 1);
        let got = reader.samples::<i32>().map(|v| (f64::from(v.unwrap()) / scale) as f32);
        assert!(got.eq(want), "{format:?}");
    }
}

#[test]
fn values_between_steps_are_rounded_and_values_beyond_are_clipped() {
    // libsndfile 1.2.2: round(x·2^(bits-1)), clipped.
    let dir = folder();
    let given = [1.0, -1.0, 0.5, 2.0, -2.0, 0.4 / 32_768.0, 0.6 / 32_768.0, f32::NAN, f32::INFINITY];
    for (format, want) in [
        (OutputFormat::I16, [32_767, -32_768, 16_384, 32_767, -32_768, 0, 1, 0, 0]),
        (OutputFormat::I24, [8_388_607, -8_388_608, 4_194_304, 8_388_607, -8_388_608, 102, 154, 0, 0]),
    ] {
        let path = dir.path().join("x.wav");
        let mut writer = WavWriter::create(&path, spec(1, format), None).unwrap();
        writer.write(&[&given]).unwrap();
        writer.finish().unwrap();
        let got: Vec<i32> = hound::WavReader::open(&path).unwrap().samples().map(Result::unwrap).collect();
        assert_eq!(got, want);
    }
}

#[test]
fn a_start_time_is_written_and_read() {
    let dir = folder();
    let path = dir.path().join("x.wav");
    for format in [OutputFormat::I24, OutputFormat::F32] {
        let mut sink = create_sink_at(&path, spec(1, format), Some(1_728_000_000)).unwrap();
        sink.write(&[&[0.5; 5]]).unwrap();
        sink.finish().unwrap();
        let info = probe(&path).unwrap();
        assert_eq!((info.time_reference, info.frames), (Some(1_728_000_000), 5));
        assert_eq!(decoded(&path).1, [[0.5; 5]]);
    }
}

#[test]
fn dropped_or_refused_writers_leave_the_old_file_and_nothing_else() {
    let dir = folder();
    for format in ALL {
        let path = put(&dir, "x.out", b"the old file");
        let mut sink = create_sink(&path, spec(1, format)).unwrap();
        sink.write(&[&[0.1; 100_000]]).unwrap();
        drop(sink);
        assert_eq!(std::fs::read(&path).unwrap(), b"the old file");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }
    let path = dir.path().join("x.out");
    let mut writer = WavWriter::create(&path, spec(1, OutputFormat::I16), Some(11)).unwrap();
    writer.write(&[&[0.1; 10]]).unwrap();
    assert_eq!(writer.finish().unwrap_err().kind(), MediaErrorKind::Output);
    let mut writer = Box::new(FlacWriter::create(&path, spec(1, OutputFormat::Flac16), Some(11)).unwrap());
    writer.write(&[&[0.1; 10]]).unwrap();
    assert!(writer.finish().is_err());
    assert_eq!(std::fs::read(&path).unwrap(), b"the old file");
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn the_same_samples_give_the_same_bytes() {
    let dir = folder();
    for format in ALL {
        let planes = exact(2, 5_000, format);
        let mut files = Vec::new();
        for name in ["a", "b"] {
            let path = dir.path().join(name);
            let mut sink = create_sink_at(&path, spec(2, format), Some(3)).unwrap();
            let step = if name == "a" { 5_000 } else { 37 };
            for start in (0..5_000).step_by(step) {
                let pieces: Vec<&[f32]> =
                    planes.iter().map(|plane| &plane[start..(start + step).min(5_000)]).collect();
                sink.write(&pieces).unwrap();
            }
            sink.finish().unwrap();
            files.push(std::fs::read(&path).unwrap());
        }
        assert!(files[0] == files[1], "{format:?}");
    }
}

#[test]
fn places_that_cannot_be_written_to_and_specs_that_cannot_be_written() {
    let dir = folder();
    for format in [OutputFormat::I24, OutputFormat::Flac24] {
        let nowhere = dir.path().join("no/such/folder/x.wav");
        let error = create_sink(&nowhere, spec(1, format)).err().unwrap();
        assert_eq!(error.kind(), MediaErrorKind::Output);
        assert!(error.to_string().contains("folder does not exist"), "{error}");
        assert_eq!(create_sink(dir.path(), spec(1, format)).err().unwrap().kind(), MediaErrorKind::Output);
        let path = dir.path().join("x");
        for bad in [spec(0, format), spec(3, format), WavSpec { rate: 0, ..spec(1, format) }] {
            assert_eq!(create_sink(&path, bad).err().unwrap().kind(), MediaErrorKind::Output);
        }
        let mut sink = create_sink(&path, spec(2, format)).unwrap();
        assert!(sink.write(&[&[0.0; 3]]).is_err());
        assert!(sink.write(&[&[0.0; 3], &[0.0; 4]]).is_err());
    }
    assert!(WavWriter::create(&dir.path().join("x"), spec(1, OutputFormat::Flac16), None).is_err());
    assert!(FlacWriter::create(&dir.path().join("x"), spec(1, OutputFormat::I16), None).is_err());
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
}

#[test]
fn a_writer_counts_its_frames() {
    let dir = folder();
    let mut writer =
        WavWriter::create(&dir.path().join("x.wav"), spec(2, OutputFormat::I24), Some(9)).unwrap();
    let planes = exact(2, 9, OutputFormat::I24);
    writer.write(&slices(&planes)).unwrap();
    assert_eq!(writer.frames(), 9);
    writer.finish_synced().unwrap();
    assert_eq!(read_all(&dir.path().join("x.wav")), planes);
}
