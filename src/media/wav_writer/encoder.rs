//! The bytes of a WAV file: a header, samples, and in the end the header again with the true sizes.

use std::io::{self, Seek, SeekFrom, Write};

use super::header::header;
use crate::media::bext::Bext;
use crate::media::coding::encode;
use crate::media::sink::WavSpec;

/// Bytes collected before they are written.
const BLOCK: usize = 128 * 1024;

/// The encoder behind [`WavWriter`](super::WavWriter), over anything that can be written and sought in, so that tests can
/// give it a full disk or a sink that keeps headers only.
#[derive(Debug)]
pub(super) struct WavEncoder<W: Write + Seek> {
    sink: W,
    pub(super) spec: WavSpec,
    pub(super) bext: Option<Bext>,
    /// What has been encoded and not written yet: the first so many bytes.
    block: Vec<u8>,
    filled: usize,
    data_bytes: u64,
}

impl<W: Write + Seek> WavEncoder<W> {
    pub(super) fn new(mut sink: W, spec: WavSpec, bext: Option<Bext>) -> io::Result<WavEncoder<W>> {
        sink.write_all(&header(spec, bext.as_ref(), 0))?;
        Ok(WavEncoder { sink, spec, bext, block: vec![0; BLOCK], filled: 0, data_bytes: 0 })
    }

    fn frame_bytes(&self) -> usize {
        self.spec.format.bytes() * usize::from(self.spec.channels)
    }

    pub(super) fn frames(&self) -> u64 {
        self.data_bytes / self.frame_bytes() as u64
    }

    /// Appends `frames` frames; `planes` must have been checked against `spec`.
    pub(super) fn write(&mut self, planes: &[&[f32]], frames: usize) -> io::Result<()> {
        let frame_bytes = self.frame_bytes();
        let mut done = 0;
        while done < frames {
            let room = (BLOCK - self.filled) / frame_bytes;
            let now = room.min(frames - done);
            let old = self.filled;
            self.filled += now * frame_bytes;
            let out = &mut self.block[old..self.filled];
            match planes {
                [mono] => encode(self.spec.format, &[&mono[done..done + now]], out),
                [left, right] => {
                    encode(self.spec.format, &[&left[done..done + now], &right[done..done + now]], out);
                }
                _ => {}
            }
            self.data_bytes += (now * frame_bytes) as u64;
            done += now;
            if BLOCK - self.filled < frame_bytes {
                self.flush_block()?;
            }
        }
        Ok(())
    }

    fn flush_block(&mut self) -> io::Result<()> {
        let block = self.block.get(..self.filled).unwrap_or_default();
        self.sink.write_all(block)?;
        self.filled = 0;
        Ok(())
    }

    /// Writes what is left and the true sizes; returns the sink.
    pub(super) fn finish(mut self) -> io::Result<W> {
        self.flush_block()?;
        if self.data_bytes % 2 == 1 {
            self.sink.write_all(&[0])?;
        }
        self.sink.seek(SeekFrom::Start(0))?;
        self.sink.write_all(&header(self.spec, self.bext.as_ref(), self.data_bytes))?;
        self.sink.flush()?;
        Ok(self.sink)
    }
}

#[cfg(test)]
mod tests {
    use std::fs::File;
    use std::path::Path;

    use super::*;
    use crate::media::{MediaError, MediaErrorKind, OutputFormat};

    /// Keeps the first bytes and only counts the rest, so that 4 GiB need no disk.
    #[derive(Debug, Default)]
    struct HeadOnly {
        head: Vec<u8>,
        at: u64,
        end: u64,
    }

    impl Write for HeadOnly {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            for (offset, &byte) in bytes.iter().enumerate().take_while(|(o, _)| self.at + (*o as u64) < 1024)
            {
                let index = (self.at + offset as u64) as usize;
                if index >= self.head.len() {
                    self.head.resize(index + 1, 0);
                }
                self.head[index] = byte;
            }
            self.at += bytes.len() as u64;
            self.end = self.end.max(self.at);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for HeadOnly {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            if let SeekFrom::Start(at) = to {
                self.at = at;
            }
            Ok(self.at)
        }
    }

    /// Fails as a full disk does once `room` bytes are written.
    #[derive(Debug)]
    struct FullAfter {
        room: usize,
    }

    impl Write for FullAfter {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if bytes.len() > self.room {
                return Err(io::ErrorKind::StorageFull.into());
            }
            self.room -= bytes.len();
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for FullAfter {
        fn seek(&mut self, _: SeekFrom) -> io::Result<u64> {
            Ok(0)
        }
    }

