//! Scopes: which lanes and regions a command acts on.

use std::collections::BTreeSet;

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::grammar::{Args, Kind, Part};
use super::value::{LaneRef, TimeExpr, Value};
use crate::song::{Lane, LaneId, Position, Region, Role, Song, Span};

/// What may follow `on`.
pub const SCOPE: &[Part] = &[
    Part::One(&[
        &[Part::Word("all")],
        &[Part::Word("here")],
        &[Part::Word("selected")],
        &[Part::Word("loop")],
        &[Part::Word("lane"), Part::Value("lanes", Kind::Lanes)],
        &[Part::Word("role"), Part::Value("roles", Kind::Roles)],
    ]),
    Part::Maybe(&[Part::One(&[
        &[
            Part::Word("at"),
            Part::One(&[&[Part::Value("span", Kind::Span)], &[Part::Value("at-time", Kind::Time)]]),
        ],
        &[Part::Word("word"), Part::Value("words", Kind::Words)],
    ])]),
];

/// A scope as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Scope {
    base: Base,
    narrow: Option<Narrow>,
}

#[derive(Debug, Clone, PartialEq)]
enum Base {
    All,
    Here,
    Selected,
    Loop,
    Lanes(Vec<LaneRef>),
    Roles(Vec<Role>),
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Narrow {
    At(TimeExpr),
    Span(TimeExpr, TimeExpr),
    Words(u64, u64),
}

impl Scope {
    /// The region at the cursor.
    pub const HERE: Scope = Scope { base: Base::Here, narrow: None };

    /// Some lanes, whole.
    #[must_use]
    pub fn of_lanes(lanes: Vec<LaneRef>) -> Scope {
        Scope { base: Base::Lanes(lanes), narrow: None }
    }

    /// Builds a scope from what the form of a scope matched.
    #[must_use]
    pub fn from_args(args: &Args) -> Scope {
        let base = match (args.get("lanes"), args.get("roles")) {
            (Some(Value::Lanes(lanes)), _) => Base::Lanes(lanes.clone()),
            (_, Some(Value::Roles(roles))) => Base::Roles(roles.clone()),
            _ if args.has("all") => Base::All,
            _ if args.has("loop") => Base::Loop,
            _ if args.has("selected") => Base::Selected,
            _ => Base::Here,
        };
        let narrow = match (args.get("span"), args.get("at-time")) {
            (Some(Value::Span(from, to)), _) => Some(Narrow::Span(*from, *to)),
            (_, Some(Value::Times(times))) => times.first().map(|time| Narrow::At(*time)),
            _ => match args.get("words") {
                Some(Value::Words(first, last)) => Some(Narrow::Words(*first, *last)),
                _ => None,
            },
        };
        Scope { base, narrow }
    }

    /// True if the scope names whole lanes rather than some of their regions.
    #[must_use]
    pub fn is_of_lanes(&self) -> bool {
        self.narrow.is_none() && !matches!(self.base, Base::Here | Base::Selected | Base::Loop)
    }

    /// True if the scope is `all`, narrowed or not.
    #[must_use]
    pub fn is_all(&self) -> bool {
        self.base == Base::All
    }

    /// The lanes of the scope by row, whether or not any of their regions lie in it.
    ///
    /// `every` makes `all` mean every lane; otherwise it leaves out the guide and the backing.
    ///
    /// # Errors
    /// A lane that does not exist, a role that no lane has, no cursor for `here`, no loop for `loop`.
    pub fn lanes(&self, context: &Context, every: bool) -> Result<Vec<usize>, Diagnostic> {
        let song = context.session.song();
        let rows = 0..song.lanes.len();
        let worked_on = |row: &usize| every || !matches!(song.lanes[*row].role, Role::Guide | Role::Backing);
        let found: Vec<usize> = match &self.base {
            Base::All => rows.filter(worked_on).collect(),
            Base::Loop => {
                context.loop_span()?;
                rows.filter(worked_on).collect()
            }
            Base::Here => vec![row_of(song, context.cursor()?.lane)?],
            Base::Selected => {
                let selected = context.cursor()?.selected;
                let has = |row: &usize| song.lanes[*row].regions.iter().any(|r| selected.contains(&r.id));
                rows.filter(has).collect()
            }
            Base::Roles(roles) => rows.filter(|row| roles.contains(&song.lanes[*row].role)).collect(),
            Base::Lanes(lanes) => named_lanes(song, lanes)?,
        };
        if found.is_empty() {
            let what = match &self.base {
                Base::Roles(roles) => {
                    let words: Vec<&str> = roles.iter().map(|role| role.word()).collect();
                    format!("no lane has the role {}", words.join(" or "))
                }
                Base::Selected => return Err(Diagnostic::refusal("no region is selected")),
                _ => "there is no lane but the guide and the backing".to_owned(),
            };
            return Err(Diagnostic::refusal(what).help("`tautline show` lists the lanes"));
        }
        Ok(found)
    }

