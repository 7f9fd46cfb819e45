//! `tautline audition`: plays without a screen.

use std::fs;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::{CliError, assets, folders, opening, output};
use crate::audition::cache::{DEFAULT_BUDGET, TakeFile};
use crate::audition::{
    Choice, Event, Listening, OutputChoice, OutputInfo, OutputOptions, Player, Quiet, Readings, Setup, Status,
};
use crate::command::{
    Context, Diagnostic, Presets, read_gain, read_lanes, read_length, read_span, show_seconds,
};
use crate::edit::{Access, Session, Store};
use crate::mix::Plan;
use crate::song::{Db, LaneId, Length, Span};

/// How often the status line is drawn and signals are looked for.
const TICK: Duration = Duration::from_millis(50);
/// How long the last sound may take to the ear.
const SETTLING: Duration = Duration::from_secs(3);
/// Range of the monitor level, in dB.
const LEVELS: std::ops::RangeInclusive<f64> = -120.0..=12.0;
/// Level of what ends at a loudspeaker, unless told.
const SOFT: Db = Db(-20.0);
/// Said once.
const CAUTION: &str = "Caution, said once: turn the monitor gain down before you start or solo a track. Long loud listening harms\n\
    hearing for good: above about 85 dBA stay well under 8 hours a day, and each 3 dB more halves that time.\n\
    Ringing or dull hearing means stop. Playing starts at -20 dB and rises; --level and --rise change that.";

/// What to play, and where.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// The span to loop, as in 1.5s..4s; `loop` is the one that the session has set. Without it the song plays once.
    #[arg(long = "loop", value_name = "A..B")]
    span: Option<String>,
    /// The lanes to hear, as in 1,2,4 or 2-5. Without it: as the session's solo and mute marks say.
    #[arg(long, value_name = "LANES")]
    stack: Option<String>,
    /// device:NAME, pipe:- (sound on standard output), file:PATH (WAV), or none (silent, in real time). The default device
    /// unless told.
    #[arg(long, value_name = "OUT", default_value = "device")]
    out: OutputChoice,
    /// Monitor level; -20dB for a device and a pipe, 0dB for a file, unless told.
    #[arg(long, value_name = "GAIN", allow_hyphen_values = true)]
    level: Option<String>,
    /// How long the sound takes to rise at first; 0ms starts hard, at full level. 1.5s for a device and a pipe, 0ms for a
    /// file, unless told.
    #[arg(long, value_name = "TIME")]
    rise: Option<String>,
    /// Stop after so long; a file of a loop needs it.
    #[arg(long = "for", value_name = "TIME")]
    length: Option<String>,
    /// The state at a mark, at an edit's number, or at `start`; the head's unless told.
    #[arg(long, value_name = "MARK")]
    at: Option<String>,
    /// Sum both sides to mono.
    #[arg(long)]
    mono: bool,
    /// pipe:- without a WAV header: 32-bit float, little-endian, left and right in turn, at the session's rate.
    #[arg(long)]
    raw: bool,
    /// Memory for samples, in MB.
    #[arg(long, value_name = "MB", default_value_t = DEFAULT_BUDGET >> 20, value_parser = clap::value_parser!(u64).range(1..1 << 20))]
    cache: u64,
    /// Frames of the device's buffer.
    #[arg(long, value_name = "FRAMES", value_parser = clap::value_parser!(u32).range(16..=65_536))]
    buffer: Option<u32>,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let store = opening::open(&args.session, Access::Read)?;
    opening::refuse_broken(&store)?;
    let order = order(args, &store)?;
    let stop = stop_flag()?;
    let mut player = player(args, &store, &order)?;
    player.set_loop(order.looped)?;
    caution(&args.out);
    // From here on the sound library may print; our own words go past it.
    let quiet = match args.out {
        OutputChoice::Device(_) => Quiet::new(None).ok(),
        _ => None,
    };
    let say = |text: &str| match &quiet {
        Some(quiet) => drop(writeln!(&mut quiet.stderr(), "{text}")),
        None => output::message(text),
    };
    let options = OutputOptions { choice: args.out.clone(), raw: args.raw, buffer: args.buffer, once: true };
    let info = player.attach(&options)?;
    if info.resampled {
        say(&format!(
            "note: the device runs at {} Hz; the sound is converted from {} Hz",
            info.rate,
            store.session().rate
        ));
    }
    let line = StatusLine::new(&store, quiet.as_ref());
    let until = order.looped.is_none().then_some(order.played.end);
    player.play(Some(order.played.start), until, order.frames);
    let played = watch(&mut player, &line, &stop, &say, &info);
    line.clear();
    let status = player.status();
    player.detach()?;
    if status.missing > 0 || status.nonfinite > 0 {
        say(&format!(
            "note: {} frames were silent because their samples were missing or late; {} samples were no numbers and came out silent",
            status.missing, status.nonfinite
        ));
    }
    drop(quiet);
    played
}