    const STEREO: WavSpec = WavSpec { channels: 2, rate: 48_000, format: OutputFormat::I24 };

    fn u32_at(bytes: &[u8], at: usize) -> u32 {
        u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
    }

    fn u64_at(bytes: &[u8], at: usize) -> u64 {
        u64::from_le_bytes(bytes[at..at + 8].try_into().unwrap())
    }

    fn written(spec: WavSpec, frames: usize) -> HeadOnly {
        let mut encoder = WavEncoder::new(HeadOnly::default(), spec, None).unwrap();
        let silence = vec![0.0; frames];
        encoder.write(&vec![&silence[..]; usize::from(spec.channels)], frames).unwrap();
        encoder.finish().unwrap()
    }

    /// As `written`, but as if all frames but the last thousand had been written already.
    fn written_long(spec: WavSpec, frames: u64) -> HeadOnly {
        let mut encoder = WavEncoder::new(HeadOnly::default(), spec, None).unwrap();
        let before = (frames - 1_000) * encoder.frame_bytes() as u64;
        encoder.data_bytes = before;
        encoder.sink.at += before;
        let silence = vec![0.0; 1_000];
        encoder.write(&vec![&silence[..]; usize::from(spec.channels)], 1_000).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn more_than_four_gib_through_every_step() {
        let spec = WavSpec { channels: 2, rate: 96_000, format: OutputFormat::F32 };
        let mut encoder = WavEncoder::new(HeadOnly::default(), spec, None).unwrap();
        let block = vec![0.25; 1 << 20];
        for _ in 0..520 {
            encoder.write(&[&block, &block], block.len()).unwrap();
        }
        let frames = 520u64 << 20;
        let out = encoder.finish().unwrap();
        assert_eq!(&out.head[..4], b"RF64");
        assert_eq!([20, 28, 36].map(|at| u64_at(&out.head, at)), [out.end - 8, frames * 8, frames]);
    }

    /// A file in which runs of zeros are holes, so that 4 GiB of silence take no room on the disk.
    #[derive(Debug)]
    struct Sparse(File);

    impl Write for Sparse {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if bytes.iter().all(|byte| *byte == 0) {
                self.0.seek(SeekFrom::Current(bytes.len() as i64))?;
            } else {
                self.0.write_all(bytes)?;
            }
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Seek for Sparse {
        fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
            self.0.seek(to)
        }
    }

    #[test]
    fn a_real_file_beyond_four_gib_is_read_back_by_others() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("long.wav");
        let file = File::options().read(true).write(true).create_new(true).open(&path).unwrap();
        let spec = WavSpec { channels: 2, rate: 96_000, format: OutputFormat::F32 };
        let mut encoder = WavEncoder::new(Sparse(file), spec, Some(Bext::at(96_000))).unwrap();
        let silence = vec![0.0; 1 << 20];
        encoder.write(&[&[0.5; 4], &[0.25; 4]], 4).unwrap();
        for _ in 0..512 {
            encoder.write(&[&silence, &silence], silence.len()).unwrap();
        }
        encoder.write(&[&[-0.5; 4], &[-0.25; 4]], 4).unwrap();
        encoder.finish().unwrap();
        let frames = (512 << 20) + 8;
        assert!(std::fs::metadata(&path).unwrap().len() > 1 << 32);
        let mut reader = crate::media::WavReader::open(&path).unwrap();
        assert_eq!((reader.info().frames, reader.info().container), (frames, crate::media::Container::Rf64));
        assert_eq!(reader.info().time_reference, Some(96_000));
        let (mut left, mut right) = ([0.0; 6], [0.0; 6]);
        reader.read(frames - 6, &mut [&mut left, &mut right]).unwrap();
        assert_eq!(
            (left, right),
            ([0.0, 0.0, -0.5, -0.5, -0.5, -0.5], [0.0, 0.0, -0.25, -0.25, -0.25, -0.25])
        );
        // libsndfile through Python, where it is at hand; tests/reference/handoff_readers.py.
        let python = std::env::var("TAUTLINE_PYTHON").unwrap_or_else(|_| "python3".into());
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/handoff_readers.py");
        let status = std::process::Command::new(python)
            .args([script, "rf64"])
            .arg(&path)
            .arg(frames.to_string())
            .status()
            .map(|status| status.code());
        match status {
            Ok(Some(0)) => {}
            Ok(Some(77)) | Err(_) if std::env::var("TAUTLINE_REQUIRE_PYTHON").as_deref() != Ok("1") => {
                eprintln!(
                    "SKIPPED: no Python with soundfile (TAUTLINE_REQUIRE_PYTHON=1 makes this a failure)"
                );
            }
            other => panic!("libsndfile does not read it: {other:?}"),
        }
    }

