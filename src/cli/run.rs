//! `tautline run`: applies commands without a screen.

use std::io::{BufRead, Read};
use std::path::PathBuf;

use serde::Serialize;

use super::hearing::Ears;
use super::{CliError, assets, opening, output, presets, tone_presets};
use crate::command::{Action, Command, Context, Diagnostic, Done, Presets, carry_out, parse, show_seconds};
use crate::edit::{Access, Op, Store, StoreError};

/// Larger scripts are refused.
const LARGEST_SCRIPT: u64 = 64 << 20;

/// Where the commands come from.
#[derive(Debug, clap::Args)]
#[command(override_usage = "tautline run [OPTIONS] SESSION -c COMMANDS | -f SCRIPT | -")]
#[command(group(clap::ArgGroup::new("source").required(true).args(["commands", "file", "input"])))]
pub struct Args {
    /// The session.
    session: PathBuf,
    /// Commands, `;` between them; may be given several times.
    #[arg(short = 'c', value_name = "COMMANDS")]
    commands: Vec<String>,
    /// A script: one line of commands per line, `#` begins a comment.
    #[arg(short = 'f', value_name = "SCRIPT")]
    file: Option<PathBuf>,
    /// `-`: each line of standard input as it arrives; answered by `ok EDIT` or `refused: …`, an empty one too.
    #[arg(value_name = "-", value_parser = ["-"])]
    input: Option<String>,
    /// Say what would change, and change nothing.
    #[arg(long)]
    dry_run: bool,
    /// Print one JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Default, Serialize)]
struct Report {
    applied: Vec<Applied>,
    refused: Option<Refused>,
    head: u64,
    dry_run: bool,
}

#[derive(Debug, Serialize)]
struct Applied {
    #[serde(flatten)]
    done: Done,
    #[serde(skip_serializing_if = "Option::is_none")]
    ops: Option<Vec<Op>>,
}

#[derive(Debug, Serialize)]
struct Refused {
    command: String,
    reason: String,
}

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let access = if args.dry_run { Access::Rehearse } else { Access::Write };
    let presets = presets::load()?;
    let mut store = opening::open(&args.session, access)?;
    let sound = opening::refuse_broken(&store)
        .and_then(|()| assets::refuse_troubles(store.session(), store.folder()));
    if let Err(error) = sound {
        // Takes the empty journal away again, so that the folder is as it was.
        store.close()?;
        return Err(error);
    }
    let mut runner = Runner {
        presets,
        ears: Ears::new(store.session(), store.folder()),
        report: Report { dry_run: args.dry_run, ..Report::default() },
        json: args.json,
    };
    let result = match (&args.file, args.input.is_some()) {
        (_, true) => runner.run_lines(&mut store, std::io::stdin().lock()),
        (Some(file), _) => script(file).and_then(|lines| runner.run_all(&mut store, &lines)),
        (None, false) => runner.run_all(&mut store, &args.commands),
    };
    runner.report.head = store.session().history.head().0;
    // Whatever happened, what was acknowledged goes into the file.
    let closed = store.close();
    if args.json {
        output::json(&runner.report)?;
    }
    result?;
    closed?;
    Ok(())
}

/// Carries lines out on a session and says nothing.
pub fn apply(session: &std::path::Path, lines: &[String]) -> Result<Vec<Done>, CliError> {
    let mut store = opening::open(session, Access::Write)?;
    let ears = Ears::new(store.session(), store.folder());
    let mut runner = Runner { presets: presets::load()?, ears, report: Report::default(), json: true };
    let result = runner.run_all(&mut store, lines);
    let closed = store.close();
    result?;
    closed?;
    Ok(runner.report.applied.into_iter().map(|applied| applied.done).collect())
}

fn script(path: &std::path::Path) -> Result<Vec<String>, CliError> {
    let failed = |error: std::io::Error| CliError::input(format!("cannot read {}: {error}", path.display()));
    let mut text = String::new();
    let file = std::fs::File::open(path).map_err(failed)?;
    file.take(LARGEST_SCRIPT + 1).read_to_string(&mut text).map_err(failed)?;
    if text.len() as u64 > LARGEST_SCRIPT {
        return Err(CliError::input(format!("{} is too large for a script", path.display())));
    }
    Ok(text.lines().map(str::to_owned).collect())
}

/// Why a line was not carried out.
enum Stop {
    /// It was refused; the next line may be tried.
    Refused(String),
    /// Nothing more can be written.
    Failed(CliError),
}

struct Runner {
    presets: Presets,
    ears: Ears,
    report: Report,
    json: bool,
}

impl Runner {
    /// Reads all lines first, so that a wrong one keeps all of them from running; then carries them out
    /// until one is refused.
    fn run_all(&mut self, store: &mut Store, lines: &[String]) -> Result<(), CliError> {
        let mut commands = Vec::new();
        for (index, line) in lines.iter().enumerate() {
            match parse(line) {
                Ok(more) => commands.extend(more.into_iter().map(|command| (index, command))),
                Err(error) => {
                    let place = if lines.len() > 1 { format!("line {}, ", index + 1) } else { String::new() };
                    return Err(self.refuse(line, format!("{place}{error}")));
                }
            }
        }
        for (index, command) in commands {
            match self.carry_out(store, &command) {
                Ok(done) => self.acknowledge(&done, true)?,
                Err(Stop::Failed(error)) => return Err(error),
                Err(Stop::Refused(reason)) => {
                    let place = if lines.len() > 1 { format!("line {}: ", index + 1) } else { String::new() };
                    let reason = format!("{place}{}: {reason}", command.text);
                    return Err(self.refuse(&command.text, reason));
                }
            }
        }
        Ok(())
    }

