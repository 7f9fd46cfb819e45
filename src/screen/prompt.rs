//! The command line: text, completion, history, and the column of what is wrong.

use tui_input::{Input, InputRequest};

use super::app::{App, World};
use super::event::Effect;
use super::key::{Code, Key};
use super::log::Weight;
use crate::command::{Candidate, Diagnostic, LONGEST_LINE};

/// Lines kept.
const MOST: usize = 500;

/// The command line while it is open.
#[derive(Debug, Clone, Default)]
pub struct Prompt {
    /// What was typed.
    pub input: Input,
    /// Ways to go on.
    pub candidates: Vec<Candidate>,
    /// The one chosen with Tab.
    pub chosen: Option<usize>,
    /// The text before a candidate was put in.
    stem: String,
    /// Where in the history, counted from its end.
    back: usize,
    /// What was typed before the history was looked at.
    draft: String,
    /// What is wrong with the line.
    pub error: Option<Diagnostic>,
}

impl Prompt {
    fn set(&mut self, text: &str) {
        self.input = Input::new(text.to_owned());
        self.error = None;
    }
}

impl App {
    /// Opens the command line with a text in it.
    pub(super) fn open_prompt(&mut self, world: &World, text: &str) {
        let mut prompt = Prompt::default();
        prompt.set(text);
        self.prompt = Some(prompt);
        self.fresh = false;
        self.complete(world);
    }

    /// Looks up how the line could go on.
    fn complete(&mut self, world: &World) {
        let Some(mut prompt) = self.prompt.take() else { return };
        let text = prompt.input.value().to_owned();
        let at_end = prompt.input.cursor() == text.chars().count();
        // An empty line offers nothing: the palette is for looking round.
        prompt.candidates =
            if at_end && !text.trim().is_empty() { self.candidates(world, &text) } else { Vec::new() };
        prompt.chosen = None;
        prompt.stem = text;
        self.prompt = Some(prompt);
    }

    /// A key while the command line is open.
    pub(super) fn prompt_key(&mut self, world: &World, key: Key) -> Vec<Effect> {
        let Some(prompt) = &mut self.prompt else { return Vec::new() };
        let plain = key == Key::plain(key.code);
        match key.code {
            Code::Named("esc") => self.prompt = None,
            Code::Named("enter") => return self.submit(world),
            Code::Named("tab") => self.choose(if key.shift { -1 } else { 1 }),
            Code::Named("up") if plain => self.recall(world, 1),
            Code::Named("down") if plain => self.recall(world, -1),
            Code::Char('c') if key.ctrl => self.prompt = None,
            _ => {
                let Some(request) = request(key) else { return Vec::new() };
                let full = prompt.input.value().len() >= LONGEST_LINE;
                if !(full && matches!(request, InputRequest::InsertChar(_))) {
                    prompt.input.handle(request);
                }
                prompt.error = None;
                self.complete(world);
            }
        }
        Vec::new()
    }

    /// Text pasted into the command line. What is too much is left out, and said.
    pub(super) fn prompt_paste(&mut self, world: &World, text: &str) {
        let Some(prompt) = &mut self.prompt else { return };
        let one_line: String =
            text.trim_end().chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        let room = LONGEST_LINE.saturating_sub(prompt.input.value().len());
        let fitting = one_line.char_indices().take_while(|(at, c)| at + c.len_utf8() <= room).count();
        let (before, after): (String, String) = {
            let at = prompt.input.cursor();
            (prompt.input.value().chars().take(at).collect(), prompt.input.value().chars().skip(at).collect())
        };
        let pasted: String = one_line.chars().take(fitting).collect();
        let cursor = before.chars().count() + fitting;
        prompt.input = Input::new(before + &pasted + &after).with_cursor(cursor);
        prompt.error = None;
        if fitting < one_line.chars().count() {
            let kept = format!("pasted {} bytes of {}: a line holds no more", pasted.len(), text.len());
            self.say(Weight::Wrong, &kept);
        }
        self.complete(world);
    }

