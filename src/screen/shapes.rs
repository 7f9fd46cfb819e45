//! Glyphs: the finest that the terminal can show, down to plain ASCII.

/// Which glyphs a terminal shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shapes {
    /// Dots two by four in a cell, lines, arrows.
    Dots,
    /// Blocks in eighths of a cell, lines, arrows.
    Blocks,
    /// ASCII only.
    Ascii,
}

/// Single glyphs by meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Glyphs {
    /// The cursor's line.
    pub cursor: &'static str,
    /// The playhead's line.
    pub playhead: &'static str,
    /// A guide line.
    pub line: &'static str,
    /// A region's start and end.
    pub opens: &'static str,
    /// See `opens`.
    pub closes: &'static str,
    /// Between the two, where the region is selected.
    pub bar: &'static str,
    /// Early, late, in time.
    pub early: &'static str,
    /// See `early`.
    pub late: &'static str,
    /// See `early`.
    pub tight: &'static str,
    /// Off on purpose, and left out.
    pub held: &'static str,
    /// See `held`.
    pub gone: &'static str,
    /// The lane of the cursor.
    pub focus: &'static str,
    /// A bead of the edit graph, and the one shown.
    pub bead: &'static str,
    /// See `bead`.
    pub here: &'static str,
    /// A bead that brings a lane from another.
    pub brought: &'static str,
    /// The string between beads, and where one begins below another.
    pub string: &'static str,
    /// See `string`.
    pub bend: &'static str,
    /// See `string`.
    pub fall: &'static str,
    /// A mark.
    pub flag: &'static str,
    /// Playing, stopped.
    pub running: &'static str,
    /// See `running`.
    pub resting: &'static str,
    /// The loop's ends and middle.
    pub loop_marks: [&'static str; 3],
    /// More text than fits.
    pub cut: &'static str,
    /// A tick of the ruler.
    pub tick: &'static str,
    /// The axis of the close view.
    pub axis: &'static str,
}

static FINE: Glyphs = Glyphs {
    cursor: "│",
    playhead: "┃",
    line: "┊",
    opens: "┌",
    closes: "┐",
    bar: "─",
    early: "◂",
    late: "▸",
    tight: "·",
    held: "=",
    gone: "×",
    focus: "▌",
    bead: "○",
    here: "●",
    brought: "◇",
    string: "─",
    bend: "╰",
    fall: "│",
    flag: "⚑",
    running: "▶",
    resting: "■",
    loop_marks: ["├", "─", "┤"],
    cut: "…",
    tick: "╷",
    axis: "─",
};

static PLAIN: Glyphs = Glyphs {
    cursor: "|",
    playhead: "!",
    line: ":",
    opens: "[",
    closes: "]",
    bar: "=",
    early: "<",
    late: ">",
    tight: ".",
    held: "=",
    gone: "x",
    focus: ">",
    bead: "o",
    here: "@",
    brought: "x",
    string: "-",
    bend: "`",
    fall: "|",
    flag: "^",
    running: ">",
    resting: "#",
    loop_marks: ["<", "=", ">"],
    cut: "~",
    tick: "'",
    axis: "-",
};

impl Shapes {
    /// All kinds with the word that names each on the command line.
    pub const ALL: [(Shapes, &'static str); 3] =
        [(Shapes::Dots, "dots"), (Shapes::Blocks, "blocks"), (Shapes::Ascii, "ascii")];

    /// The word that names this kind.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(shapes, _)| *shapes == self).map_or("", |(_, word)| word)
    }

    /// What a terminal of this type in this locale shows.
    #[must_use]
    pub fn guess(term: Option<&str>, locale: Option<&str>) -> Shapes {
        let locale = locale.unwrap_or("").to_ascii_lowercase();
        if !locale.contains("utf-8") && !locale.contains("utf8") {
            return Shapes::Ascii;
        }
        match term.unwrap_or("") {
            "" | "dumb" => Shapes::Ascii,
            term if term.starts_with("vt") => Shapes::Ascii,
            // The console's fonts have blocks and no dots.
            "linux" => Shapes::Blocks,
            _ => Shapes::Dots,
        }
    }

    /// Single glyphs by meaning.
    #[must_use]
    pub fn glyphs(self) -> &'static Glyphs {
        if self == Shapes::Ascii { &PLAIN } else { &FINE }
    }

    /// A level from 0 to 8 as one glyph.
    #[must_use]
    pub fn level(self, level: u8) -> &'static str {
        const BLOCKS: [&str; 9] = [" ", "▁", "▂", "▃", "▄", "▅", "▆", "▇", "█"];
        const PLAIN: [&str; 9] = [" ", ".", ".", ":", ":", "|", "|", "#", "#"];
        let set = if self == Shapes::Ascii { &PLAIN } else { &BLOCKS };
        set[usize::from(level.min(8))]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ascii_where_nothing_better_is_sure() {
        assert_eq!(Shapes::guess(Some("xterm"), Some("C")), Shapes::Ascii);
        assert_eq!(Shapes::guess(Some("xterm"), None), Shapes::Ascii);
        assert_eq!(Shapes::guess(Some("linux"), Some("de_DE.UTF-8")), Shapes::Blocks);
        assert_eq!(Shapes::guess(Some("xterm-256color"), Some("en_GB.utf8")), Shapes::Dots);
        assert_eq!(Shapes::guess(None, Some("en_GB.utf8")), Shapes::Ascii);
    }
}
