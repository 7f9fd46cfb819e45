//! AIFF, FLAC and compressed files from start to end, through symphonia.
//!
//! A recording must keep its timing: a packet that cannot be decoded becomes silence of its length instead of being
//! left out. What a header says about the length is not believed; the length is what came out.

use std::io;
use std::panic::AssertUnwindSafe;
use std::path::{Path, PathBuf};

use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::errors::Error;
use symphonia::core::formats::FormatReader;
use symphonia::core::packet::Packet;
use symphonia::core::units::TimeBase;

use super::coding::remove_nonfinite;
use super::demux::{self, sample_kind, unreadable};
use super::guard::guard;
use super::info::{AudioInfo, Container, MAX_RATE, SampleKind};
use super::riff::{check_channels, check_rate};
use super::{MediaError, sniff};

/// Frames of silence delivered at a time for packets that could not be decoded.
const QUIET: u64 = 4_096;
/// Undecodable packets in a row after which the rest of the file is given up.
const PATIENCE: usize = 1_000;
/// Longest damaged stretch, in seconds, that is bridged by silence.
const BRIDGE: u64 = 60;
/// Frames lost in all after which the rest of the file is given up: ten minutes at 48 kHz.
const MOST_LOST: u64 = 28_800_000;
/// Longest recording taken, in frames (about 800 hours at 384 kHz): stops files that expand without end.
const MAX_FRAMES: u64 = 1 << 40;

/// Delivers a file block by block as planar `f32`; memory is one packet, whatever the length.
pub(crate) struct Decoder {
    path: PathBuf,
    bytes: u64,
    container: Container,
    sample: SampleKind,
    reader: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    time_base: Option<TimeBase>,
    start: i64,
    /// A packet that waits until the gap before it is filled.
    held: Option<Packet>,
    /// Frames accounted for so far, lost ones included.
    position: u64,
    promised: Option<u64>,
    channels: u16,
    rate: u32,
    block: Vec<Vec<f32>>,
    /// `block` holds samples that were not delivered yet.
    pending: bool,
    quiet: Vec<Vec<f32>>,
    /// Frames of silence to deliver before anything else.
    owed: u64,
    done: u64,
    lost: u64,
    nonfinite: u64,
    ended: bool,
    /// Reading stopped at something that could not be understood.
    broken_off: bool,
    warnings: Vec<String>,
}

enum Next {
    Packet(Packet),
    Skip,
    End,
}

enum Step {
    Samples,
    Lost(u64),
    End,
}

impl Decoder {
    /// Opens `path` and decodes its first packet, from which rate and channels are known.
    pub(crate) fn open(path: &Path) -> Result<Decoder, MediaError> {
        let file = sniff::open(path)?;
        let container = sniff::container(&file, path)?;
        let bytes = file.metadata().map_err(|e| MediaError::reading(path, e))?.len();
        let (reader, decoder, track) = demux::open(file, path, container)?;
        let parameters = track.codec_params.as_ref().and_then(|p| p.audio());
        let mut opened = Decoder {
            path: path.to_path_buf(),
            bytes,
            container,
            sample: parameters.map_or(SampleKind::Compressed, sample_kind),
            reader,
            decoder,
            track: track.id,
            time_base: track.time_base,
            start: track.start_ts.get(),
            held: None,
            position: 0,
            promised: track.num_frames,
            channels: 0,
            rate: parameters.and_then(|p| p.sample_rate).unwrap_or(0),
            block: Vec::new(),
            pending: false,
            quiet: Vec::new(),
            owed: 0,
            done: 0,
            lost: 0,
            nonfinite: 0,
            ended: false,
            broken_off: false,
            warnings: Vec::new(),
        };
        opened.first_packet()?;
        Ok(opened)
    }

    fn first_packet(&mut self) -> Result<(), MediaError> {
        loop {
            match self.step()? {
                Step::Samples => break,
                Step::Lost(frames) => self.owed += frames,
                Step::End => {
                    return Err(MediaError::damaged(&self.path, "it holds no samples that can be decoded"));
                }
            }
        }
        self.pending = true;
        self.quiet = vec![Vec::new(); self.block.len()];
        Ok(())
    }