    /// Carries out each line as it arrives and answers it.
    fn run_lines(&mut self, store: &mut Store, mut input: impl BufRead) -> Result<(), CliError> {
        let mut refused = false;
        let mut line = Vec::new();
        loop {
            line.clear();
            let limit = crate::command::LONGEST_LINE as u64 + 2;
            let read = input.by_ref().take(limit).read_until(b'\n', &mut line);
            match read {
                Ok(0) => break,
                Ok(_) => {}
                Err(error) => return Err(CliError::input(format!("cannot read standard input: {error}"))),
            }
            if line.len() as u64 == limit && !line.ends_with(b"\n") {
                // The rest of a line that is too long must not be taken for a line of its own.
                input.skip_until(b'\n').map_err(|error| CliError::input(error.to_string()))?;
            }
            let text = String::from_utf8_lossy(&line);
            match self.run_line(store, text.trim_end()) {
                Ok(()) => {}
                Err(Stop::Failed(error)) => {
                    self.say(&format!("refused: {}\n", error.text))?;
                    return Err(error);
                }
                Err(Stop::Refused(reason)) => {
                    refused = true;
                    self.say(&format!("refused: {reason}\n"))?;
                    self.report.refused = Some(Refused { command: text.trim_end().to_owned(), reason });
                }
            }
        }
        if refused { Err(CliError::refused("")) } else { Ok(()) }
    }

    fn run_line(&mut self, store: &mut Store, line: &str) -> Result<(), Stop> {
        let commands = parse(line).map_err(|error| Stop::Refused(error.to_string()))?;
        if commands.is_empty() {
            // Whoever sends a line and waits for its answer must not wait for ever.
            return self.say(&format!("ok {}\n", store.session().history.head())).map_err(Stop::Failed);
        }
        for command in commands {
            let done = self.carry_out(store, &command)?;
            self.acknowledge(&done, false).map_err(Stop::Failed)?;
        }
        Ok(())
    }

    fn carry_out(&mut self, store: &mut Store, command: &Command) -> Result<Done, Stop> {
        let context =
            Context { session: store.session(), cursor: None, presets: &self.presets, hearing: &self.ears };
        let refused = |error: Diagnostic| Stop::Refused(error.to_string());
        let action = command.call.resolve(&context).map_err(refused)?;
        if let Action::SavePreset { name, preset } = &action {
            if !self.report.dry_run {
                presets::save(name, preset).map_err(Stop::Failed)?;
            }
            self.presets.fades.insert(name.clone(), preset.clone());
        }
        if let Action::SaveTone { name, preset } = &action {
            if !self.report.dry_run {
                tone_presets::save(name, preset).map_err(Stop::Failed)?;
            }
            self.presets.tones.insert(name.clone(), (**preset).clone());
        }
        let before = store.session().history.next_id();
        let done = carry_out(store, action, &command.text, &now()).map_err(|error| match &error {
            StoreError::History(_) | StoreError::NoMark(_) => Stop::Refused(error.to_string()),
            _ => Stop::Failed(CliError::from(error)),
        })?;
        let made = store.session().history.edit(before).map(|edit| edit.ops.clone());
        let ops = if self.report.dry_run { made } else { None };
        self.report.applied.push(Applied { done: done.clone(), ops });
        Ok(done)
    }

    fn acknowledge(&mut self, done: &Done, in_words: bool) -> Result<(), CliError> {
        let dry = self.report.dry_run;
        if !in_words && !dry {
            return self.say(&format!("ok {}\n", done.edit));
        }
        let mut text = format!("{} {}  {}\n", if dry { "would be" } else { "ok" }, done.edit, done.summary);
        // What a command only tells is asked for; what an edit has to say belongs to the rehearsal.
        if dry || done.operations == 0 {
            for remark in &done.remarks {
                let place = |at| show_seconds(at, self.ears.rate());
                let span = format!("{} .. {}", place(remark.from), place(remark.to));
                text.push_str(&format!("    lane {:<4} {span:<24} {}\n", remark.lane, remark.text));
            }
        }
        if let (true, Some(Applied { ops: Some(ops), .. })) = (dry, self.report.applied.last()) {
            for op in ops.iter().take(20) {
                text.push_str(&format!("    {}\n", serde_json::to_string(op).unwrap_or_default()));
            }
            if ops.len() > 20 {
                text.push_str(&format!("    … and {} more (all of them with --json)\n", ops.len() - 20));
            }
        }
        self.say(&text)
    }

    fn say(&self, text: &str) -> Result<(), CliError> {
        if self.json { Ok(()) } else { output::text(text) }
    }

    fn refuse(&mut self, command: &str, reason: String) -> CliError {
        self.report.refused = Some(Refused { command: command.trim().to_owned(), reason: reason.clone() });
        CliError::refused(format!("refused: {reason}"))
    }
}

/// Now, as RFC 3339 in UTC to the second.
pub fn now() -> String {
    let now = jiff::Timestamp::now();
    jiff::Timestamp::from_second(now.as_second()).unwrap_or(now).to_string()
}
