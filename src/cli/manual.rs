//! Manual pages and shell completions, made from the command line itself and from the table of verbs.

use std::io;
use std::path::Path;

use clap::Command;
use clap_complete::Shell;
use clap_mangen::Man;

use super::{CliError, output};
use crate::command::help_all;

/// What the program's own page says beyond its subcommands.
const MORE: &str = r#".SH "EXIT STATUS"
.TP
\fB0\fR
Done.
.TP
\fB1\fR
Findings, or a command refused.
.TP
\fB2\fR
Usage.
.TP
\fB3\fR
Unreadable or damaged input.
.TP
\fB4\fR
Output or device failed.
.SH FILES
.TP
\fISESSION\fR, \fISESSION\fR.journal
The session, and the edits since it was last saved.
.TP
\fB~/.config/tautline\fR
Your own fades.toml, tones.toml, keymaps and themes, over those that come with the program.
.TP
\fB~/.cache/tautline\fR
Copies of recordings at a session's rate, and what was measured; can be made again.
.TP
\fB~/.local/state/tautline\fR
How one looked at each session last.
.SH ENVIRONMENT
.TP
\fBXDG_CONFIG_HOME\fR, \fBXDG_CACHE_HOME\fR, \fBXDG_STATE_HOME\fR
Other places for these folders.
.TP
\fBNO_COLOR\fR, \fBCOLORTERM\fR, \fBTERM\fR
Which colours the screen uses.
.SH "SEE ALSO"
\fBtautline\-commands\fR(7), the editing language.
"#;

/// Prints the completions for a shell.
pub fn completions(shell: &str, mut program: Command) -> Result<(), CliError> {
    let shell = match shell {
        "bash" => Shell::Bash,
        "zsh" => Shell::Zsh,
        _ => Shell::Fish,
    };
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut program, "tautline", &mut script);
    output::text(&String::from_utf8_lossy(&script))
}

/// Writes the manual pages into a folder: the program, each subcommand, and the editing language.
pub fn pages(folder: &Path, mut program: Command) -> Result<(), CliError> {
    program.build();
    let failed = |path: &Path, error: io::Error| {
        CliError::output(format!("cannot write {}: {error}; choose another folder", path.display()))
    };
    std::fs::create_dir_all(folder).map_err(|error| failed(folder, error))?;
    let mut pages = vec![("tautline.1".to_owned(), program_page(&program))];
    for command in program.get_subcommands() {
        let name = format!("tautline-{}", command.get_name());
        let page = Man::new(command.clone().display_name(name.clone()).version(env!("CARGO_PKG_VERSION")));
        pages.push((format!("{name}.1"), rendered(&page)));
    }
    pages.push(("tautline-commands.7".to_owned(), Ok(language_page().into_bytes())));
    for (name, page) in pages {
        let path = folder.join(name);
        page.and_then(|page| std::fs::write(&path, page)).map_err(|error| failed(&path, error))?;
    }
    Ok(())
}

fn rendered(page: &Man) -> io::Result<Vec<u8>> {
    let mut text = Vec::new();
    page.render(&mut text)?;
    Ok(text)
}

fn program_page(program: &Command) -> io::Result<Vec<u8>> {
    let mut page = rendered(&Man::new(program.clone()))?;
    page.extend_from_slice(MORE.as_bytes());
    Ok(page)
}

/// The help of all verbs as it stands, line by line.
fn language_page() -> String {
    let mut page = format!(
        ".TH tautline\\-commands 7 \"\" \"tautline {}\"\n.SH NAME\ntautline\\-commands \\- the editing language of tautline\n\
         .SH DESCRIPTION\n.nf\n",
        env!("CARGO_PKG_VERSION")
    );
    for line in help_all().lines() {
        page.push_str(&literal(line));
        page.push('\n');
    }
    page.push_str(".fi\n.SH \"SEE ALSO\"\n\\fBtautline\\fR(1), \\fBtautline\\-run\\fR(1)\n");
    page
}

/// A line that the formatter takes as it is: a dot or an apostrophe at its start would be a request.
fn literal(line: &str) -> String {
    let text = line.replace('\\', "\\e").replace('-', "\\-");
    if text.starts_with(['.', '\'']) { format!("\\&{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_that_look_like_requests_are_text() {
        assert_eq!(literal(".TH x"), "\\&.TH x");
        assert_eq!(literal("a\\b -3dB"), "a\\eb \\-3dB");
    }
}
