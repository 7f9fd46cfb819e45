//! The screen: one state ([`App`]), changed by [`Event`]s, answered by [`Effect`]s, drawn by [`draw`].
//!
//! Nothing here touches a terminal, a file, a clock or a device, and nothing computes sound: the loop in
//! `cli::open` reads keys, carries the effects out, does background work and writes the frames. So every
//! screen and every way through it can be tested without a terminal.
//!
//! ```text
//!   key, mouse, paste, size ─┐                       ┌─ Edit line      ─► the session's store
//!   done, refused            ├─► App::update(event) ─┼─ Transport      ─► the player
//!   peaks, starts, samples   │          │            ├─ Samples        ─► a background reader
//!   playhead                ─┘          ▼            └─ Quit, Suspend  ─► the loop
//!                              draw(app, world, buffer)
//! ```
//!
//! Every key runs a command line. Lines of the [editing language](crate::command) become edits; verbs of
//! the screen ([`verbs`]) move the cursor, the view and the sound. Both tables feed the help, the palette
//! and the completion.
//!
//! To add a verb of the screen: one file (or one entry in a file) in `verbs/`, one line in its table. To
//! add a view: one file in `views/`, one word in `view`.

mod app;
mod colour;
mod complete;
mod draw;
mod event;
mod expand;
mod frame;
pub mod key;
pub mod keymap;
mod layout;
mod lines;
mod log;
mod mouse;
mod palette;
mod prompt;
mod proposals;
mod scene;
mod shapes;
mod steps;
mod theme;
mod tone_desk;
mod tone_knobs;
mod transport;
mod update;
pub mod verbs;
mod view;
mod views;
mod widgets;

pub use app::{App, Setup, World};
pub use colour::ColourLevel;
pub use draw::draw;
pub use event::{Effect, Event, Mouse, MouseKind};
pub use expand::check_line;
pub use frame::{Encoder, encode_frame};
pub use lines::Starts;
pub use log::Weight;
pub use shapes::Shapes;
pub use theme::{Theme, ThemeProblem};
pub use transport::{Audible, Hear, Levels, Playing, ToneEar, ToneHear, TransportRequest};
pub use view::{Pane, Stride, View};
pub use views::help::{HelpLine, lines as help_lines};