    /// The regions of the scope as (row, index) in order.
    ///
    /// # Errors
    /// As [`Self::lanes`]; also if no region lies in the scope, or none on a lane that was named.
    pub fn regions(&self, context: &Context, every: bool) -> Result<Vec<(usize, usize)>, Diagnostic> {
        let song = context.session.song();
        let mut found = Vec::new();
        for row in self.lanes(context, every)? {
            let lane = &song.lanes[row];
            let before = found.len();
            found.extend(self.indices(context, row, lane)?.into_iter().map(|index| (row, index)));
            let named = matches!(self.base, Base::Lanes(_));
            if named && found.len() == before {
                return Err(self.nothing(context, Some((row, lane))));
            }
        }
        if found.is_empty() { Err(self.nothing(context, None)) } else { Ok(found) }
    }

    fn indices(&self, context: &Context, row: usize, lane: &Lane) -> Result<Vec<usize>, Diagnostic> {
        let base = |region: &Region| -> Result<bool, Diagnostic> {
            match self.base {
                Base::Here if self.narrow.is_none() => Ok(region.contains(context.cursor()?.at)),
                Base::Loop => {
                    let span = context.loop_span()?;
                    Ok(region.at < span.end && span.start < region.end())
                }
                Base::Selected => Ok(context.cursor()?.selected.contains(&region.id)),
                _ => Ok(true),
            }
        };
        let narrowed: Vec<usize> = match self.narrow {
            // Where two regions cross, the cursor means the later one, as everywhere else.
            None if self.base == Base::Here => {
                return Ok(lane.index_at(context.cursor()?.at).into_iter().collect());
            }
            None => (0..lane.regions.len()).collect(),
            Some(Narrow::At(time)) => lane.index_at(context.position(time)?).into_iter().collect(),
            Some(Narrow::Span(from, to)) => starting_in(context, lane, from, to)?,
            Some(Narrow::Words(first, last)) => holding_words(context, row, lane, first, last)?,
        };
        let mut kept = Vec::with_capacity(narrowed.len());
        for index in narrowed {
            if base(&lane.regions[index])? {
                kept.push(index);
            }
        }
        Ok(kept)
    }

    /// The words of the guide that it is narrowed to, by number from 1.
    ///
    /// # Errors
    /// The guide has no such words.
    pub fn words(&self, context: &Context) -> Result<Option<(u64, u64)>, Diagnostic> {
        match self.narrow {
            Some(Narrow::Words(first, last)) => context.word_span(first, last).map(|_| Some((first, last))),
            _ => Ok(None),
        }
    }

