//! What can go wrong with listening.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

use crate::media::MediaError;

/// Why nothing is heard, and what to do.
#[derive(Debug, Error)]
pub enum AuditionError {
    /// A take cannot be read.
    #[error(transparent)]
    Media(#[from] MediaError),
    /// A take is not what the session takes it for.
    #[error("{}: {why}; remove it so that it is made again", path.display())]
    Take {
        /// The working copy.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The system gives no thread.
    #[error("cannot start a thread: {source}; end other programs and try again")]
    Thread {
        /// Its word.
        source: io::Error,
    },
    /// There is no such device.
    #[error("there is no output device{}; {}", wanted.as_ref().map_or(String::new(), |name| format!(" `{name}`")), offer(have))]
    NoDevice {
        /// The one that was asked for; `None`: any.
        wanted: Option<String>,
        /// Those that are there.
        have: Vec<String>,
    },
    /// Another program has the device.
    #[error(
        "the device `{device}` is busy: another program holds it. End that program, or choose another output: `tautline devices` lists them"
    )]
    Busy {
        /// Its name.
        device: String,
    },
    /// The system does not let us.
    #[error(
        "the device `{device}` refuses: no permission ({why}). On Linux the user must be in the group `audio`, or use the sound server's device"
    )]
    Denied {
        /// Its name.
        device: String,
        /// The system's word.
        why: String,
    },
    /// The device cannot do what is needed.
    #[error(
        "the device `{device}` cannot play this: {why}. Choose another output: `tautline devices` lists them"
    )]
    Unsupported {
        /// Its name.
        device: String,
        /// What it cannot do.
        why: String,
    },
    /// The device went away while playing.
    #[error("the device `{device}` is gone: {why}. Playing has stopped and keeps its place; {}", offer(have))]
    Lost {
        /// Its name.
        device: String,
        /// What was noticed.
        why: String,
        /// Those that are there now.
        have: Vec<String>,
    },
    /// Anything else that a device says.
    #[error(
        "the device `{device}` failed: {why}. Try again, or choose another output: `tautline devices` lists them"
    )]
    Device {
        /// Its name.
        device: String,
        /// Its words.
        why: String,
    },
    /// Built without sound devices.
    #[error(
        "this tautline was built without sound devices (feature `audio`); use --out pipe:- or --out file:PATH"
    )]
    NoAudio,
    /// A pipe or a file failed.
    #[error("cannot write to {what}: {source}")]
    Write {
        /// Where to.
        what: String,
        /// The system's word.
        source: io::Error,
    },
    /// The output file is there already.
    #[error("{} is there already; nothing was written. Choose another name", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// A loop too short to listen to.
    #[error(
        "a loop of {frames} samples is too short to hear: at least {least} are needed (two seams of {seam_ms:.0} ms)"
    )]
    ShortLoop {
        /// Its length.
        frames: u64,
        /// The shortest.
        least: u64,
        /// Length of a seam.
        seam_ms: f64,
    },
    /// The engine did not come back from an output.
    #[error("the output does not let go of the engine; start tautline again. Nothing of the session is lost")]
    Stuck,
}

impl AuditionError {
    pub(super) fn thread(source: io::Error) -> AuditionError {
        AuditionError::Thread { source }
    }
}

fn offer(have: &[String]) -> String {
    match have {
        [] => "none is there. Connect one, or use --out pipe:- or --out file:PATH".to_owned(),
        names => format!("there is: {}", names.join(", ")),
    }
}
