//! Themes: what each thing on the screen is coloured, read from TOML.

use ratatui::style::{Modifier, Style};

use super::colour::{ColourLevel, NAMES, Paint};

/// What is coloured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Plain text.
    Text,
    /// Text that may be overlooked.
    Faint,
    /// Headings, the names of things in front.
    Title,
    /// Behind the bar at the top and boxes.
    Panel,
    /// Sound up to its RMS.
    Body,
    /// Sound from its RMS to its peaks.
    Rim,
    /// The guide's sound.
    Guide,
    /// Sound that was cut away.
    Gone,
    /// Fades.
    Ramp,
    /// Where regions begin and end.
    Edge,
    /// Guide lines.
    Line,
    /// A word that comes early.
    Early,
    /// A word that comes late.
    Late,
    /// A word in time.
    Tight,
    /// The cursor.
    Cursor,
    /// The playhead.
    Playhead,
    /// The loop span.
    Loop,
    /// What is selected.
    Selected,
    /// What went wrong.
    Wrong,
    /// What went as asked.
    Fine,
}

const ROLES: [(Role, &str); 20] = [
    (Role::Text, "text"),
    (Role::Faint, "faint"),
    (Role::Title, "title"),
    (Role::Panel, "panel"),
    (Role::Body, "body"),
    (Role::Rim, "rim"),
    (Role::Guide, "guide"),
    (Role::Gone, "gone"),
    (Role::Ramp, "ramp"),
    (Role::Edge, "edge"),
    (Role::Line, "line"),
    (Role::Early, "early"),
    (Role::Late, "late"),
    (Role::Tight, "tight"),
    (Role::Cursor, "cursor"),
    (Role::Playhead, "playhead"),
    (Role::Loop, "loop"),
    (Role::Selected, "selected"),
    (Role::Wrong, "wrong"),
    (Role::Fine, "fine"),
];

/// What each thing is coloured.
#[derive(Debug, Clone, PartialEq)]
pub struct Theme {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: String,
    paints: [Option<Paint>; 20],
}

/// What is wrong with a theme file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct ThemeProblem(String);

impl Theme {
    /// A theme without colours.
    #[must_use]
    pub fn plain() -> &'static Theme {
        static PLAIN: std::sync::LazyLock<Theme> = std::sync::LazyLock::new(|| Theme {
            name: "plain".to_owned(),
            about: "no colours".to_owned(),
            paints: [None; 20],
        });
        &PLAIN
    }

    /// Reads a theme file: `name`, `about`, and under `[colours]` for each thing a pair of an exact colour
    /// and its stand-in among the 16. What is left out has the terminal's own colour.
    ///
    /// # Errors
    /// Not TOML, a thing or a colour that does not exist.
    pub fn read(text: &str) -> Result<Theme, ThemeProblem> {
        let wrong = |why: String| Err(ThemeProblem(why));
        let table: toml::Table =
            toml::from_str(text).map_err(|error| ThemeProblem(error.to_string().trim().to_owned()))?;
        let word = |key: &str| table.get(key).and_then(toml::Value::as_str).unwrap_or("").to_owned();
        let mut theme = Theme { name: word("name"), about: word("about"), paints: [None; 20] };
        if theme.name.is_empty() {
            return wrong("a theme needs a name".to_owned());
        }
        let Some(colours) = table.get("colours").and_then(toml::Value::as_table) else {
            return wrong("a theme needs a section [colours]".to_owned());
        };
        for (key, value) in colours {
            let Some(index) = ROLES.iter().position(|(_, name)| name == key) else {
                let near = crate::command::nearest(key, ROLES.iter().map(|(_, name)| *name));
                let hint = near.map_or(String::new(), |near| format!("; did you mean `{near}`?"));
                return wrong(format!("nothing called `{key}` is coloured{hint}"));
            };
            let pair: Vec<&str> =
                value.as_array().into_iter().flatten().filter_map(toml::Value::as_str).collect();
            let [exact, stand_in] = pair.as_slice() else {
                return wrong(format!("`{key}` takes two colours, as in [\"#7fb2d9\", \"blue\"]"));
            };
            let (Some(rgb), Some(of16)) = (rgb(exact), NAMES.iter().position(|name| name == stand_in)) else {
                return wrong(format!(
                    "`{key}`: {exact} or {stand_in} is no colour; the 16 are {}",
                    NAMES.join(", ")
                ));
            };
            theme.paints[index] = Some(Paint { rgb, of16: of16 as u8 });
        }
        Ok(theme)
    }

    /// How a thing is drawn.
    #[must_use]
    pub fn style(&self, role: Role, level: ColourLevel) -> Style {
        let paint = self.paints[role as usize].and_then(|paint| paint.at(level));
        let style = match (role, paint) {
            (Role::Panel, Some(colour)) => Style::new().bg(colour),
            (Role::Panel, None) => Style::new(),
            (_, Some(colour)) => Style::new().fg(colour),
            (_, None) => Style::new(),
        };
        let added = attributes(role, level);
        style.add_modifier(added)
    }
}

/// What tells things apart besides their colour. Without colours more of it is needed.
fn attributes(role: Role, level: ColourLevel) -> Modifier {
    let bare = level == ColourLevel::None;
    match role {
        Role::Title | Role::Wrong => Modifier::BOLD,
        Role::Cursor | Role::Playhead | Role::Selected | Role::Late if bare => Modifier::BOLD,
        Role::Gone | Role::Faint | Role::Line if bare => Modifier::DIM,
        Role::Panel if bare => Modifier::REVERSED,
        _ => Modifier::empty(),
    }
}

fn rgb(text: &str) -> Option<(u8, u8, u8)> {
    let digits = text.strip_prefix('#').filter(|digits| digits.len() == 6 && digits.is_ascii())?;
    let part = |at: usize| u8::from_str_radix(&digits[at..at + 2], 16).ok();
    Some((part(0)?, part(2)?, part(4)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_of_roles_is_in_the_order_of_the_enum() {
        for (index, (role, name)) in ROLES.iter().enumerate() {
            assert_eq!(*role as usize, index, "{name}");
        }
    }

    #[test]
    fn wrong_themes_say_what_is_wrong() {
        let error = |text: &str| Theme::read(text).unwrap_err().to_string();
        assert!(error("[colours]").contains("name"));
        assert!(error("name = 'x'").contains("[colours]"));
        assert!(error("name = 'x'\n[colours]\nerly = ['#000000', 'black']").contains("`early`"));
        assert!(error("name = 'x'\n[colours]\nearly = ['#00000', 'black']").contains("no colour"));
        assert!(error("name = 'x'\n[colours]\nearly = '#000000'").contains("two colours"));
    }

    #[test]
    fn no_colour_at_all_without_colours() {
        let theme = Theme::read("name = 'x'\n[colours]\nearly = ['#5599ee', 'blue']").unwrap();
        assert_eq!(theme.style(Role::Early, ColourLevel::None).fg, None);
        assert!(theme.style(Role::Early, ColourLevel::Of16).fg.is_some());
        assert_eq!(theme.style(Role::Late, ColourLevel::True).fg, None);
    }
}
