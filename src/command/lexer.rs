//! Splits a line of text into tokens with their places.

use std::ops::Range;

use super::diagnostic::Diagnostic;

/// Longer lines are refused, so that a paste by mistake costs nothing.
pub const LONGEST_LINE: usize = 64 * 1024;

/// A piece of a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Token {
    /// What it is.
    pub kind: TokenKind,
    /// Bytes of the line that it came from.
    pub span: Range<usize>,
}

/// What a token is.
#[derive(Debug, Clone, PartialEq)]
pub enum TokenKind {
    /// Letters, digits, `-`, `_` and `.`, beginning with a letter.
    Word(String),
    /// A number with an optional sign and the unit that is glued to it.
    Number {
        /// The value, with its sign.
        value: f64,
        /// Whether a sign was written.
        signed: bool,
        /// The unit as written; empty if there is none.
        unit: String,
    },
    /// Minutes and seconds, as in `1:23.456`; the value is in seconds.
    Clock(f64),
    /// Text between double quotes.
    Text(String),
    /// `..`
    DotDot,
    /// `,`
    Comma,
    /// `-` between two numbers.
    Dash,
    /// `;`
    Semicolon,
}

/// Splits `line` into tokens; `#` begins a comment.
///
/// # Errors
/// A character that begins no token, a text without its closing quote, a number that is none.
pub fn tokens(line: &str) -> Result<Vec<Token>, Diagnostic> {
    if line.len() > LONGEST_LINE {
        return Err(Diagnostic::new(0..1, format!("the line is longer than {LONGEST_LINE} bytes")));
    }
    let mut found = Vec::new();
    let mut rest = line;
    loop {
        rest = rest.trim_start();
        let start = line.len() - rest.len();
        let Some(first) = rest.chars().next() else { break };
        if first == '#' {
            break;
        }
        let glued = found.last().is_some_and(|token: &Token| token.span.end == start);
        let (kind, length) = token(rest, first, glued).map_err(|error| error.moved(start))?;
        found.push(Token { kind, span: start..start + length });
        rest = &rest[length..];
    }
    Ok(found)
}

fn token(rest: &str, first: char, glued: bool) -> Result<(TokenKind, usize), Diagnostic> {
    let second = rest.chars().nth(1).unwrap_or(' ');
    match first {
        ';' => Ok((TokenKind::Semicolon, 1)),
        ',' => Ok((TokenKind::Comma, 1)),
        '.' if second == '.' => Ok((TokenKind::DotDot, 2)),
        '"' => text(rest),
        '0'..='9' | '.' => number(rest, 0, 1.0),
        // A minus that touches the token before it, as in `4-6`, joins two numbers.
        '-' if glued && !rest.starts_with("..") => Ok((TokenKind::Dash, 1)),
        '+' | '-' | '\u{2212}' if second.is_ascii_digit() || second == '.' => {
            number(rest, first.len_utf8(), if first == '+' { 1.0 } else { -1.0 })
        }
        _ if first.is_alphabetic() => Ok(word(rest)),
        _ => Err(Diagnostic::new(0..first.len_utf8(), format!("`{first}` begins nothing known here"))),
    }
}

fn word(rest: &str) -> (TokenKind, usize) {
    let inside = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '/');
    let length = rest.find(|c| !inside(c)).unwrap_or(rest.len());
    (TokenKind::Word(rest[..length].to_owned()), length)
}

fn text(rest: &str) -> Result<(TokenKind, usize), Diagnostic> {
    let mut content = String::new();
    let mut escaped = false;
    for (index, c) in rest.char_indices().skip(1) {
        match c {
            _ if escaped => {
                content.push(c);
                escaped = false;
            }
            '\\' => escaped = true,
            '"' => return Ok((TokenKind::Text(content), index + 1)),
            _ => content.push(c),
        }
    }
    Err(Diagnostic::new(0..rest.len(), "the text has no closing quote \"").help("close it with \""))
}

fn number(rest: &str, sign_bytes: usize, sign: f64) -> Result<(TokenKind, usize), Diagnostic> {
    let body = &rest[sign_bytes..];
    let digits = plain_number(body);
    let wrong = |length: usize| {
        Diagnostic::new(0..sign_bytes + length, format!("`{}` is not a number", &rest[..sign_bytes + length]))
    };
    let value: f64 = body[..digits].parse().map_err(|_| wrong(digits.max(1)))?;
    if body[digits..].starts_with(':') && sign_bytes == 0 {
        let after = &body[digits + 1..];
        let second_digits = plain_number(after);
        let length = digits + 1 + second_digits;
        let seconds: f64 = after[..second_digits].parse().map_err(|_| wrong(length))?;
        if seconds >= 60.0 || value.fract() != 0.0 {
            return Err(wrong(length).help("write minutes and seconds as 1:23.456"));
        }
        return Ok((TokenKind::Clock(value * 60.0 + seconds), length));
    }
    let unit_length = body[digits..].find(|c: char| !c.is_alphabetic()).unwrap_or(body.len() - digits);
    let unit = body[digits..digits + unit_length].to_owned();
    let kind = TokenKind::Number { value: sign * value, signed: sign_bytes > 0, unit };
    Ok((kind, sign_bytes + digits + unit_length))
}

/// Bytes of the digits with at most one decimal point at the start of `text`; `3..5` gives 1.
fn plain_number(text: &str) -> usize {
    let whole = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let after = &text[whole..];
    if !after.starts_with('.') || after.starts_with("..") {
        return whole;
    }
    let fraction = after[1..].find(|c: char| !c.is_ascii_digit()).unwrap_or(after.len() - 1);
    whole + 1 + fraction
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(line: &str) -> Vec<TokenKind> {
        tokens(line).unwrap().into_iter().map(|token| token.kind).collect()
    }

    fn number(value: f64, signed: bool, unit: &str) -> TokenKind {
        TokenKind::Number { value, signed, unit: unit.into() }
    }

    #[test]
    fn numbers_keep_sign_and_unit() {
        assert_eq!(kinds("+12ms -0.5s"), vec![number(12.0, true, "ms"), number(-0.5, true, "s")]);
        assert_eq!(kinds("\u{2212}3dB"), vec![number(-3.0, true, "dB")]);
        assert_eq!(kinds("1:23.456"), vec![TokenKind::Clock(83.456)]);
    }

    #[test]
    fn spans_and_lists_are_told_apart() {
        use TokenKind::{Comma, Dash, DotDot, Word};
        assert_eq!(kinds("3..5"), vec![number(3.0, false, ""), DotDot, number(5.0, false, "")]);
        assert_eq!(kinds("1.6s..end"), vec![number(1.6, false, "s"), DotDot, Word("end".into())]);
        assert_eq!(
            kinds("2,4-6"),
            vec![number(2.0, false, ""), Comma, number(4.0, false, ""), Dash, number(6.0, false, "")]
        );
        assert_eq!(kinds("equal-power"), vec![Word("equal-power".into())]);
    }

    #[test]
    fn texts_may_hold_quotes_and_separators() {
        assert_eq!(kinds(r#""a \"b\"; c" # rest"#), vec![TokenKind::Text("a \"b\"; c".into())]);
        assert!(tokens("mark \"open").is_err());
    }

    #[test]
    fn odd_characters_are_named_with_their_place() {
        let error = tokens("cut ? x").unwrap_err();
        assert_eq!(error.span, 4..5);
    }
}
