//! Sound devices through cpal. Everything that knows cpal is in this file.
//!
//! What cpal and ALSA are like, and what is done about it: periods are of any length (the engine takes any); errors
//! come in storms after an underrun (counted with atomics, nothing else); a dead sound server spins in errors or falls silent
//! without a word (a watchdog asks for callbacks and counts errors); the library prints on standard error
//! ([`Quiet`]); not every device can pause (the stream runs on and plays silence).

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, ErrorKind, FromSample, SampleFormat, SizedSample, StreamConfig, SupportedBufferSize};

use super::resampled::Resampled;
use super::{AuditionError, DeviceInfo, Lease, Output, OutputInfo, OutputState, device_names};
use crate::audition::quiet::Quiet;

/// Frames of a period unless told otherwise.
const PERIOD: u32 = 512;
/// Frames handed over at a time inside a callback.
const PIECE: usize = 1024;
/// More errors than this within a second are no hiccups of a device that plays.
const STORM: u64 = 20_000;
/// A device that asks for nothing for so long is gone; at the start it may take longer.
const SILENCE: Duration = Duration::from_secs(1);
const START: Duration = Duration::from_secs(4);
/// How long opening may take.
const OPENING: Duration = Duration::from_secs(4);
const FORMATS: [SampleFormat; 3] = [SampleFormat::F32, SampleFormat::I32, SampleFormat::I16];

/// The devices that can play.
pub(super) fn list() -> Result<Vec<DeviceInfo>, AuditionError> {
    let _quiet = Quiet::new(None).ok();
    let host = cpal::default_host();
    let default = host.default_output_device().and_then(|device| device.id().ok());
    let devices = host.output_devices().map_err(|error| told("any", &error))?;
    let describe = |device: cpal::Device| {
        let id = device.id().ok()?;
        let description = device.description().ok();
        let ranges: Vec<_> = device.supported_output_configs().map_or_else(|_| Vec::new(), Iterator::collect);
        let rates = ranges.iter().map(|range| (range.min_sample_rate(), range.max_sample_rate()));
        let buffers = ranges.iter().filter_map(|range| match range.buffer_size() {
            SupportedBufferSize::Range { min, max } => Some((*min, *max)),
            SupportedBufferSize::Unknown => None,
        });
        let widest = |a: (u32, u32), b: (u32, u32)| (a.0.min(b.0), a.1.max(b.1));
        Some(DeviceInfo {
            name: id.id().to_owned(),
            description: description.map_or(String::new(), |description| description.name().to_owned()),
            default: default.as_ref() == Some(&id),
            rates: rates.reduce(widest),
            channels: ranges.iter().map(|range| range.channels()).max(),
            buffers: buffers.reduce(widest),
        })
    };
    // Plug-ins that convert for others are listed as devices and cannot play.
    Ok(devices.filter_map(describe).filter(|device| device.rates.is_some()).collect())
}

/// Opens a device and starts its stream.
pub(super) fn open(
    name: Option<&str>,
    buffer: Option<u32>,
    mut lease: Lease,
) -> Result<Box<dyn Output>, AuditionError> {
    let _quiet = Quiet::new(None).ok();
    let device = find(name)?;
    let shown = device.id().map_or_else(|_| "default".to_owned(), |id| id.id().to_owned());
    let rate = lease.engine().map_or(48_000, |engine| engine.rate());
    let (format, config) = configure(&device, &shown, rate, buffer)?;
    let unsupported = |why: String| AuditionError::Unsupported { device: shown.clone(), why };
    let resampled = if config.sample_rate == rate {
        None
    } else {
        Some(Resampled::new(rate, config.sample_rate).map_err(unsupported)?)
    };
    let watch = Arc::new(Watch::default());
    let callback = Callback {
        lease,
        extra: resampled.as_ref().map_or(0, Resampled::latency) as u64,
        resampled,
        channels: usize::from(config.channels).max(1),
        piece: vec![0.0; PIECE * 2],
        watch: Arc::clone(&watch),
        device_rate: config.sample_rate,
    };
    let stream = match format {
        SampleFormat::F32 => build::<f32>(&device, config, callback),
        SampleFormat::I32 => build::<i32>(&device, config, callback),
        _ => build::<i16>(&device, config, callback),
    };
    let stream = stream.map_err(|error| told(&shown, &error))?;
    stream.play().map_err(|error| told(&shown, &error))?;
    let info = OutputInfo {
        name: format!("device:{shown}"),
        rate: config.sample_rate,
        buffer: stream.buffer_size().ok(),
        resampled: config.sample_rate != rate,
    };
    let now = Instant::now();
    Ok(Box::new(DeviceOutput {
        _stream: stream,
        info,
        engine_rate: rate,
        watch,
        calls: (0, now + START.saturating_sub(SILENCE)),
        errors: (0, now),
    }))
}

