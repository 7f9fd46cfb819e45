//! Where the sound goes: devices, pipes, files, nowhere. All take the engine on [`Lease`] and give it back when they end.

#[cfg(feature = "audio")]
mod device;
mod paced;
#[cfg(feature = "audio")]
mod resampled;
mod sinks;

use std::path::PathBuf;
use std::str::FromStr;
use std::sync::mpsc::SyncSender;

use super::AuditionError;
use super::cache::BlockTable;
use super::renderer::Renderer;

/// The engine over the block cache.
pub type Engine = Renderer<BlockTable>;

/// The engine, lent to an output; goes home when dropped, whoever drops it.
pub struct Lease {
    engine: Option<Engine>,
    home: SyncSender<Engine>,
}

impl Lease {
    pub(super) fn new(engine: Engine, home: SyncSender<Engine>) -> Lease {
        Lease { engine: Some(engine), home }
    }

    /// The engine; always there until the lease ends.
    pub(super) fn engine(&mut self) -> Option<&mut Engine> {
        self.engine.as_mut()
    }
}

impl Drop for Lease {
    fn drop(&mut self) {
        if let Some(engine) = self.engine.take() {
            // There is one engine and room for one; nobody is at home only when the program ends.
            let _ = self.home.try_send(engine);
        }
    }
}

/// How an output does.
#[derive(Debug)]
pub enum OutputState {
    /// It plays, or waits for a play.
    Running,
    /// It has come to its end: all is written, or nobody reads any more.
    Ended,
    /// It cannot go on.
    Failed(AuditionError),
}

/// What an output is like.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutputInfo {
    /// Its name, as `--out` takes it.
    pub name: String,
    /// Samples per second.
    pub rate: u32,
    /// Frames that it asks for at a time, if that is known.
    pub buffer: Option<u32>,
    /// The session's rate is converted to its rate.
    pub resampled: bool,
}

/// An output that has the engine.
pub trait Output: Send {
    /// What it is like.
    fn info(&self) -> OutputInfo;
    /// How it does; a failure is told once.
    fn state(&mut self) -> OutputState;
    /// Frames of the stream between their rendering and the ear, besides the engine's own.
    fn latency(&self) -> u64;
    /// Errors that were counted and are no reason to stop.
    fn hiccups(&self) -> u64 {
        0
    }
}

/// What an output is asked to be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OutputChoice {
    /// A sound device by name; `None` is the default one.
    Device(Option<String>),
    /// Standard output.
    Pipe,
    /// A WAV file.
    File(PathBuf),
    /// Nowhere, in real time.
    None,
}

impl FromStr for OutputChoice {
    type Err = String;

    fn from_str(text: &str) -> Result<OutputChoice, String> {
        match text.split_once(':') {
            None if text == "none" => Ok(OutputChoice::None),
            None if text == "device" => Ok(OutputChoice::Device(None)),
            Some(("device", "" | "default")) => Ok(OutputChoice::Device(None)),
            Some(("device", name)) => Ok(OutputChoice::Device(Some(name.to_owned()))),
            Some(("pipe", "-")) => Ok(OutputChoice::Pipe),
            Some(("file", path)) if !path.is_empty() => Ok(OutputChoice::File(PathBuf::from(path))),
            _ => Err(format!("`{text}` is no output: device:NAME, pipe:-, file:PATH or none")),
        }
    }
}

/// How an output is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutputOptions {
    /// Which.
    pub choice: OutputChoice,
    /// Samples without a header, for `pipe:-`: 32-bit float, little-endian, left and right in turn.
    pub raw: bool,
    /// Frames of a device's period.
    pub buffer: Option<u32>,
    /// The output ends with the first play; else it goes on with silence.
    pub once: bool,
}

impl OutputOptions {
    /// Ends with the first play, usual buffer, with a header.
    #[must_use]
    pub fn once(choice: OutputChoice) -> OutputOptions {
        OutputOptions { choice, raw: false, buffer: None, once: true }
    }
}

/// A device that can play.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct DeviceInfo {
    /// Its name, as `device:NAME` takes it.
    pub name: String,
    /// A word about it.
    pub description: String,
    /// The one that is taken if none is named.
    pub default: bool,
    /// Lowest and highest rate in Hz.
    pub rates: Option<(u32, u32)>,
    /// Most channels.
    pub channels: Option<u16>,
    /// Smallest and largest buffer in frames.
    pub buffers: Option<(u32, u32)>,
}

/// The devices that can play. What the sound library prints meanwhile is kept off standard error.
///
/// # Errors
/// There is no sound system, or this program was built without.
pub fn devices() -> Result<Vec<DeviceInfo>, AuditionError> {
    #[cfg(feature = "audio")]
    return device::list();
    #[cfg(not(feature = "audio"))]
    Err(AuditionError::NoAudio)
}

/// Names of the devices that can play; none if they cannot be listed.
#[must_use]
pub(super) fn device_names() -> Vec<String> {
    devices().map_or_else(|_| Vec::new(), |devices| devices.into_iter().map(|device| device.name).collect())
}

/// Opens an output and hands it the engine.
///
/// # Errors
/// It cannot be opened; the engine has gone home then.
pub(super) fn open(options: &OutputOptions, lease: Lease) -> Result<Box<dyn Output>, AuditionError> {
    match &options.choice {
        #[cfg(feature = "audio")]
        OutputChoice::Device(name) => device::open(name.as_deref(), options.buffer, lease),
        #[cfg(not(feature = "audio"))]
        OutputChoice::Device(_) => Err(AuditionError::NoAudio),
        OutputChoice::Pipe => sinks::pipe(lease, options),
        OutputChoice::File(path) => sinks::file(path, lease, options),
        OutputChoice::None => sinks::nowhere(lease, options),
    }
}
