//! From a line to calls, and from an action to an edit.

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::grammar::{Args, Matcher};
use super::lexer::{Token, TokenKind, tokens};
use super::outcome::{Action, Done};
use super::scope::{SCOPE, Scope};
use super::suggest::nearest;
use super::table::{Call, ScopeUse, VERBS, Verb, verb};
use crate::edit::{Store, StoreError};

/// One command of a line.
#[derive(Debug)]
pub struct Command {
    /// The command as written, without the separators around it.
    pub text: String,
    /// What it calls.
    pub call: Call,
}

/// Reads a line; an empty one gives no commands.
///
/// # Errors
/// Something in the line cannot be read; names the column, what was read and what could stand there.
pub fn parse(line: &str) -> Result<Vec<Command>, Diagnostic> {
    let found = tokens(line).map_err(|error| error.in_line(line))?;
    let mut commands = Vec::new();
    for part in found.split(|token| token.kind == TokenKind::Semicolon) {
        let (Some(first), Some(last)) = (part.first(), part.last()) else { continue };
        let text = line[first.span.start..last.span.end].to_owned();
        let call = call(part, last.span.end).map_err(|error| error.in_line(line))?;
        commands.push(Command { text, call });
    }
    Ok(commands)
}

fn call(tokens: &[Token], end: usize) -> Result<Call, Diagnostic> {
    let verb = find_verb(&tokens[0])?;
    let mut matcher = Matcher::new(&tokens[1..], end);
    let mut args = Args::default();
    let scope = read(verb, &mut matcher, &mut args).ok_or_else(|| {
        let error = matcher.error();
        let usage = format!("usage: {}", verb.usage());
        let help = error.help.clone().map_or(usage.clone(), |help| format!("{help}; {usage}"));
        error.help(help)
    })?;
    Ok(Call { verb, args, scope })
}

/// Matches the arguments and the scope of a verb; `None` if they do not fit to the end.
pub(super) fn read(verb: &Verb, matcher: &mut Matcher, args: &mut Args) -> Option<Scope> {
    let mut at = matcher.form(verb.form, 0, args)?;
    let mut scope = Scope::HERE;
    if verb.scope != ScopeUse::None && !matcher.ends(at) && matcher.word("on", at) {
        // The scope has values of its own, so that its keys cannot be taken for arguments of the verb.
        let mut own = Args::default();
        at = matcher.form(SCOPE, at + 1, &mut own)?;
        scope = Scope::from_args(&own);
    }
    if matcher.ends(at) {
        return Some(scope);
    }
    matcher.nothing_more(at);
    None
}

fn find_verb(token: &Token) -> Result<&'static Verb, Diagnostic> {
    let TokenKind::Word(typed) = &token.kind else {
        return Err(Diagnostic::new(token.span.clone(), "a command begins with a verb")
            .help("as in: cut at 1.5s on lane 2; `tautline help commands` lists all"));
    };
    if let Some(found) = verb(typed) {
        return Ok(found);
    }
    let error = Diagnostic::new(token.span.clone(), format!("there is no verb `{typed}`"));
    if let Some(verb) = VERBS.iter().find(|verb| verb.also.contains(&typed.as_str())) {
        return Err(error.help(format!("`{}` does that: {}", verb.name, verb.usage())));
    }
    Err(match nearest(typed, VERBS.iter().map(|verb| verb.name)) {
        Some(near) => error.help(format!("did you mean `{near}`?")),
        None => error.help("`tautline help commands` lists all"),
    })
}

impl Call {
    /// Turns the call into an action with exact numbers. Nothing is changed.
    ///
    /// # Errors
    /// It cannot be carried out on this session; says which lane or region refuses and why.
    pub fn resolve(&self, context: &Context) -> Result<Action, Diagnostic> {
        (self.verb.resolve)(self, context)
    }
}

/// Puts an action into the edit graph and on disk. `text` is the command as written, `time` RFC 3339.
///
/// # Errors
/// The store refuses, or the disk does; nothing has changed then. [`Action::SavePreset`] is only acknowledged here: the
/// caller writes the preset first.
pub fn carry_out(store: &mut Store, action: Action, text: &str, time: &str) -> Result<Done, StoreError> {
    let mut operations = 0;
    let mut said = Vec::new();
    let (edit, summary) = match action {
        Action::Edit { ops, brought_from, summary, remarks } => {
            operations = ops.len();
            said = remarks;
            (store.commit(text, time, ops, brought_from)?, summary)
        }
        Action::Tell { summary, remarks } => {
            said = remarks;
            (store.session().history.head(), summary)
        }
        Action::SaveTone { name, .. } => {
            (store.session().history.head(), format!("saved the tone preset {name}"))
        }
        Action::SavePreset { name, .. } => {
            (store.session().history.head(), format!("saved the fade preset {name}"))
        }
        Action::Undo(steps) => {
            let taken_back = store.session().history.head();
            let head = store.undo_steps(steps)?;
            (head, format!("took back {}", name(store, taken_back, steps)))
        }
        Action::Redo(steps) => {
            let head = store.redo_steps(steps)?;
            (head, format!("made again {}", name(store, head, steps)))
        }
        Action::Mark(mark) => {
            let moved = store.mark(&mark)?;
            let head = store.session().history.head();
            let from = moved.filter(|old| *old != head);
            let summary = from.map_or(format!("marked edit {head} \"{mark}\""), |old| {
                format!("moved the mark \"{mark}\" from edit {old} to edit {head}")
            });
            (head, summary)
        }
        Action::GoTo(edit) => {
            store.go_to(edit)?;
            (edit, format!("went to edit {edit}"))
        }
    };
    Ok(Done { command: text.to_owned(), edit, summary, operations, remarks: said })
}

fn name(store: &Store, edit: crate::song::EditId, steps: u64) -> String {
    match store.session().history.edit(edit) {
        Some(found) if steps == 1 => format!("edit {edit}: {}", found.command),
        _ => format!("{steps} edits"),
    }
}
