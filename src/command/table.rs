//! The table of verbs: help, completion and error hints all come from it.

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::grammar::{Args, Part};
use super::help::shape;
use super::outcome::Action;
use super::scope::Scope;
use super::verbs;

/// What a verb's scope means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScopeUse {
    /// The verb has no scope.
    None,
    /// It acts on whole lanes.
    Lanes,
    /// It acts on regions.
    Regions,
}

/// One verb.
pub struct Verb {
    /// Its name.
    pub name: &'static str,
    /// What stands between the verb and its scope.
    pub form: &'static [Part],
    /// What its scope means.
    pub scope: ScopeUse,
    /// Whether `on all` means every lane; otherwise it leaves out the guide and the backing.
    pub every: bool,
    /// What it does, in one sentence.
    pub about: &'static str,
    /// Examples, each a whole command.
    pub examples: &'static [&'static str],
    /// Other words for it that people try.
    pub also: &'static [&'static str],
    /// Turns a call into an action. Nothing is changed yet.
    pub resolve: fn(&Call, &Context) -> Result<Action, Diagnostic>,
}

/// A verb with its arguments as they were written.
pub struct Call {
    /// The verb.
    pub verb: &'static Verb,
    /// Its arguments.
    pub args: Args,
    /// Its scope; the region at the cursor if none was written.
    pub scope: Scope,
}

impl std::fmt::Debug for Call {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Call")
            .field("verb", &self.verb.name)
            .field("args", &self.args)
            .field("scope", &self.scope)
            .finish()
    }
}

/// All verbs, in the order in which help shows them.
pub static VERBS: &[&Verb] = &[
    &verbs::cut::VERB,
    &verbs::join::VERB,
    &verbs::remove::VERB,
    &verbs::restore::VERB,
    &verbs::edge::VERB,
    &verbs::shift::VERB,
    &verbs::fade::VERB,
    &verbs::crossfade::VERB,
    &verbs::seam::VERB,
    &verbs::tighten::VERB,
    &verbs::tail::VERB,
    &verbs::word::VERB,
    &verbs::hold::VERB,
    &verbs::trim::VERB,
    &verbs::soften::VERB,
    &verbs::gain::VERB,
    &verbs::tone::VERB,
    &verbs::match_level::VERB,
    &verbs::pan::VERB,
    &verbs::polarity::VERB,
    &verbs::lane::VERB,
    &verbs::role::VERB,
    &verbs::mute::VERB,
    &verbs::solo::VERB,
    &verbs::loop_span::VERB,
    &verbs::note::VERB,
    &verbs::travel::UNDO,
    &verbs::travel::REDO,
    &verbs::travel::MARK,
    &verbs::travel::GOTO,
    &verbs::bring::VERB,
];

/// The verb called `name`.
#[must_use]
pub fn verb(name: &str) -> Option<&'static Verb> {
    VERBS.iter().copied().find(|verb| verb.name == name)
}

impl Verb {
    /// How the verb is written, as one line.
    #[must_use]
    pub fn usage(&self) -> String {
        let mut text = format!("{}{}", self.name, shape(self.form));
        if self.scope != ScopeUse::None {
            text.push_str(" [on SCOPE]");
        }
        text
    }
}
