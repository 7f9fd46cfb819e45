//! Measures the words in the background: at the start, and after every edit.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};

use super::Message;
use super::work::guarded;
use crate::cli::hearing::Ears;
use crate::command::{Context, Presets, timing};
use crate::edit::Session;
use crate::screen::Event;
use crate::song::EditId;

/// Measures words on a thread of its own.
#[derive(Debug)]
pub struct Words {
    ask: Sender<(EditId, Session)>,
}

impl Words {
    /// Starts the thread; it ends with this.
    pub fn begin(ears: &Arc<Ears>, to: &Sender<Message>) -> Words {
        let (ask, asked) = channel();
        let (ears, to) = (Arc::clone(ears), to.clone());
        std::thread::spawn(move || guarded(&to, || measure(&asked, &ears, &to)));
        Words { ask }
    }

    /// Asks for the words of the state at the head.
    pub fn ask(&self, state: EditId, session: &Session) {
        let _ = self.ask.send((state, session.over_same(session.song().clone())));
    }
}

fn measure(asked: &Receiver<(EditId, Session)>, ears: &Ears, to: &Sender<Message>) {
    let presets = Presets::new();
    while let Ok(first) = asked.recv() {
        // Of several only the newest is still of use.
        let (state, session) = asked.try_iter().last().unwrap_or(first);
        let context = Context { session: &session, cursor: None, presets: &presets, hearing: ears };
        let rows = timing::rows_of(session.song());
        let words = timing::measure(&context, &rows).map(Arc::new);
        if to.send(Message::Event(Event::Words(state, words))).is_err() {
            return;
        }
    }
}
