//! What a command would do, piece by piece: a list to go through before anything is changed. What is accepted of it is a
//! command again, so that a script can run it.

use super::context::Context;
use super::diagnostic::Diagnostic;
use super::hearing::assets_of;
use super::lexer::{LONGEST_LINE, TokenKind, tokens};
use super::outcome::Remark;
use super::parse::parse;
use super::proposal::{Does, Proposal, gaps};
use super::table::Call;
use super::timing::pieces::{self, Slide};
use super::verbs::tighten::{planned, tell};
use super::verbs::trim_gaps;
use crate::song::{Role, Shift, Span};

/// The proposals of a command.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposed {
    /// The command that proposes them.
    pub line: String,
    /// The proposals, lane by lane in order.
    pub proposals: Vec<Proposal>,
    /// What it will not do, and why.
    pub refused: Vec<Remark>,
    how: How,
}

/// How what is accepted becomes a command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum How {
    /// `tighten pieces`, and whether a held sound may be cut.
    Pieces { inside: bool },
    /// `trim gaps places`.
    Places,
}

/// What a command would do.
///
/// # Errors
/// The line cannot be read, is no command of which proposals can be had, or cannot be carried out.
pub fn proposed(line: &str, context: &Context) -> Result<Proposed, Diagnostic> {
    let commands = parse(line)?;
    let [command] = commands.as_slice() else {
        return Err(Diagnostic::refusal("proposals are had of one command at a time"));
    };
    match command.call.verb.name {
        "tighten" => of_tighten(line, &command.call, context),
        "trim" if command.call.args.has("gaps") => of_gaps(line, &command.call, context),
        other => Err(Diagnostic::refusal(format!("`{other}` makes no proposals"))
            .help("`tighten` and `trim gaps` do, as in: propose \"tighten on all\"")),
    }
}

fn of_tighten(line: &str, call: &Call, context: &Context) -> Result<Proposed, Diagnostic> {
    let found = planned(call, context)?;
    let song = context.session.song();
    let how = How::Pieces { inside: call.args.has("inside") };
    let mut proposed = Proposed { line: line.to_owned(), proposals: Vec::new(), refused: Vec::new(), how };
    for plan in found.plans {
        let Some(lane) = found.timing.lanes.iter().find(|lane| lane.row == plan.row) else { continue };
        for piece in plan.pieces.iter().filter(|piece| piece.by != 0) {
            let Remark { from, to, text, .. } = tell(&found.timing, lane, piece);
            let words = piece.words.iter().map(|word| &lane.words[*word]);
            let numbers: Vec<usize> = words.clone().map(|word| word.word + 1).collect();
            let mut offs: Vec<f64> = words.map(super::timing::WordTiming::off).collect();
            offs.sort_by(f64::total_cmp);
            let (Some(first), Some(last), Some(off)) =
                (numbers.iter().min(), numbers.iter().max(), offs.get(offs.len() / 2))
            else {
                continue;
            };
            #[expect(clippy::cast_possible_truncation, reason = "offsets are less than a song")]
            let does =
                Does::Slide { words: (*first, *last), by: Shift(piece.by), off: Shift(off.round() as i64) };
            let reason = text.split_once(", ").map_or(String::new(), |(_, rest)| rest.to_owned());
            #[expect(clippy::cast_possible_truncation, reason = "from 0 to 1")]
            let confidence = piece.confidence as f32;
            let span = Span { start: from, end: to };
            proposed.proposals.push(Proposal {
                lane: song.lanes[plan.row].id,
                span,
                does,
                reason,
                confidence,
            });
        }
        proposed.refused.extend(plan.refused);
    }
    Ok(proposed)
}

fn of_gaps(line: &str, call: &Call, context: &Context) -> Result<Proposed, Diagnostic> {
    let song = context.session.song();
    let mut rows = call.scope.lanes(context, call.verb.every)?;
    if call.scope.is_all() {
        rows.retain(|row| song.lanes[*row].role != Role::Backing);
    }
    context.hearing.prepare(&assets_of(rows.iter().map(|row| song.lanes[*row].as_ref())))?;
    let rules = trim_gaps::rules(call, context)?;
    let mut proposed =
        Proposed { line: line.to_owned(), proposals: Vec::new(), refused: Vec::new(), how: How::Places };
    for row in rows {
        let lane = &song.lanes[row];
        let found = gaps(lane, context.session.rate, &rules, context.hearing)?;
        let start = lane.regions.first().map_or(crate::song::Position(0), |region| region.at);
        proposed.refused.extend(found.nothing.map(|text| Remark {
            lane: row + 1,
            from: start,
            to: start,
            text,
        }));
        proposed.proposals.extend(found.proposals);
    }
    Ok(proposed)
}

impl Proposed {
    /// The command that does some of the proposals, as they stand in the list or changed, and nothing else.
    ///
    /// # Errors
    /// There are none, or more than a line holds.
    pub fn command(&self, chosen: &[Proposal], context: &Context) -> Result<String, Diagnostic> {
        if chosen.is_empty() {
            return Err(Diagnostic::refusal("nothing is accepted"));
        }
        let number = |proposal: &Proposal| context.session.song().number(proposal.lane).unwrap_or(0);
        let line = match self.how {
            How::Pieces { inside } => {
                let slide = |proposal: &Proposal| match proposal.does {
                    Does::Slide { words, by, .. } => Some(Slide { lane: number(proposal), words, by }),
                    _ => None,
                };
                let slides: Vec<Slide> = chosen.iter().filter_map(slide).collect();
                let inside = if inside { "inside words " } else { "" };
                format!("tighten {inside}pieces \"{}\"", pieces::write(&slides))
            }
            How::Places => {
                let place = |proposal: &Proposal| {
                    let middle = i64::midpoint(proposal.span.start.0, proposal.span.end.0);
                    format!("{}:{middle}smp", number(proposal))
                };
                let places: Vec<String> = chosen.iter().map(place).collect();
                let places = format!(" anyway places \"{}\"", places.join(", "));
                let plain = self.line.replace(" anyway", "");
                let scope = tokens(&plain)?
                    .iter()
                    .find(|token| matches!(&token.kind, TokenKind::Word(word) if word == "on"))
                    .map_or(plain.len(), |token| token.span.start.saturating_sub(1));
                format!("{}{places}{}", &plain[..scope], &plain[scope..])
            }
        };
        match line.len() > LONGEST_LINE {
            true => {
                Err(Diagnostic::refusal("so many do not fit into one command").help("accept fewer at a time"))
            }
            false => Ok(line),
        }
    }
}
