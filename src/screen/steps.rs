//! Running a line: commands of the screen act at once, commands of the editing language wait for their
//! answer before the next one runs.

use super::app::{App, World};
use super::event::Effect;
use super::log::Weight;
use super::verbs::{self, ScreenVerb};
use crate::command::{Args, Diagnostic, Matcher, TokenKind, parse, tokens};

/// One command of a line.
pub struct Step {
    /// As it was written.
    pub text: String,
    /// What it is.
    pub what: What,
}

/// What a command is.
pub enum What {
    /// A verb of the screen with its arguments.
    Screen(&'static ScreenVerb, Args),
    /// A command of the editing language.
    Edit,
}

/// Splits a line into commands and reads each.
///
/// # Errors
/// One of them cannot be read; names the column, what was read and what could stand there.
pub fn split(line: &str) -> Result<Vec<Step>, Diagnostic> {
    let found = tokens(line).map_err(|error| error.in_line(line))?;
    let mut steps = Vec::new();
    for part in found.split(|token| token.kind == TokenKind::Semicolon) {
        let (Some(first), Some(last)) = (part.first(), part.last()) else { continue };
        let (start, end) = (first.span.start, last.span.end);
        let text = line[start..end].to_owned();
        let verb = match &first.kind {
            TokenKind::Word(word) => verbs::verb(word),
            _ => None,
        };
        let Some(verb) = verb else {
            parse(&text).map_err(|error| screen_hint(error, &first.kind).moved(start).in_line(line))?;
            steps.push(Step { text, what: What::Edit });
            continue;
        };
        let mut matcher = Matcher::new(&part[1..], end);
        let mut args = Args::default();
        let matched = matcher.form(verb.form, 0, &mut args);
        if !matched.is_some_and(|at| matcher.ends(at)) {
            matched.into_iter().for_each(|at| matcher.nothing_more(at));
            let error = matcher.error();
            let usage = format!("usage: {}", verb.usage());
            let help = error.help.clone().map_or(usage.clone(), |help| format!("{help}; {usage}"));
            return Err(error.help(help).in_line(line));
        }
        steps.push(Step { text, what: What::Screen(verb, args) });
    }
    Ok(steps)
}

/// A near miss may have been meant for a verb of the screen.
fn screen_hint(error: Diagnostic, first: &TokenKind) -> Diagnostic {
    let TokenKind::Word(typed) = first else { return error };
    if crate::command::verb(typed).is_some() {
        return error;
    }
    if let Some(verb) = verbs::VERBS.iter().find(|verb| verb.also.contains(&typed.as_str())) {
        return error.help(format!("`{}` does that: {}", verb.name, verb.usage()));
    }
    let all =
        crate::command::VERBS.iter().map(|verb| verb.name).chain(verbs::VERBS.iter().map(|verb| verb.name));
    match crate::command::nearest(typed, all) {
        Some(near) => error.help(format!("did you mean `{near}`?")),
        None => error,
    }
}

impl App {
    /// Reads a line and starts it.
    ///
    /// # Errors
    /// It cannot be read. Nothing has happened then.
    pub(super) fn start(&mut self, world: &World, line: &str, times: u32) -> Result<Vec<Effect>, Diagnostic> {
        let steps = split(line)?;
        let edits = steps.iter().any(|step| matches!(step.what, What::Edit) && !travels(&step.text));
        if edits {
            self.last = Some(line.to_owned());
        }
        self.steps.extend(steps);
        for _ in 1..times {
            self.steps.extend(split(line)?);
        }
        Ok(self.go_on(world))
    }

    /// Runs what is left, up to the next command that has to be answered.
    pub(super) fn go_on(&mut self, world: &World) -> Vec<Effect> {
        let mut effects = Vec::new();
        while let Some(step) = self.steps.pop_front() {
            match step.what {
                What::Edit => {
                    effects.push(Effect::Edit(step.text));
                    self.waiting = true;
                    return effects;
                }
                What::Screen(verb, args) => match (verb.act)(self, world, &args) {
                    // A verb may itself have begun an edit.
                    Ok(more) if self.waiting => {
                        effects.extend(more);
                        return effects;
                    }
                    Ok(more) => effects.extend(more),
                    Err(error) => {
                        self.steps.clear();
                        self.refuse(&step.text, &error);
                        return effects;
                    }
                },
            }
        }
        effects
    }

    /// Tells of a refusal.
    pub(super) fn refuse(&mut self, line: &str, error: &Diagnostic) {
        self.say(Weight::Wrong, &format!("{line}: {error}"));
    }
}

/// True for commands that only walk through what was edited: repeating them is no repeat of an edit.
fn travels(command: &str) -> bool {
    let verb = command.split_whitespace().next().unwrap_or("");
    matches!(verb, "undo" | "redo" | "goto" | "mark")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_may_mix_both_tables_and_errors_count_columns_from_its_start() {
        let steps = split("cut at cursor; cursor right 3; note \"a; b\"").unwrap();
        assert_eq!(
            steps.iter().map(|step| step.text.as_str()).collect::<Vec<_>>(),
            ["cut at cursor", "cursor right 3", "note \"a; b\""]
        );
        assert_eq!(split("undo; zoom inn").err().unwrap().column, Some(12));
        assert_eq!(split("undo; fade out 12").err().unwrap().column, Some(16));
        assert!(split("zom in").err().unwrap().to_string().contains("did you mean `zoom`?"));
    }
}
