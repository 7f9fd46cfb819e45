//! Colours at the level that the terminal can show.

use ratatui::style::Color;

/// How many colours a terminal shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColourLevel {
    /// 24 bits per colour.
    True,
    /// The palette of 256.
    Of256,
    /// The 16 of the user's own scheme.
    Of16,
    /// None; attributes such as bold and underline only.
    None,
}

impl ColourLevel {
    /// All levels with the word that names each on the command line.
    pub const ALL: [(ColourLevel, &'static str); 4] = [
        (ColourLevel::True, "truecolor"),
        (ColourLevel::Of256, "256"),
        (ColourLevel::Of16, "16"),
        (ColourLevel::None, "none"),
    ];

    /// The word that names this level.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(level, _)| *level == self).map_or("", |(_, word)| word)
    }

    /// What a terminal of these environment variables shows. Nothing is asked of the terminal itself: an
    /// answer that comes late over a slow line would be taken for keys.
    ///
    /// NO_COLOR counts if it is present and not empty (no-color.org).
    #[must_use]
    pub fn guess(no_color: Option<&str>, colorterm: Option<&str>, term: Option<&str>) -> ColourLevel {
        if no_color.is_some_and(|value| !value.is_empty()) {
            return ColourLevel::None;
        }
        let term = term.unwrap_or("");
        if term.is_empty() || term == "dumb" || term.starts_with("vt1") || term.starts_with("vt2") {
            return ColourLevel::None;
        }
        if matches!(colorterm, Some("truecolor" | "24bit")) || term.ends_with("-direct") {
            return ColourLevel::True;
        }
        match term {
            _ if term.contains("256color") => ColourLevel::Of256,
            "linux" | "xterm" | "ansi" | "cygwin" => ColourLevel::Of16,
            _ if term.starts_with("screen") || term.starts_with("rxvt") => ColourLevel::Of16,
            // Terminals with names of their own are young, and young ones have the palette.
            _ => ColourLevel::Of256,
        }
    }
}

/// A colour of a theme: exact, and its stand-in among the 16.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Paint {
    /// Red, green, blue.
    pub rgb: (u8, u8, u8),
    /// Index among the 16.
    pub of16: u8,
}

/// Names of the 16, in the order of their numbers.
pub const NAMES: [&str; 16] = [
    "black",
    "red",
    "green",
    "yellow",
    "blue",
    "magenta",
    "cyan",
    "grey",
    "dark-grey",
    "bright-red",
    "bright-green",
    "bright-yellow",
    "bright-blue",
    "bright-magenta",
    "bright-cyan",
    "white",
];

impl Paint {
    /// The colour at a level; `None` where there are no colours.
    #[must_use]
    pub fn at(self, level: ColourLevel) -> Option<Color> {
        let (r, g, b) = self.rgb;
        match level {
            ColourLevel::True => Some(Color::Rgb(r, g, b)),
            ColourLevel::Of256 => Some(Color::Indexed(nearest_256(self.rgb))),
            ColourLevel::Of16 => Some(Color::Indexed(self.of16)),
            ColourLevel::None => None,
        }
    }
}

/// The nearest of the colour cube (16 to 231) and the grey ramp (232 to 255).
fn nearest_256((r, g, b): (u8, u8, u8)) -> u8 {
    let levels = [0u8, 95, 135, 175, 215, 255];
    let near = |value: u8| (0..6usize).min_by_key(|&index| levels[index].abs_diff(value)).unwrap_or(0);
    let far = |a: (u8, u8, u8)| {
        let square = |x: u8, y: u8| u32::from(x.abs_diff(y)).pow(2);
        square(a.0, r) * 3 + square(a.1, g) * 4 + square(a.2, b) * 2
    };
    let (x, y, z) = (near(r), near(g), near(b));
    let mean = (u32::from(r) + u32::from(g) + u32::from(b)) / 3;
    let grey = (mean.saturating_sub(3) / 10).min(23) as u8;
    let grey_value = 8 + 10 * grey;
    let cube = (levels[x], levels[y], levels[z]);
    if far((grey_value, grey_value, grey_value)) < far(cube) {
        232 + grey
    } else {
        (16 + 36 * x + 6 * y + z) as u8
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_environment_decides_and_no_color_has_the_first_word() {
        let guess = ColourLevel::guess;
        assert_eq!(guess(Some("1"), Some("truecolor"), Some("xterm-256color")), ColourLevel::None);
        assert_eq!(guess(Some(""), Some("truecolor"), Some("xterm")), ColourLevel::True);
        assert_eq!(guess(None, None, Some("tmux-256color")), ColourLevel::Of256);
        assert_eq!(guess(None, None, Some("linux")), ColourLevel::Of16);
        assert_eq!(guess(None, None, Some("dumb")), ColourLevel::None);
        assert_eq!(guess(None, None, None), ColourLevel::None);
        assert_eq!(guess(None, None, Some("never-heard-of")), ColourLevel::Of256);
    }

    #[test]
    fn exact_cube_colours_and_greys_are_found() {
        assert_eq!(nearest_256((255, 0, 0)), 196);
        assert_eq!(nearest_256((95, 135, 175)), 67);
        assert_eq!(nearest_256((128, 128, 128)), 244);
    }
}
