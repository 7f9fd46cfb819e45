//! The way of a rendered signal into its file: other rate, measurement, dither, coding.

use crate::media::{AudioSink, BextLoudness, MediaError, Resampler};
use crate::sound::dither::Dither;
use crate::sound::loudness::{Loudness, LoudnessMeter};

use super::report::{Level, Picture};

/// What is to become of a signal on its way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Way {
    /// Channels: 1 or 2.
    pub channels: u16,
    /// Rate of what comes in, in Hz.
    pub rate: u32,
    /// Rate of the file in Hz.
    pub file_rate: u32,
    /// Frames that come in.
    pub frames: u64,
    /// Frames of the file.
    pub file_frames: u64,
    /// Bits of an integer file for which dither is wanted.
    pub dither_bits: Option<u16>,
    /// Where the random numbers begin.
    pub seed: u64,
    /// Whether loudness is measured.
    pub loudness: bool,
}

/// Takes a signal block by block to its file. Without a file it only measures.
pub(super) struct Outlet {
    resampler: Option<Resampler>,
    file: File,
}

struct File {
    picture: Picture,
    level: Level,
    loudness: Option<LoudnessMeter>,
    dither: Vec<Dither>,
    /// Where dither works, since what comes in is not ours to change.
    room: [Vec<f32>; 2],
    sink: Option<Box<dyn AudioSink>>,
}

/// What an [`Outlet`] saw pass by.
#[derive(Debug, Clone)]
pub(super) struct Passed {
    pub level: Level,
    pub picture: Picture,
    pub loudness: Option<Loudness>,
    pub dithered: u64,
}

impl Outlet {
    /// `path` is for messages.
    pub(super) fn new(
        path: &std::path::Path,
        way: Way,
        sink: Option<Box<dyn AudioSink>>,
    ) -> Result<Outlet, MediaError> {
        let channels = usize::from(way.channels);
        let resampler = (way.rate != way.file_rate)
            .then(|| Resampler::new(path, way.rate, way.file_rate, channels, way.frames))
            .transpose()?;
        let seeds = (0..u64::from(way.channels)).map(|channel| way.seed * 2 + channel + 1);
        let dither = way.dither_bits.map(|bits| seeds.map(|seed| Dither::new(bits, seed)).collect());
        let file = File {
            picture: Picture::new(way.file_frames),
            level: Level::default(),
            loudness: way.loudness.then(|| LoudnessMeter::new(way.channels, way.file_rate)),
            dither: dither.unwrap_or_default(),
            room: [Vec::new(), Vec::new()],
            sink,
        };
        Ok(Outlet { resampler, file })
    }

    pub(super) fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        let Outlet { resampler, file } = self;
        match resampler {
            Some(resampler) => resampler.push(planes, &mut |out| file.write(out)),
            None => file.write(planes),
        }
    }

    /// Completes the file.
    pub(super) fn finish(self) -> Result<Passed, MediaError> {
        let Outlet { resampler, mut file } = self;
        if let Some(mut resampler) = resampler {
            resampler.finish(&mut |out| file.write(out))?;
        }
        let loudness = file.loudness.map(|meter| meter.result());
        if let Some(mut sink) = file.sink {
            if let Some(known) = loudness {
                sink.set_loudness(BextLoudness {
                    integrated: known.integrated_lufs,
                    range: known.range_lu,
                    true_peak: known.true_peak_db,
                    momentary: known.momentary_lufs,
                    short_term: known.short_term_lufs,
                });
            }
            sink.finish()?;
        }
        let dithered = file.dither.iter().map(Dither::dithered).sum();
        Ok(Passed { level: file.level, picture: file.picture, loudness, dithered })
    }
}

/// Frames that are measured, dithered and coded at a time, so that they stay in the fastest cache meanwhile.
pub(super) const PIECE: usize = 4096;

impl File {
    fn write(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        match planes {
            [mono] => mono.chunks(PIECE).try_for_each(|mono| self.write_piece(&[mono])),
            [left, right] => {
                let mut pieces = left.chunks(PIECE).zip(right.chunks(PIECE));
                pieces.try_for_each(|(left, right)| self.write_piece(&[left, right]))
            }
            _ => self.write_piece(planes),
        }
    }

    fn write_piece(&mut self, planes: &[&[f32]]) -> Result<(), MediaError> {
        let peak = self.picture.add(planes);
        self.level.add(peak, planes);
        if let Some(meter) = &mut self.loudness {
            meter.add(planes);
        }
        let Some(sink) = &mut self.sink else { return Ok(()) };
        if self.dither.is_empty() {
            return sink.write(planes);
        }
        for ((dither, room), plane) in self.dither.iter_mut().zip(&mut self.room).zip(planes) {
            room.clear();
            room.extend_from_slice(plane);
            dither.process(room);
        }
        match (planes, &self.room) {
            ([_], [mono, _]) => sink.write(&[mono]),
            (_, [left, right]) => sink.write(&[left, right]),
        }
    }
}
