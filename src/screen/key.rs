//! Keys and how they are written: `k`, `K`, `space`, `ctrl-z`, `shift-left`, `f1`.

use std::fmt;
use std::str::FromStr;

/// A key with what was held down with it. A letter carries its own shift: `K` is not `shift-k`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key {
    /// Which key.
    pub code: Code,
    /// With Ctrl.
    pub ctrl: bool,
    /// With Alt.
    pub alt: bool,
    /// With Shift; always false for characters.
    pub shift: bool,
}

/// Which key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Code {
    /// A character as it was typed.
    Char(char),
    /// A function key, from 1.
    F(u8),
    /// Any of [`NAMED`].
    Named(&'static str),
}

/// Keys with names of their own.
pub const NAMED: [&str; 15] = [
    "enter",
    "tab",
    "esc",
    "backspace",
    "delete",
    "insert",
    "home",
    "end",
    "page-up",
    "page-down",
    "up",
    "down",
    "left",
    "right",
    "keypad-5",
];

impl Key {
    /// A key by itself.
    #[must_use]
    pub fn plain(code: Code) -> Key {
        Key { code, ctrl: false, alt: false, shift: false }
    }

    /// A character by itself.
    #[must_use]
    pub fn char(c: char) -> Key {
        Key::plain(Code::Char(c))
    }

    /// True for the plain key of that name, such as `enter`.
    #[must_use]
    pub fn is(self, name: &str) -> bool {
        self == Key::plain(self.code) && matches!(self.code, Code::Named(own) if own == name)
    }

    /// The digit, if this is one by itself.
    #[must_use]
    pub fn digit(self) -> Option<u32> {
        match self.code {
            Code::Char(c) if self == Key::char(c) => c.to_digit(10),
            _ => None,
        }
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (held, name) in [(self.ctrl, "ctrl-"), (self.alt, "alt-"), (self.shift, "shift-")] {
            if held {
                f.write_str(name)?;
            }
        }
        match self.code {
            Code::Char(' ') => f.write_str("space"),
            Code::Char(c) => write!(f, "{c}"),
            Code::F(number) => write!(f, "f{number}"),
            Code::Named(name) => f.write_str(name),
        }
    }
}

impl FromStr for Key {
    type Err = String;

    fn from_str(text: &str) -> Result<Key, String> {
        let mut key = Key::char(' ');
        let mut rest = text;
        loop {
            // `-` alone and `ctrl--` are keys too.
            let held = [("ctrl-", 0), ("alt-", 1), ("shift-", 2)]
                .into_iter()
                .find(|(name, _)| rest.starts_with(name) && rest.len() > name.len());
            match held {
                Some((name, which)) => {
                    *[&mut key.ctrl, &mut key.alt, &mut key.shift][which] = true;
                    rest = &rest[name.len()..];
                }
                None => break,
            }
        }
        let mut chars = rest.chars();
        key.code = match (chars.next(), chars.next()) {
            (Some(c), None) => Code::Char(c),
            _ if rest == "space" => Code::Char(' '),
            _ => match (NAMED.iter().find(|name| **name == rest), rest.strip_prefix('f')) {
                (Some(name), _) => Code::Named(name),
                (None, Some(number)) => match number.parse() {
                    Ok(number @ 1..=24) => Code::F(number),
                    _ => return Err(format!("there is no key `{text}`")),
                },
                (None, None) => {
                    let near = crate::command::nearest(rest, NAMED.into_iter().chain(["space"]));
                    let hint = near.map_or(String::new(), |near| format!("; did you mean `{near}`?"));
                    return Err(format!("there is no key `{text}`{hint}"));
                }
            },
        };
        if key.shift && matches!(key.code, Code::Char(c) if c != ' ') {
            return Err(format!("write the character that `{text}` types, such as K, without `shift-`"));
        }
        Ok(key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_come_back_as_they_were_written() {
        for name in
            ["k", "K", "space", "ctrl-z", "shift-left", "alt-ctrl-x", "f1", "f12", "-", "ctrl--", "page-up"]
        {
            let key: Key = name.parse().unwrap();
            assert_eq!(key.to_string().parse::<Key>().unwrap(), key, "{name}");
        }
        assert!("shift-k".parse::<Key>().is_err());
        assert!("entre".parse::<Key>().unwrap_err().contains("enter"));
        assert!("f99".parse::<Key>().is_err() && "".parse::<Key>().is_err());
    }
}
