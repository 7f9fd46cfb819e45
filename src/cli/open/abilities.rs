//! What the terminal can do, by its environment alone: nothing is asked of it, so nothing has to be waited
//! for and no late answer can be taken for keys.

use std::env;
use std::str::FromStr;

use crate::screen::{ColourLevel, Shapes};

/// Switches about the terminal that several subcommands share.
#[derive(Debug, Clone, clap::Args)]
pub struct Switches {
    /// Colours: auto, truecolor, 256, 16 or none.
    #[arg(long, value_name = "HOW", default_value = "auto")]
    pub color: Choice<ColourLevel>,
    /// Glyphs: auto, dots, blocks or ascii.
    #[arg(long, value_name = "WHICH", default_value = "auto")]
    pub glyphs: Choice<Shapes>,
}

/// What was asked for; `None` leaves it to the environment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Choice<T>(pub Option<T>);

fn choose<T: Copy>(all: &[(T, &'static str)], word: &str) -> Result<Choice<T>, String> {
    if word == "auto" {
        return Ok(Choice(None));
    }
    let found = all.iter().find(|(_, name)| *name == word);
    found.map(|(value, _)| Choice(Some(*value))).ok_or_else(|| {
        let words: Vec<&str> = all.iter().map(|(_, name)| *name).collect();
        format!("auto, {} can be", words.join(", "))
    })
}

impl FromStr for Choice<ColourLevel> {
    type Err = String;
    fn from_str(word: &str) -> Result<Self, String> {
        choose(&ColourLevel::ALL, word)
    }
}

impl FromStr for Choice<Shapes> {
    type Err = String;
    fn from_str(word: &str) -> Result<Self, String> {
        choose(&Shapes::ALL, word)
    }
}

/// The variable, if it is set and can be read.
pub fn variable(name: &str) -> Option<String> {
    env::var(name).ok()
}

/// The locale that decides about characters, by the order of POSIX: LC_ALL, LC_CTYPE, LANG.
pub fn locale() -> Option<String> {
    ["LC_ALL", "LC_CTYPE", "LANG"].iter().find_map(|name| variable(name).filter(|value| !value.is_empty()))
}

impl Switches {
    /// Everything left to the environment.
    pub const AUTO: Switches = Switches { color: Choice(None), glyphs: Choice(None) };

    /// Colours to use.
    pub fn colours(&self) -> ColourLevel {
        let guess = || {
            let [no_color, colorterm, term] = ["NO_COLOR", "COLORTERM", "TERM"].map(variable);
            ColourLevel::guess(no_color.as_deref(), colorterm.as_deref(), term.as_deref())
        };
        self.color.0.unwrap_or_else(guess)
    }

    /// Glyphs to use.
    pub fn shapes(&self) -> Shapes {
        self.glyphs.0.unwrap_or_else(|| Shapes::guess(variable("TERM").as_deref(), locale().as_deref()))
    }
}
