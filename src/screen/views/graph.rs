//! The edit graph: every branch a string of beads, time to the right; below it the edits in words.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

use super::super::draw::Brush;
use super::super::theme::Role;
use super::super::widgets::{fit, put};
use crate::edit::History;
use crate::song::EditId;

/// Columns from one bead to the next.
const STEP: u16 = 2;

/// On which string each edit is: 0 is the one that begins at the start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rows(Vec<u32>);

impl Rows {
    /// Lays the edits out: one goes on its parent's string if it is the first that follows it, and else
    /// begins a new one.
    #[must_use]
    pub fn of(history: &History) -> Rows {
        let mut rows = vec![0u32];
        let mut strings = 0;
        for edit in history.edits() {
            let parent = edit.parents.first().copied().unwrap_or(EditId(0));
            let first = history.children(parent).first() == Some(&edit.id);
            rows.push(if first {
                usize::try_from(parent.0).ok().and_then(|parent| rows.get(parent).copied()).unwrap_or(0)
            } else {
                strings += 1;
                strings
            });
        }
        Rows(rows)
    }

    /// The string of an edit.
    #[must_use]
    pub fn row(&self, id: EditId) -> u32 {
        usize::try_from(id.0).ok().and_then(|id| self.0.get(id).copied()).unwrap_or(0)
    }

    /// The edit on the next string up or down that was made nearest to this one.
    #[must_use]
    pub fn beside(&self, id: EditId, step: i64) -> Option<EditId> {
        let row = u32::try_from(i64::from(self.row(id)) + step).ok()?;
        let there = (0..self.0.len() as u64).map(EditId).filter(|other| self.row(*other) == row);
        there.min_by_key(|other| other.0.abs_diff(id.0))
    }

    /// How many strings there are.
    #[must_use]
    pub fn count(&self) -> u32 {
        self.0.iter().max().map_or(1, |row| row + 1)
    }
}

/// Draws the view.
pub fn draw(brush: &Brush, buffer: &mut Buffer) {
    let Brush { world, layout, .. } = brush;
    let body = layout.body;
    let rows = Rows::of(&world.session.history);
    let wanted = u16::try_from(rows.count().saturating_mul(2)).unwrap_or(u16::MAX).saturating_add(2);
    let upper = wanted.clamp(4, (body.height / 2).max(4)).min(body.height);
    strings(brush, &rows, Rect { height: upper, ..body }, buffer);
    let lower = Rect { y: body.y + upper, height: body.height - upper, ..body };
    list(brush, lower, buffer);
}

fn strings(brush: &Brush, rows: &Rows, area: Rect, buffer: &mut Buffer) {
    let Brush { app, world, .. } = brush;
    let history = &world.session.history;
    let many = |count: usize, what: &str, more: &str| {
        format!("{count} {what}{}", if count == 1 { "" } else { more })
    };
    let title = format!(
        "{} on {}, {}",
        many(history.edits().len(), "edit", "s"),
        many(rows.count() as usize, "branch", "es"),
        many(world.session.marks.len(), "mark", "s")
    );
    put(buffer, area.x + 1, area.y, area.width, &title, brush.style(Role::Faint));
    let glyphs = app.shapes.glyphs();
    // As many as fit, with the walker in sight.
    let fit = u64::from((area.width.saturating_sub(6)) / STEP).max(1);
    let total = history.edits().len() as u64 + 1;
    let first = app.walker.0.saturating_sub(fit * 2 / 3).min(total.saturating_sub(fit));
    let lines = u32::from(area.height.saturating_sub(1) / 2).max(1);
    let top = rows.row(app.walker).saturating_sub(lines.saturating_sub(1));
    let x_of = |id: u64| {
        let step = id.checked_sub(first).filter(|step| *step < fit)?;
        Some(area.x + 3 + u16::try_from(step).ok()? * STEP)
    };
    let y_of = |row: u32| {
        let line = row.checked_sub(top).filter(|line| *line < lines)?;
        Some(area.y + 2 + u16::try_from(line).ok()? * 2)
    };
    for id in (first..total.min(first + fit)).map(EditId) {
        let Some(edit) = history.edit(id) else { continue };
        let parent = edit.parents.first().copied().unwrap_or(EditId(0));
        let (row, from_row) = (rows.row(id), rows.row(parent));
        let start = x_of(parent.0).map_or(area.x + 1, |x| x + 1);
        let (Some(x), Some(y)) = (x_of(id.0), y_of(row)) else { continue };
        let style = brush.style(Role::Edge);
        if row == from_row {
            for x in start..x {
                put(buffer, x, y, 1, glyphs.string, style);
            }
            continue;
        }
        let from_y = y_of(from_row).map_or(area.y + 1, |y| y + 1);
        let bend = start.saturating_sub(1);
        for fall in from_y..y {
            if buffer[(bend, fall)].symbol() == " " {
                put(buffer, bend, fall, 1, glyphs.fall, style);
            }
        }
        put(buffer, bend, y, 1, glyphs.bend, style);
        for x in bend + 1..x {
            put(buffer, x, y, 1, glyphs.string, style);
        }
    }
    for id in (first..total.min(first + fit)).map(EditId) {
        let (Some(x), Some(y)) = (x_of(id.0), y_of(rows.row(id))) else { continue };
        let brings = history.edit(id).is_some_and(|edit| edit.parents.len() > 1);
        let head = id == history.head();
        let glyph = match (head, brings) {
            (true, _) => glyphs.here,
            (_, true) => glyphs.brought,
            _ => glyphs.bead,
        };
        let role = if head { Role::Fine } else { Role::Body };
        put(buffer, x, y, 1, glyph, brush.style(role));
        if world.session.marks.values().any(|edit| *edit == id) {
            put(buffer, x, y - 1, 1, glyphs.flag, brush.style(Role::Loop));
        }
        if app.heard == Some(id) {
            put(buffer, x, y - 1, 1, glyphs.running, brush.style(Role::Playhead));
        }
        if id == app.walker {
            put(buffer, x - 1, y, 1, "(", brush.style(Role::Cursor));
            put(buffer, x + 1, y, 1, ")", brush.style(Role::Cursor));
        }
    }
}