/// What is to be played, in numbers.
struct Order {
    looped: Option<Span>,
    played: Span,
    frames: Option<u64>,
    listening: Listening,
    setup: Setup,
    plan: Arc<Plan>,
}

/// The options that are written as in the language of commands.
struct Options {
    looped: Option<Span>,
    lanes: Option<Vec<LaneId>>,
    length: Option<Length>,
    rise: Option<Length>,
    level: Option<Db>,
}

fn options(args: &Args, session: &Session) -> Result<Options, CliError> {
    let presets = Presets::new();
    let context = Context { session, cursor: None, presets: &presets, hearing: &crate::command::Deaf };
    fn read<T>(
        name: &str,
        text: Option<&String>,
        read: impl Fn(&str) -> Result<T, Diagnostic>,
    ) -> Result<Option<T>, CliError> {
        let read = |text: &String| read(text).map_err(|error| CliError::usage(format!("--{name}: {error}")));
        text.map(read).transpose()
    }
    let level = read("level", args.level.as_ref(), read_gain)?;
    if level.is_some_and(|level| !LEVELS.contains(&level.0)) {
        return Err(CliError::usage("--level: from -120dB to 12dB"));
    }
    Ok(Options {
        looped: read("loop", args.span.as_ref(), |text| read_span(text, &context))?,
        lanes: read("stack", args.stack.as_ref(), |text| read_lanes(text, &context))?,
        length: read("for", args.length.as_ref(), |text| read_length(text, &context))?,
        rise: read("rise", args.rise.as_ref(), |text| read_length(text, &context))?,
        level,
    })
}

fn order(args: &Args, store: &Store) -> Result<Order, CliError> {
    let session = store.session();
    let Options { looped, lanes, length, rise, level } = options(args, session)?;
    if looped.is_some() && length.is_none() && matches!(args.out, OutputChoice::File(_)) {
        return Err(CliError::usage(
            "a loop never ends, so a file of it would not either: say how long, as in --for 10s",
        ));
    }
    let (_, song) = opening::state_at(session, args.at.as_deref())?;
    let channels = |id| session.asset(id).map(|asset| asset.channels);
    let plan = Plan::compile(&song, session.rate, &channels);
    let whole = plan
        .extent()
        .ok_or_else(|| CliError::refused("the session has no region, so there is nothing to hear"))?;
    // A file is no loudspeaker.
    let usual = match args.out {
        OutputChoice::File(_) => Setup::at_unity(session.rate),
        _ => Setup { level: SOFT.to_linear(), ..Setup::new(session.rate) },
    };
    let setup = Setup {
        level: level.map_or(usual.level, Db::to_linear),
        rise: rise.map_or(usual.rise, |rise| rise.0),
        ramp: rise.map_or(usual.ramp, |rise| rise.0.min(usual.ramp)),
        ..usual
    };
    Ok(Order {
        looped,
        played: looped.unwrap_or(whole),
        frames: length.map(|length| length.0),
        listening: Listening { mono: args.mono, ..Listening::to(lanes.map_or(Choice::Marks, Choice::Lanes)) },
        setup,
        plan: Arc::new(plan),
    })
}

fn player(args: &Args, store: &Store, order: &Order) -> Result<Player, CliError> {
    assets::refuse_troubles(store.session(), store.folder())?;
    let copies = assets::working_copies(store.session(), store.folder())?;
    let takes: Vec<TakeFile> =
        copies.into_iter().map(|copy| TakeFile { asset: copy.id, path: copy.path }).collect();
    let budget = args.cache << 20;
    Ok(Player::new(order.setup, Arc::clone(&order.plan), order.listening.clone(), &takes, budget)?)
}

