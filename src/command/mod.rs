//! Commands: a line of text becomes resolved operations.
//!
//! One line is `VERB argument… [on SCOPE]`; `;` joins commands. [`parse`] reads a line without looking
//! at any session; [`Call::resolve`] turns it into an [`Action`] with exact numbers; [`carry_out`] puts
//! the action into the edit graph. A wrong line names the column; a command that cannot apply to part
//! of its scope applies to none of it.
//!
//! To add a verb: one file in `verbs/` with a [`Verb`] and its `resolve`, one line in the table.

mod complete;
mod context;
mod diagnostic;
mod dip;
mod draft;
mod grammar;
mod hearing;
mod help;
mod joint;
mod lexer;
mod outcome;
mod parse;
mod proposal;
mod proposed;
mod rendered;
mod scope;
mod single;
mod suggest;
mod table;
pub mod timing;
mod value;
mod verbs;

pub use complete::{Candidate, complete, complete_with};
pub use context::{Context, Cursor, Presets, show_seconds};
pub use diagnostic::Diagnostic;
pub use grammar::{Args, Expected, Kind, Matcher, Part};
pub use hearing::{Deaf, Hearing};
pub use help::{help_all, help_verb, shape};
pub use joint::{JointMeasure, measure};
pub use lexer::{LONGEST_LINE, Token, TokenKind, tokens};
pub use outcome::{Action, Done, Remark};
pub use parse::{Command, carry_out, parse};
pub use proposal::{Breaths, Does, GapRules, LaneProposals, Proposal, gaps};
pub use proposed::{Proposed, proposed};
pub use scope::Scope;
pub use single::{read_gain, read_lanes, read_length, read_shift, read_span};
pub use suggest::nearest;
pub use table::{Call, ScopeUse, VERBS, Verb, verb};
pub use value::{EditRef, LaneRef, Quantity, TimeExpr, Unit, Value, read_time};