fn find(name: Option<&str>) -> Result<cpal::Device, AuditionError> {
    let host = cpal::default_host();
    let missing = || AuditionError::NoDevice { wanted: name.map(str::to_owned), have: device_names() };
    let Some(name) = name else { return host.default_output_device().ok_or_else(missing) };
    let mut devices = host.output_devices().map_err(|error| told(name, &error))?;
    let called = |device: &cpal::Device| {
        device.id().is_ok_and(|id| id.id() == name)
            || device.description().is_ok_and(|description| description.name() == name)
    };
    devices.find(called).ok_or_else(missing)
}

/// The format and the configuration that alter the sound least: the session's rate, two channels, float.
fn configure(
    device: &cpal::Device,
    name: &str,
    rate: u32,
    buffer: Option<u32>,
) -> Result<(SampleFormat, StreamConfig), AuditionError> {
    let ranges = device.supported_output_configs().map_err(|error| told(name, &error))?;
    let distance = |range: &cpal::SupportedStreamConfigRange| {
        let nearest = rate.clamp(range.min_sample_rate(), range.max_sample_rate());
        // A lower rate loses the top of the sound; a higher one does not.
        let off =
            if nearest >= rate { u64::from(nearest - rate) } else { 1_000_000 + u64::from(rate - nearest) };
        let width = match range.channels() {
            2 => 0,
            1 => 1000,
            more => u32::from(more),
        };
        let format = FORMATS.iter().position(|format| *format == range.sample_format()).unwrap_or(9);
        (off, width, format)
    };
    let usable = ranges.filter(|range| FORMATS.contains(&range.sample_format()) && range.channels() > 0);
    let why = || AuditionError::Unsupported {
        device: name.to_owned(),
        why: "it takes neither 32-bit float nor 16-bit or 32-bit integer samples".into(),
    };
    let range = usable.min_by_key(distance).ok_or_else(why)?;
    let frames = buffer.unwrap_or(PERIOD);
    let frames = match range.buffer_size() {
        SupportedBufferSize::Range { min, max } if min <= max => frames.clamp(*min, *max),
        _ => frames,
    };
    let sample_rate = rate.clamp(range.min_sample_rate(), range.max_sample_rate());
    let buffer_size = BufferSize::Fixed(frames);
    Ok((range.sample_format(), StreamConfig { channels: range.channels(), sample_rate, buffer_size }))
}

/// What the callbacks tell.
#[derive(Debug, Default)]
struct Watch {
    callbacks: AtomicU64,
    errors: AtomicU64,
    /// Frames of the device from the callback to the ear.
    latency: AtomicU64,
    /// 1: the device is gone.
    gone: AtomicU8,
}

struct Callback {
    lease: Lease,
    resampled: Option<Resampled>,
    extra: u64,
    channels: usize,
    piece: Vec<f32>,
    watch: Arc<Watch>,
    device_rate: u32,
}

impl Callback {
    /// Realtime-safe.
    fn fill<T: SizedSample + FromSample<f32>>(&mut self, out: &mut [T], delay: Duration) {
        let Callback { lease, resampled, channels, piece, .. } = self;
        let Some(engine) = lease.engine() else { return };
        for out in out.chunks_mut(PIECE * *channels) {
            let frames = out.len() / *channels;
            let piece = &mut piece[..frames * 2];
            match resampled {
                None => engine.render(piece),
                Some(resampled) => resampled.fill(engine, piece),
            }
            for (frame, stereo) in out.chunks_exact_mut(*channels).zip(piece.chunks_exact(2)) {
                spread(frame, stereo);
            }
        }
        let frames = delay.as_micros() as u64 * u64::from(self.device_rate) / 1_000_000;
        self.watch.latency.store(frames + self.extra, Ordering::Relaxed);
        self.watch.callbacks.fetch_add(1, Ordering::Relaxed);
    }
}

fn spread<T: SizedSample + FromSample<f32>>(frame: &mut [T], stereo: &[f32]) {
    match (frame, stereo) {
        ([mono], [left, right]) => *mono = T::from_sample((left + right) * 0.5),
        ([a, b, rest @ ..], [left, right]) => {
            (*a, *b) = (T::from_sample(*left), T::from_sample(*right));
            rest.fill(T::from_sample(0.0));
        }
        _ => {}
    }
}