    /// Sample rate in Hz.
    pub(crate) fn rate(&self) -> u32 {
        self.rate
    }

    /// Channels: 1 or 2.
    pub(crate) fn channels(&self) -> u16 {
        self.channels
    }

    /// How the samples are stored.
    pub(crate) fn sample(&self) -> SampleKind {
        self.sample
    }

    /// The length in frames that the header promises, 0 if it does not. For progress only.
    pub(crate) fn promised(&self) -> u64 {
        self.promised.unwrap_or(0)
    }

    /// The next block, one vector per channel; `None` at the end.
    pub(crate) fn next(&mut self) -> Result<Option<&[Vec<f32>]>, MediaError> {
        loop {
            if self.owed > 0 {
                let frames = self.owed.min(QUIET);
                self.owed -= frames;
                self.count(frames)?;
                self.quiet.iter_mut().for_each(|plane| plane.resize(frames as usize, 0.0));
                return Ok(Some(&self.quiet));
            }
            if std::mem::take(&mut self.pending) {
                self.count(self.block.first().map_or(0, Vec::len) as u64)?;
                return Ok(Some(&self.block));
            }
            match self.step()? {
                Step::Samples => self.pending = true,
                Step::Lost(frames) => self.owed = frames,
                Step::End => return Ok(None),
            }
        }
    }

    fn count(&mut self, frames: u64) -> Result<(), MediaError> {
        self.done += frames;
        if self.done > MAX_FRAMES {
            return Err(MediaError::damaged(&self.path, "it expands without end"));
        }
        Ok(())
    }

    /// Decodes one packet into `block`.
    fn step(&mut self) -> Result<Step, MediaError> {
        let path = self.path.clone();
        guard(&path, AssertUnwindSafe(|| self.step_unguarded()))?
    }

    fn step_unguarded(&mut self) -> Result<Step, MediaError> {
        for _ in 0..PATIENCE {
            let packet = match self.next_packet()? {
                Next::Packet(packet) => packet,
                Next::Skip => continue,
                Next::End => return Ok(Step::End),
            };
            let gap = self.gap_before(&packet);
            if gap > BRIDGE * u64::from(self.rate.min(MAX_RATE)) {
                return Ok(self.end(Some("it has a long damaged stretch; it was read up to there")));
            }
            if gap > 0 {
                self.held = Some(packet);
                return Ok(self.lose(gap));
            }
            if let Some(step) = self.decode(&packet)? {
                return Ok(step);
            }
        }
        Ok(self.end(Some("it has a long damaged stretch; it was read up to there")))
    }

    fn next_packet(&mut self) -> Result<Next, MediaError> {
        if self.ended {
            return Ok(Next::End);
        }
        if let Some(packet) = self.held.take() {
            return Ok(Next::Packet(packet));
        }
        let warning = match self.reader.next_packet() {
            Ok(Some(packet)) if packet.track_id == self.track => return Ok(Next::Packet(packet)),
            Ok(Some(_)) | Err(Error::DecodeError(_)) => return Ok(Next::Skip),
            Ok(None) => None,
            Err(Error::ResetRequired) => {
                Some("it is several recordings in one file; only the first was read")
            }
            Err(Error::IoError(e)) if e.kind() != io::ErrorKind::UnexpectedEof => {
                return Err(MediaError::reading(&self.path, e));
            }
            Err(_) => {
                self.broken_off = true;
                Some("it is cut short or damaged; what came before was read")
            }
        };
        self.end(warning);
        Ok(Next::End)
    }

    /// Frames missing before `packet`: damaged packets that the demuxer itself has left out. Only lossless files count
    /// their frames without doubt.
    fn gap_before(&self, packet: &Packet) -> u64 {
        if self.sample == SampleKind::Compressed {
            return 0;
        }
        let ticks = packet.pts.get().saturating_sub(self.start);
        self.frames_in(u64::try_from(ticks).unwrap_or(0)).saturating_sub(self.position)
    }

