//! Keys, mouse and signals as messages to the loop.

use std::sync::mpsc::Sender;

use crossterm::event::{self, KeyCode, KeyEvent, KeyEventKind, KeyModifiers, MouseButton, MouseEventKind};

use super::Message;
use crate::screen::key::{Code, Key};
use crate::screen::{Event, Mouse, MouseKind};

/// Reads the terminal on a thread of its own until it is gone.
pub fn listen(to: Sender<Message>) {
    std::thread::spawn(move || {
        let _gone = TellGone(to.clone());
        loop {
            let message = match event::read() {
                Ok(event) => match translate(event) {
                    Some(event) => Message::Event(event),
                    None => continue,
                },
                Err(_) => return,
            };
            if to.send(message).is_err() {
                return;
            }
        }
    });
}

/// Says that nobody types any more when the thread ends by whatever way, a panic over odd bytes included: a screen that
/// shows everything and hears nothing would be worse than none.
struct TellGone(Sender<Message>);

impl Drop for TellGone {
    fn drop(&mut self) {
        let _ = self.0.send(Message::Gone);
    }
}

/// Tells of signals on a thread of its own.
///
/// # Errors
/// The system refuses.
pub fn watch_signals(to: Sender<Message>) -> std::io::Result<()> {
    use signal_hook::consts::{SIGCONT, SIGHUP, SIGINT, SIGTERM, SIGTSTP};
    let mut signals = signal_hook::iterator::Signals::new([SIGCONT, SIGHUP, SIGINT, SIGTERM, SIGTSTP])?;
    std::thread::spawn(move || {
        for signal in signals.forever() {
            if to.send(Message::Signal(signal)).is_err() {
                return;
            }
        }
    });
    Ok(())
}

fn translate(event: event::Event) -> Option<Event> {
    match event {
        event::Event::Key(key) => key_of(key).map(Event::Key),
        event::Event::Paste(text) => Some(Event::Paste(text)),
        event::Event::Resize(columns, rows) => Some(Event::Resize(columns, rows)),
        event::Event::Mouse(mouse) => {
            let kind = match mouse.kind {
                MouseEventKind::Down(MouseButton::Left) => MouseKind::Press,
                MouseEventKind::Drag(MouseButton::Left) => MouseKind::Drag,
                MouseEventKind::Up(MouseButton::Left) => MouseKind::Release,
                MouseEventKind::ScrollUp => MouseKind::WheelUp,
                MouseEventKind::ScrollDown => MouseKind::WheelDown,
                _ => return None,
            };
            Some(Event::Mouse(Mouse { kind, x: mouse.column, y: mouse.row }))
        }
        _ => None,
    }
}

/// A key as the screen knows it. Some terminals also tell when a key is let go: that is no key.
fn key_of(event: KeyEvent) -> Option<Key> {
    if event.kind == KeyEventKind::Release {
        return None;
    }
    let held = |modifier| event.modifiers.contains(modifier);
    let mut shift = held(KeyModifiers::SHIFT);
    let code = match event.code {
        KeyCode::Char(c) => {
            shift = false;
            Code::Char(c)
        }
        KeyCode::F(number) => Code::F(number),
        KeyCode::BackTab => {
            shift = true;
            Code::Named("tab")
        }
        other => Code::Named(match other {
            KeyCode::Enter => "enter",
            KeyCode::Tab => "tab",
            KeyCode::Esc => "esc",
            KeyCode::Backspace => "backspace",
            KeyCode::Delete => "delete",
            KeyCode::Insert => "insert",
            KeyCode::Home => "home",
            KeyCode::End => "end",
            KeyCode::PageUp => "page-up",
            KeyCode::PageDown => "page-down",
            KeyCode::Up => "up",
            KeyCode::Down => "down",
            KeyCode::Left => "left",
            KeyCode::Right => "right",
            KeyCode::KeypadBegin => "keypad-5",
            _ => return None,
        }),
    };
    Some(Key { code, ctrl: held(KeyModifiers::CONTROL), alt: held(KeyModifiers::ALT), shift })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_let_go_is_no_key_and_letters_carry_their_own_shift() {
        let mut event = KeyEvent::new(KeyCode::Char('K'), KeyModifiers::SHIFT);
        assert_eq!(key_of(event), Some(Key::char('K')));
        event.kind = KeyEventKind::Release;
        assert_eq!(key_of(event), None);
        let back = KeyEvent::new(KeyCode::BackTab, KeyModifiers::SHIFT);
        assert_eq!(key_of(back).map(|key| key.to_string()), Some("shift-tab".to_owned()));
    }
}