    fn nothing(&self, context: &Context, lane: Option<(usize, &Lane)>) -> Diagnostic {
        let place = match lane {
            Some((row, lane)) => format!("lane {} ({})", row + 1, lane.name),
            None => "the scope".to_owned(),
        };
        let time = |expr: TimeExpr| context.position(expr).map_or(String::new(), |at| context.show(at));
        match self.narrow {
            Some(Narrow::At(at)) => Diagnostic::refusal(format!("{place} has no region at {}", time(at))),
            Some(Narrow::Span(from, to)) => {
                let refusal = Diagnostic::refusal(format!(
                    "no region of {place} starts in {}..{}",
                    time(from),
                    time(to)
                ));
                let under = context.position(from).ok().and_then(|at| {
                    lane.and_then(|(_, lane)| lane.index_at(at).map(|index| lane.regions[index].at))
                });
                match under {
                    Some(start) => refusal.help(format!(
                        "the region under {} starts at {}; `at {}` means that one",
                        time(from),
                        context.show(start),
                        time(from)
                    )),
                    None => refusal,
                }
            }
            _ => Diagnostic::refusal(format!("{place} has no region there")),
        }
    }
}

/// Regions that start in a span. An open end reaches to the last region; if none starts after the
/// span's start, the region that sounds there is meant, so that "from here to the end" always means
/// something while something sounds.
fn starting_in(
    context: &Context,
    lane: &Lane,
    from: TimeExpr,
    to: TimeExpr,
) -> Result<Vec<usize>, Diagnostic> {
    let start = context.position(from)?;
    let open = to == TimeExpr::End;
    let end = if open { Position(i64::MAX) } else { context.position(to)? };
    if end <= start {
        return Err(Diagnostic::refusal(format!(
            "the span {}..{} is empty",
            context.show(start),
            context.show(end)
        )));
    }
    let span = Span { start, end };
    let starting: Vec<usize> =
        (0..lane.regions.len()).filter(|index| span.contains(lane.regions[*index].at)).collect();
    if starting.is_empty() && open {
        return Ok(lane.index_at(start).into_iter().collect());
    }
    Ok(starting)
}

/// Regions that hold words of the guide: where the lane was matched, those in which the words sound; on the guide
/// itself and on a lane that cannot be matched, those that reach into the words' span.
fn holding_words(
    context: &Context,
    row: usize,
    lane: &Lane,
    first: u64,
    last: u64,
) -> Result<Vec<usize>, Diagnostic> {
    let span = context.word_span(first, last)?;
    let measured = match lane.role {
        Role::Guide | Role::Backing => None,
        _ => super::timing::measure(context, &[row])?.lanes.into_iter().next(),
    };
    if let Some(timing) = measured
        && timing.alike == crate::listen::timing::Alike::Yes
    {
        let wanted = |word: usize| (first..=last).contains(&(word as u64 + 1));
        let mut found: Vec<usize> =
            timing.words.iter().filter(|word| wanted(word.word)).map(|word| word.region).collect();
        found.sort_unstable();
        found.dedup();
        return Ok(found);
    }
    let reaches = |region: &Region| region.at < span.end && span.start < region.end();
    Ok((0..lane.regions.len()).filter(|index| reaches(&lane.regions[*index])).collect())
}

fn row_of(song: &Song, id: LaneId) -> Result<usize, Diagnostic> {
    song.lanes
        .iter()
        .position(|lane| lane.id == id)
        .ok_or_else(|| Diagnostic::refusal("the cursor is on a lane that is not there"))
}

pub(super) fn named_lanes(song: &Song, lanes: &[LaneRef]) -> Result<Vec<usize>, Diagnostic> {
    let mut rows = BTreeSet::new();
    for lane in lanes {
        match lane {
            LaneRef::Numbers(first, last) => {
                let count = song.lanes.len() as u64;
                if *last > count {
                    return Err(Diagnostic::refusal(format!("there is no lane {last}"))
                        .help(format!("the session has lanes 1 to {count}")));
                }
                rows.extend((*first..=*last).filter_map(|number| usize::try_from(number - 1).ok()));
            }
            LaneRef::Name(name) => {
                let row = song.lanes.iter().position(|lane| lane.name == *name).ok_or_else(|| {
                    let refusal = Diagnostic::refusal(format!("there is no lane named \"{name}\""));
                    let names = song.lanes.iter().map(|lane| lane.name.as_str());
                    match super::suggest::nearest(name, names) {
                        Some(near) => refusal.help(format!("did you mean \"{near}\"?")),
                        None => refusal,
                    }
                })?;
                rows.insert(row);
            }
        }
    }
    Ok(rows.into_iter().collect())
}
