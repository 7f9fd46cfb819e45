//! `tautline demo`: lays out a demo chorus, edits it by a script and bounces it, saying what it does.

use std::fs;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use super::hand_off::{self, Target};
use super::{CliError, new, open, output, run};
use crate::edit::{Access, Store};

/// Where to lay the demo out.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A folder that does not exist yet, or is empty.
    #[arg(value_name = "DIR", default_value = "tautline-demo")]
    folder: PathBuf,
    /// Do not end with the hints on how to go on by hand, nor offer the screen.
    #[arg(long)]
    no_open: bool,
}

/// The demo's takes; the first is the guide.
const TAKES: [(&str, &[u8]); 5] = [
    ("lead.flac", include_bytes!("../../demo/lead.flac")),
    ("double-1.flac", include_bytes!("../../demo/double-1.flac")),
    ("double-2.flac", include_bytes!("../../demo/double-2.flac")),
    ("harmony-high.flac", include_bytes!("../../demo/harmony-high.flac")),
    ("harmony-low.flac", include_bytes!("../../demo/harmony-low.flac")),
];
/// The script that edits it.
const WALKTHROUGH: &str = include_str!("../../demo/walkthrough.tautline");
/// The words that are sung.
const LYRICS: &str = include_str!("../../demo/lyrics.txt");

/// Runs the subcommand.
pub fn main(args: &Args) -> Result<(), CliError> {
    let folder = &args.folder;
    lay_out(folder)?;
    let session = folder.join("lantern-row.json");
    let shown = session.display();
    output::text(&format!(
        "1. The takes are in {}. Making the session:\n\n",
        folder.join("takes").display()
    ))?;
    new::make(&session, &folder.join("takes"), "Lantern Row")?;
    output::text("\n2. Bouncing the stack as it was sung, to compare with:\n\n")?;
    let before = write(&session, &folder.join("bounce-as-sung"))?;
    output::text("\n3. Editing it by the script walkthrough.tautline:\n\n")?;
    output::text(&edit(&session)?)?;
    output::text("\n4. Bouncing the edited stack:\n\n")?;
    let after = write(&session, &folder.join("bounce"))?;
    output::text(&format!(
        "\nTurn the monitor gain down, then listen: {} against {}.\n\
         At 1.5 s the doubles and harmonies now say \"in\" with the guide; at 11.5 s \"street\" was up to 90 ms\n\
         late; at 4.4 s, 9.0 s, 13.7 s and 18.9 s the last words end together; between the lines it is silent.\n",
        after.display(),
        before.display(),
    ))?;
    if args.no_open {
        return Ok(());
    }
    output::text(&format!(
        "\nGo on by hand:\n  tautline open {shown}\n  tautline show {shown}\n  tautline run {shown} -c 'goto \"as sung\"'\n  \
         tautline run {shown} -c 'goto \"tight\"; fade out 60ms curve raised-cosine fit on role double'\n  \
         tautline check {shown}\n  tautline help commands\n"
    ))?;
    if !std::io::stdin().is_terminal() || !std::io::stdout().is_terminal() {
        return Ok(());
    }
    output::text("\nEnter opens the screen; Ctrl-C ends here. ")?;
    let mut line = String::new();
    match std::io::stdin().read_line(&mut line) {
        Ok(0) | Err(_) => Ok(()),
        Ok(_) => open::main(&open::Args::of(&session)),
    }
}

/// Writes the takes and the script into a fresh folder.
fn lay_out(folder: &Path) -> Result<(), CliError> {
    let failed = |error: std::io::Error| {
        CliError::output(format!(
            "cannot write the demo to {}: {error}; choose another folder",
            folder.display()
        ))
    };
    if folder.exists() {
        let empty = fs::read_dir(folder).map_err(failed)?.next().is_none();
        if !empty {
            return Err(CliError::output(format!(
                "{} is not empty; nothing was written. Choose another folder: tautline demo DIR",
                folder.display()
            )));
        }
    }
    let takes = folder.join("takes");
    fs::create_dir_all(&takes).map_err(failed)?;
    for (name, bytes) in TAKES {
        fs::write(takes.join(name), bytes).map_err(failed)?;
    }
    fs::write(folder.join("walkthrough.tautline"), WALKTHROUGH).map_err(failed)?;
    fs::write(folder.join("lyrics.txt"), LYRICS).map_err(failed)
}

fn edit(session: &Path) -> Result<String, CliError> {
    let lines: Vec<String> = WALKTHROUGH.lines().map(str::to_owned).collect();
    let applied = run::apply(session, &lines)?;
    let mut text = String::new();
    let verb = |done: &crate::command::Done| done.command.split(' ').next().map(str::to_owned);
    for section in ["trim", "remove", "cut", "shift", "tail", "fade", "gain", "pan", "mark"] {
        let count = applied.iter().filter(|done| verb(done).as_deref() == Some(section)).count();
        if count > 0 {
            text.push_str(&format!("  {count:>3} × {section}\n"));
        }
    }
    let edits = applied.iter().filter(|done| done.operations > 0).count();
    text.push_str(&format!("  {edits} edits, each in the graph, each can be taken back\n"));
    Ok(text)
}

/// Bounces the session and gives the path of the stack's sum.
fn write(session: &Path, to: &Path) -> Result<PathBuf, CliError> {
    let (store, _) = Store::open(session, Access::Read)?;
    let (head, song) = (store.session().history.head(), store.session().song().clone());
    let delivered = hand_off::write(&store, head, song, &Target::plain(to))?;
    output::text(&hand_off::describe(&delivered))?;
    Ok(delivered.bounce.files.into_iter().last().map(|file| file.path).unwrap_or_default())
}