fn build<T: SizedSample + FromSample<f32>>(
    device: &cpal::Device,
    config: StreamConfig,
    mut callback: Callback,
) -> Result<cpal::Stream, cpal::Error> {
    let watch = Arc::clone(&callback.watch);
    let fill = move |out: &mut [T], info: &cpal::OutputCallbackInfo| {
        let times = info.timestamp();
        callback.fill(out, times.playback.saturating_duration_since(times.callback));
    };
    let failed = move |error: cpal::Error| {
        watch.errors.fetch_add(1, Ordering::Relaxed);
        let gone = matches!(
            error.kind(),
            ErrorKind::DeviceNotAvailable | ErrorKind::StreamInvalidated | ErrorKind::HostUnavailable
        );
        if gone {
            watch.gone.store(1, Ordering::Relaxed);
        }
    };
    device.build_output_stream(config, fill, failed, Some(OPENING))
}

struct DeviceOutput {
    _stream: cpal::Stream,
    info: OutputInfo,
    engine_rate: u32,
    watch: Arc<Watch>,
    /// Callbacks when they last moved on, and when that was.
    calls: (u64, Instant),
    /// Errors at the start of the present second, and when that was.
    errors: (u64, Instant),
}

impl DeviceOutput {
    fn trouble(&mut self) -> Option<String> {
        let now = Instant::now();
        let (calls, errors) =
            (self.watch.callbacks.load(Ordering::Relaxed), self.watch.errors.load(Ordering::Relaxed));
        if calls != self.calls.0 {
            self.calls = (calls, now);
        }
        if now.saturating_duration_since(self.errors.1) > Duration::from_secs(1) {
            self.errors = (errors, now);
        }
        if self.watch.gone.load(Ordering::Relaxed) != 0 {
            return Some("the system says that it is not there any more".into());
        }
        if errors.saturating_sub(self.errors.0) > STORM {
            return Some("it answers with nothing but errors".into());
        }
        (now.saturating_duration_since(self.calls.1) > SILENCE)
            .then(|| "it has not asked for sound for a second".into())
    }
}

impl Output for DeviceOutput {
    fn info(&self) -> OutputInfo {
        self.info.clone()
    }

    fn state(&mut self) -> OutputState {
        match self.trouble() {
            None => OutputState::Running,
            Some(why) => {
                // What is there is asked for later, when this stream is closed.
                let device = self.info.name.trim_start_matches("device:").to_owned();
                OutputState::Failed(AuditionError::Lost { device, why, have: Vec::new() })
            }
        }
    }

    fn latency(&self) -> u64 {
        let frames = self.watch.latency.load(Ordering::Relaxed);
        frames * u64::from(self.engine_rate) / u64::from(self.info.rate.max(1))
    }

    fn hiccups(&self) -> u64 {
        self.watch.errors.load(Ordering::Relaxed)
    }
}

/// cpal's word in ours.
fn told(device: &str, error: &cpal::Error) -> AuditionError {
    let (device, why) = (device.to_owned(), error.to_string());
    match error.kind() {
        ErrorKind::DeviceBusy => AuditionError::Busy { device },
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => {
            AuditionError::NoDevice { wanted: Some(device), have: device_names() }
        }
        ErrorKind::PermissionDenied => AuditionError::Denied { device, why },
        ErrorKind::UnsupportedConfig | ErrorKind::UnsupportedOperation | ErrorKind::InvalidInput => {
            AuditionError::Unsupported { device, why }
        }
        _ => AuditionError::Device { device, why },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_trouble_has_its_own_message() {
        let text = |kind: ErrorKind| told("desk", &cpal::Error::new(kind)).to_string();
        let kinds = [
            (ErrorKind::DeviceBusy, "busy"),
            (ErrorKind::PermissionDenied, "no permission"),
            (ErrorKind::UnsupportedConfig, "cannot play this"),
            (ErrorKind::DeviceNotAvailable, "no output device `desk`"),
            (ErrorKind::BackendError, "failed"),
        ];
        for (kind, part) in kinds {
            assert!(text(kind).contains(part), "{}", text(kind));
        }
    }

    #[test]
    fn a_frame_is_spread_over_what_the_device_has() {
        let mut wide = [9.0f32; 4];
        spread(&mut wide, &[0.5, -0.25]);
        assert_eq!(wide, [0.5, -0.25, 0.0, 0.0]);
        let mut mono = [0i16];
        spread(&mut mono, &[0.5, 0.0]);
        assert_eq!(mono, [8192]);
    }
}
