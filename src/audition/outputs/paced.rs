//! Outputs that a thread of ours drives: it renders a block, waits for samples where they are not at hand yet, and writes.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::{AuditionError, Engine, Lease, Output, OutputInfo, OutputState};

/// Frames written at a time.
const BLOCK: usize = 1024;
/// How long it waits for samples before it goes on with silence.
const PATIENCE: Duration = Duration::from_secs(5);

/// Where the frames go. Called on the output's own thread; may wait.
pub(super) trait Sink: Send {
    /// Takes interleaved stereo; false ends the output in peace.
    fn write(&mut self, frames: &[f32]) -> Result<bool, AuditionError>;
    /// All is written.
    fn finish(self: Box<Self>) -> Result<(), AuditionError>;
}

/// How the thread keeps time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pace {
    /// Renders at most this far ahead of real time; `None`: as fast as it can.
    pub(super) ahead: Option<Duration>,
    /// Ends with the first play.
    pub(super) once: bool,
}

pub(super) struct Threaded {
    info: OutputInfo,
    latency: u64,
    stop: Arc<AtomicBool>,
    result: Arc<Mutex<Option<Result<(), AuditionError>>>>,
    thread: Option<JoinHandle<()>>,
}

impl Threaded {
    pub(super) fn start(
        info: OutputInfo,
        mut lease: Lease,
        mut sink: Box<dyn Sink>,
        pace: Pace,
    ) -> Result<Box<dyn Output>, AuditionError> {
        let stop = Arc::new(AtomicBool::new(false));
        let result = Arc::new(Mutex::new(None));
        let (seen, told) = (Arc::clone(&stop), Arc::clone(&result));
        let latency = pace.ahead.map_or(0, |ahead| (ahead.as_secs_f64() * f64::from(info.rate)) as u64);
        let thread = std::thread::Builder::new()
            .name("tautline-output".into())
            .spawn(move || {
                let Some(engine) = lease.engine() else { return };
                let ended = drive(engine, &mut *sink, pace, &seen).and_then(|()| sink.finish());
                *told.lock().unwrap_or_else(PoisonError::into_inner) = Some(ended);
            })
            .map_err(AuditionError::thread)?;
        Ok(Box::new(Threaded { info, latency, stop, result, thread: Some(thread) }))
    }
}

impl Output for Threaded {
    fn info(&self) -> OutputInfo {
        self.info.clone()
    }

    fn state(&mut self) -> OutputState {
        match self.result.lock().unwrap_or_else(PoisonError::into_inner).take() {
            Some(Ok(())) => OutputState::Ended,
            Some(Err(error)) => OutputState::Failed(error),
            None if self.thread.as_ref().is_none_or(JoinHandle::is_finished) => OutputState::Ended,
            None => OutputState::Running,
        }
    }

    fn latency(&self) -> u64 {
        self.latency
    }
}

impl Drop for Threaded {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // If it panicked there is nothing left to do about it.
            let _ = thread.join();
        }
    }
}

fn drive(
    engine: &mut Engine,
    sink: &mut dyn Sink,
    pace: Pace,
    stop: &AtomicBool,
) -> Result<(), AuditionError> {
    let late = engine.latency() as u64;
    let rate = f64::from(engine.rate());
    let mut block = vec![0.0f32; BLOCK * 2];
    let (start, first) = (Instant::now(), engine.clock());
    while !stop.load(Ordering::Relaxed) {
        engine.take_in();
        await_samples(engine, stop);
        let clock = engine.clock();
        engine.render(&mut block);
        let end = clock + BLOCK as u64;
        let (opened, halted) = engine.sounded();
        // What sounded comes out `late` frames later; only that is written if the output ends with it.
        let (from, to) = match (pace.once, opened, halted) {
            (false, ..) => (clock, end),
            (true, None, _) => (end, end),
            (true, Some(opened), halted) => {
                let to = halted.map_or(end, |halted| end.min(halted + late));
                (clock.max(opened + late).min(to), to)
            }
        };
        let range = |at: u64| usize::try_from(at.saturating_sub(clock)).unwrap_or(0).min(BLOCK) * 2;
        if let Some(frames) = block.get(range(from)..range(to))
            && !frames.is_empty()
            && !sink.write(frames)?
        {
            return Ok(());
        }
        if pace.once && halted.is_some_and(|halted| halted + late <= end) {
            return Ok(());
        }
        if let Some(ahead) = pace.ahead {
            let due = Duration::from_secs_f64((end - first) as f64 / rate).saturating_sub(ahead);
            std::thread::sleep(due.saturating_sub(start.elapsed()));
        } else if opened.is_none() {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
    Ok(())
}

/// A file or a pipe can wait where a loudspeaker cannot.
fn await_samples(engine: &mut Engine, stop: &AtomicBool) {
    let start = Instant::now();
    while engine.lacks(BLOCK) && start.elapsed() < PATIENCE && !stop.load(Ordering::Relaxed) {
        std::thread::sleep(Duration::from_micros(500));
        engine.take_in();
    }
}