    #[test]
    fn the_header_has_the_layout_of_the_standards() {
        // RIFF/WAVE: little-endian, RIFF size = file length - 8; EBU Tech 3306: room for ds64 at byte 12.
        let out = written(STEREO, 10);
        assert_eq!(&out.head[..4], b"RIFF");
        assert_eq!(u64::from(u32_at(&out.head, 4)), out.end - 8);
        assert_eq!(&out.head[8..16], b"WAVEJUNK");
        assert_eq!(u32_at(&out.head, 16), 28);
        assert_eq!(&out.head[48..52], b"fmt ");
        let fmt: Vec<u8> = [16, 0, 0, 0, 1, 0, 2, 0].into_iter().chain(48_000u32.to_le_bytes()).collect();
        assert_eq!(out.head[52..64], fmt);
        assert_eq!(u32_at(&out.head, 64), 288_000);
        assert_eq!(out.head[68..72], [6, 0, 24, 0]);
        assert_eq!(&out.head[72..76], b"data");
        assert_eq!(u32_at(&out.head, 76), 60);
        assert_eq!(out.end, 80 + 60);
    }

    #[test]
    fn an_odd_number_of_bytes_gets_a_pad_byte_that_does_not_count() {
        let out = written(WavSpec { channels: 1, ..STEREO }, 3);
        assert_eq!((u32_at(&out.head, 76), out.end), (9, 80 + 10));
        assert_eq!(u64::from(u32_at(&out.head, 4)), out.end - 8);
    }

    #[test]
    fn turns_into_rf64_exactly_when_32_bits_are_too_few() {
        let spec = WavSpec { channels: 1, rate: 48_000, format: OutputFormat::F32 };
        // The header of a float file has 92 bytes; RIFF size = 84 + data. 0xFFFFFFFF itself means "see ds64".
        let last_small = (u64::from(u32::MAX) - 84) / 4;
        let small = written_long(spec, last_small);
        assert_eq!(&small.head[..4], b"RIFF");
        assert_eq!(u64::from(u32_at(&small.head, 4)), small.end - 8);

        let large = written_long(spec, last_small + 1);
        let data = (last_small + 1) * 4;
        assert_eq!(&large.head[..4], b"RF64");
        assert_eq!(u32_at(&large.head, 4), u32::MAX);
        assert_eq!(&large.head[8..16], b"WAVEds64");
        assert_eq!(u32_at(&large.head, 16), 28);
        // ds64 (EBU Tech 3306): riff size, data size, sample count, table length.
        assert_eq!(u64_at(&large.head, 20), large.end - 8);
        assert_eq!(u64_at(&large.head, 28), data);
        assert_eq!(u64_at(&large.head, 36), last_small + 1);
        assert_eq!(u32_at(&large.head, 44), 0);
        assert_eq!(&large.head[84..88], b"data");
        assert_eq!(u32_at(&large.head, 88), u32::MAX);
        assert_eq!(large.end, 92 + data);
    }

    #[test]
    fn bext_has_its_fields_where_the_standard_puts_them() {
        // EBU Tech 3285: TimeReference at byte 338 of the chunk, Version at 346, 602 bytes without history.
        let out = WavEncoder::new(HeadOnly::default(), STEREO, Some(Bext::at(0x0102_0304_0506))).unwrap();
        let head = out.finish().unwrap().head;
        assert_eq!(&head[48..52], b"bext");
        assert_eq!(u32_at(&head, 52), 602);
        assert_eq!(u64_at(&head, 56 + 338), 0x0102_0304_0506);
        assert_eq!(head[56 + 346..56 + 348], [1, 0]);
        assert_eq!(&head[56 + 602..56 + 606], b"fmt ");
    }

    #[test]
    fn a_disk_that_fills_up_is_reported_wherever_it_happens() {
        let silence = vec![0.0; 100_000];
        assert!(WavEncoder::new(FullAfter { room: 10 }, STEREO, None).is_err());
        let mut encoder = WavEncoder::new(FullAfter { room: 200_000 }, STEREO, None).unwrap();
        let error = encoder.write(&[&silence, &silence], silence.len()).unwrap_err();
        assert_eq!(MediaError::writing(Path::new("x"), error).kind(), MediaErrorKind::Full);
        // The last block is only written by finish.
        let mut encoder = WavEncoder::new(FullAfter { room: 100 }, STEREO, None).unwrap();
        encoder.write(&[&silence[..100], &silence[..100]], 100).unwrap();
        assert_eq!(encoder.finish().unwrap_err().kind(), io::ErrorKind::StorageFull);
    }
}