/// Set by the signals that end the program in peace.
fn stop_flag() -> Result<Arc<AtomicBool>, CliError> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let stop = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM, SIGHUP] {
        // The second one ends the program whatever it waits for, such as a pipe that nobody reads.
        signal_hook::flag::register_conditional_shutdown(signal, 130, Arc::clone(&stop))
            .and_then(|_| signal_hook::flag::register(signal, Arc::clone(&stop)))
            .map_err(|error| CliError::output(format!("cannot wait for signals: {error}")))?;
    }
    Ok(stop)
}

/// Plays until the end, a signal, or a failure.
fn watch(
    player: &mut Player,
    line: &StatusLine,
    stop: &AtomicBool,
    say: &dyn Fn(&str),
    info: &OutputInfo,
) -> Result<(), CliError> {
    let (mut stopping, mut silent) = (false, None);
    loop {
        for event in player.tick() {
            line.clear();
            match event {
                Event::Ended => return Ok(()),
                Event::Failed(error) => return Err(error.into()),
                Event::Trouble(text) => say(&format!("warning: {text}; silence stands in its place")),
            }
        }
        let status = player.status();
        if !status.playing {
            let since = silent.get_or_insert_with(Instant::now);
            // What was rendered last is still on its way to the ear; a device that stands still never settles.
            let over = status.settled || since.elapsed() > SETTLING;
            if over && (stopping || info.name.starts_with("device:")) {
                return Ok(());
            }
        }
        if stop.load(Ordering::Relaxed) && !stopping {
            stopping = true;
            player.stop();
        }
        line.draw(&status, &player.readings());
        std::thread::sleep(TICK);
    }
}

/// One line on standard error, if that is a terminal.
struct StatusLine<'a> {
    to: Option<&'a Quiet>,
    visible: bool,
    rate: u32,
}

impl<'a> StatusLine<'a> {
    fn new(store: &Store, to: Option<&'a Quiet>) -> StatusLine<'a> {
        let visible =
            to.map_or_else(|| std::io::stderr().is_terminal(), |quiet| quiet.stderr().is_terminal());
        StatusLine { to, visible, rate: store.session().rate }
    }

    fn write(&self, text: &str) {
        // If the terminal is gone there is nobody to tell.
        let _ = match self.to {
            Some(quiet) => quiet.stderr().write_all(text.as_bytes()),
            None => std::io::stderr().lock().write_all(text.as_bytes()),
        };
    }

    fn clear(&self) {
        if self.visible {
            self.write("\r\x1b[K");
        }
    }

    fn draw(&self, status: &Status, readings: &Readings) {
        if self.visible {
            self.write(&format!("\r{}\x1b[K", describe(status, readings, self.rate)));
        }
    }
}

fn describe(status: &Status, readings: &Readings, rate: u32) -> String {
    let state = match (status.playing, status.waiting) {
        (_, true) => "reading",
        (true, _) => "playing",
        _ => "stopped",
    };
    let peak = readings.true_peak[0].max(readings.true_peak[1]);
    let peak =
        if peak > 1e-6 { format!("{:6.1} dBTP", 20.0 * peak.log10()) } else { "   --- dBTP".to_owned() };
    let loudness = readings.short_term.map_or("  --- LUFS".to_owned(), |value| format!("{value:5.1} LUFS"));
    let output = status.output.as_ref().map_or("no output", |output| output.name.as_str());
    let missing = match status.missing {
        0 => String::new(),
        count => format!("  {count} frames missing"),
    };
    format!("{state}  {:>10}  {peak}  {loudness}  {output}{missing}", show_seconds(status.heard, rate))
}

/// Says the caution before the first sound.
fn caution(out: &OutputChoice) {
    if let Some(text) = caution_once(out) {
        output::message(text);
    }
}

/// The caution, if it was never said before; remembers that it is said now.
pub fn caution_once(out: &OutputChoice) -> Option<&'static str> {
    if !matches!(out, OutputChoice::Device(_) | OutputChoice::Pipe) {
        return None;
    }
    let marker = folders::state().map(|folder| folder.join("caution-shown"));
    if marker.as_ref().is_some_and(|marker| marker.exists()) {
        return None;
    }
    if let Some(marker) = marker
        && let Some(folder) = marker.parent()
    {
        // If it cannot be remembered it is said again, which does no harm.
        let _ =
            fs::create_dir_all(folder).and_then(|()| fs::write(&marker, "The hearing caution was shown.\n"));
    }
    Some(CAUTION)
}