/// Edits before and after the walker along its way, in words.
fn list(brush: &Brush, area: Rect, buffer: &mut Buffer) {
    let Brush { app, world, .. } = brush;
    let history = &world.session.history;
    let room = usize::from(area.height);
    let mut way = vec![app.walker];
    while way.len() < room / 2 + 1
        && let Some(parent) = history.parent(*way.last().unwrap_or(&EditId(0)))
    {
        way.push(parent);
    }
    way.reverse();
    let mut here = app.walker;
    while way.len() < room
        && let Some(next) = history.children(here).first()
    {
        here = *next;
        way.push(here);
    }
    for (id, y) in way.into_iter().zip(area.top()..area.bottom()) {
        let walker = id == app.walker;
        if walker {
            put(buffer, area.x, y, 1, app.shapes.glyphs().focus, brush.style(Role::Cursor));
        }
        let style = brush.style(if walker { Role::Title } else { Role::Text });
        let head = if id == history.head() { app.shapes.glyphs().here } else { " " };
        put(buffer, area.x + 1, y, 1, head, brush.style(Role::Fine));
        let x = put(buffer, area.x + 2, y, 7, &format!("{:>6} ", id.0), brush.style(Role::Faint));
        let (time, command) =
            history.edit(id).map_or((String::new(), "the session began".to_owned()), |edit| {
                let brought =
                    edit.parents.get(1).map_or(String::new(), |from| format!("  (from edit {from})"));
                (when(&edit.time), format!("{}{brought}", edit.command))
            });
        let x = put(buffer, x, y, 18, &format!("{time:<17} "), brush.style(Role::Faint));
        let marks: Vec<String> = world
            .session
            .marks
            .iter()
            .filter(|(_, edit)| **edit == id)
            .map(|(name, _)| format!("{} {name}", app.shapes.glyphs().flag))
            .collect();
        let marks = super::super::log::clean(&marks.join("  "));
        let room = usize::from(area.right().saturating_sub(x)).saturating_sub(marks.chars().count() + 2);
        let x = put(buffer, x, y, room as u16, &fit(&command, room, app.shapes.glyphs().cut), style) + 2;
        put(buffer, x, y, area.right().saturating_sub(x), &marks, brush.style(Role::Loop));
    }
}

/// An RFC 3339 time without its letters and its seconds' fraction.
fn when(time: &str) -> String {
    let (day, rest) = time.split_once('T').unwrap_or((time, ""));
    let minute: String = rest.chars().take(5).collect();
    super::super::log::clean(&format!("{day} {minute}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edit::Edit;
    use crate::song::Song;

    /// 0 - 1 - 2, then from 1: 3 - 4, then from 0: 5.
    fn history() -> History {
        let mut history = History::new(Song::default());
        for (id, parent) in [(1, 0), (2, 1), (3, 1), (4, 3), (5, 0)] {
            let edit = Edit {
                id: EditId(id),
                parents: vec![EditId(parent)],
                time: String::new(),
                command: String::new(),
                ops: vec![],
            };
            let song = history.try_edit(&edit, None).unwrap();
            history.adopt(edit, song);
        }
        history
    }

    #[test]
    fn branches_get_strings_of_their_own_and_neighbours_are_found() {
        let rows = Rows::of(&history());
        assert_eq!(rows.0, [0, 0, 0, 1, 1, 2]);
        assert_eq!(rows.count(), 3);
        assert_eq!(rows.beside(EditId(2), 1), Some(EditId(3)));
        assert_eq!(rows.beside(EditId(4), -1), Some(EditId(2)));
        assert_eq!(rows.beside(EditId(5), 1), None);
        assert_eq!(rows.beside(EditId(0), -1), None);
    }
}