    /// Decodes `packet` into `block`; nothing if it holds no frames.
    fn decode(&mut self, packet: &Packet) -> Result<Option<Step>, MediaError> {
        let audio = match self.decoder.decode(packet) {
            Ok(audio) => audio,
            Err(Error::DecodeError(_) | Error::IoError(_)) => {
                let frames = self.frames_in(packet.dur.get()).min(u64::from(self.rate.min(MAX_RATE)));
                return Ok(Some(self.lose(frames)));
            }
            Err(e) => return Err(unreadable(&self.path, e)),
        };
        if audio.frames() == 0 {
            return Ok(None);
        }
        let (rate, channels) = (audio.spec().rate(), audio.spec().channels().count());
        if self.channels == 0 {
            self.channels = u16::try_from(channels).unwrap_or(u16::MAX);
            self.rate = rate;
            check_channels(self.channels, &self.path)?;
            check_rate(rate, &self.path)?;
        } else if (self.rate, usize::from(self.channels)) != (rate, channels) {
            return Ok(Some(
                self.end(Some("its rate or its channels change on the way; it was read up to there")),
            ));
        }
        self.position = self.position.saturating_add(audio.frames() as u64);
        audio.copy_to_vecs_planar(&mut self.block);
        let mut planes: Vec<&mut [f32]> = self.block.iter_mut().map(Vec::as_mut_slice).collect();
        self.nonfinite += remove_nonfinite(&mut planes);
        Ok(Some(Step::Samples))
    }

    fn end(&mut self, warning: Option<&str>) -> Step {
        self.ended = true;
        self.warnings.extend(warning.map(str::to_owned));
        Step::End
    }

    /// Notes that `frames` are lost. A file that is nothing but damage would otherwise expand into hours of silence.
    fn lose(&mut self, frames: u64) -> Step {
        if self.lost > MOST_LOST {
            return self.end(Some("most of it is damaged; it was read up to there"));
        }
        self.lost = self.lost.saturating_add(frames);
        self.position = self.position.saturating_add(frames);
        Step::Lost(frames)
    }

    /// Frames in `ticks` of the track's own clock.
    fn frames_in(&self, ticks: u64) -> u64 {
        let Some(base) = self.time_base else { return ticks };
        let frames = u128::from(ticks) * u128::from(self.rate) * u128::from(base.numer.get());
        u64::try_from(frames / u128::from(base.denom.get())).unwrap_or(u64::MAX)
    }

    /// What is known now that the file was read to its end.
    pub(crate) fn info(&self) -> AudioInfo {
        let mut warnings = self.warnings.clone();
        if self.lost > 0 {
            warnings.push(format!("it is damaged: {} frames could not be decoded and are silent", self.lost));
        }
        let lacking =
            self.promised.filter(|promised| *promised > self.done && self.sample != SampleKind::Compressed);
        if let Some(promised) = lacking {
            warnings.push(format!(
                "it is cut short: the header promises {promised} frames, {} are there and were read",
                self.done
            ));
        }
        if matches!(self.container, Container::Mp3 | Container::Aac | Container::M4a)
            && self.sample == SampleKind::Compressed
        {
            warnings.push(
                "compressed files of this kind start late by some tens of milliseconds; shift the lane by ear".to_owned(),
            );
        }
        AudioInfo {
            container: self.container,
            sample: self.sample,
            channels: self.channels,
            rate: self.rate,
            frames: self.done,
            bytes: self.bytes,
            time_reference: None,
            // What follows the last frame of a lossy file is often a tag, not damage.
            cut_short: lacking.is_some() || (self.broken_off && self.sample != SampleKind::Compressed),
            warnings,
        }
    }

    /// Samples so far that were not finite and came out as 0.
    pub(crate) fn nonfinite(&self) -> u64 {
        self.nonfinite
    }
}