    fn choose(&mut self, step: isize) {
        let Some(prompt) = &mut self.prompt else { return };
        let count = prompt.candidates.len();
        if count == 0 {
            return;
        }
        let next = match prompt.chosen {
            None if step > 0 => 0,
            None => count - 1,
            Some(now) => (now as isize + step).rem_euclid(count as isize) as usize,
        };
        let line = completed(&prompt.stem, &prompt.candidates[next].text);
        prompt.input = Input::new(line);
        prompt.error = None;
        // The only way to go on is taken for good, so that the next Tab goes on from there.
        prompt.chosen = Some(next);
    }

    fn recall(&mut self, world: &World, step: isize) {
        let Some(prompt) = &mut self.prompt else { return };
        if prompt.back == 0 {
            prompt.draft = prompt.input.value().to_owned();
        }
        let back = prompt.back.saturating_add_signed(step).min(self.typed.len());
        prompt.back = back;
        let line = match back {
            0 => prompt.draft.clone(),
            back => self.typed[self.typed.len() - back].clone(),
        };
        prompt.set(&line);
        self.complete(world);
        if let Some(prompt) = &mut self.prompt {
            prompt.candidates.clear();
        }
    }

    fn submit(&mut self, world: &World) -> Vec<Effect> {
        let Some(prompt) = &mut self.prompt else { return Vec::new() };
        let line = prompt.input.value().trim().to_owned();
        if line.is_empty() {
            self.prompt = None;
            return Vec::new();
        }
        // The line stays open until it can be read; its columns are those that are seen.
        let typed = prompt.input.value().to_owned();
        match super::steps::split(&typed) {
            Err(error) => {
                prompt.error = Some(error);
                prompt.candidates.clear();
                return Vec::new();
            }
            Ok(_) => self.prompt = None,
        }
        self.typed.retain(|old| *old != line);
        self.typed.push(line.clone());
        if self.typed.len() > MOST {
            self.typed.remove(0);
        }
        match self.start(world, &line, 1) {
            Ok(effects) => effects,
            Err(error) => {
                self.refuse(&line, &error);
                Vec::new()
            }
        }
    }
}

/// The line with its last, unfinished word replaced.
pub fn completed(line: &str, candidate: &str) -> String {
    let quoted = line.matches('"').count() % 2 == 1;
    let keep = match line.rfind('"').filter(|_| quoted) {
        Some(quote) => quote,
        None => line.rfind([';', ' ', ',', '.']).map_or(0, |index| index + 1),
    };
    format!("{}{candidate}", &line[..keep])
}

fn request(key: Key) -> Option<InputRequest> {
    use InputRequest as R;
    Some(match (key.code, key.ctrl, key.alt) {
        (Code::Char(c), false, false) => R::InsertChar(c),
        (Code::Named("backspace"), false, false) => R::DeletePrevChar,
        (Code::Named("backspace"), _, _) | (Code::Char('w'), true, _) => R::DeletePrevWord,
        (Code::Named("delete"), false, false) => R::DeleteNextChar,
        (Code::Named("delete"), ..) => R::DeleteNextWord,
        (Code::Named("left"), false, false) => R::GoToPrevChar,
        (Code::Named("left"), ..) => R::GoToPrevWord,
        (Code::Named("right"), false, false) => R::GoToNextChar,
        (Code::Named("right"), ..) => R::GoToNextWord,
        (Code::Named("home"), ..) | (Code::Char('a'), true, _) => R::GoToStart,
        (Code::Named("end"), ..) | (Code::Char('e'), true, _) => R::GoToEnd,
        (Code::Char('u'), true, _) => R::DeleteLine,
        (Code::Char('k'), true, _) => R::DeleteTillEnd,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::completed;

    #[test]
    fn a_candidate_takes_the_place_of_the_unfinished_word() {
        assert_eq!(completed("fade out 4", "curve"), "fade out curve");
        assert_eq!(completed("fade pre", "preset"), "fade preset");
        assert_eq!(completed("goto \"fir", "\"first try\""), "goto \"first try\"");
        assert_eq!(completed("cut at 1s,cu", "cursor"), "cut at 1s,cursor");
        assert_eq!(completed("", "cut"), "cut");
    }
}
