//! `tighten`: slides words home to the guide.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::outcome::{Action, Remark};
use crate::command::scope::Scope;
use crate::command::table::{Call, ScopeUse, Verb};
use crate::command::timing::apart::Settled;
use crate::command::timing::carry::{Done, carry_out};
use crate::command::timing::pieces::{self, Slide};
use crate::command::timing::splice::{How, place_cuts};
use crate::command::timing::tighten::{Piece, Plan, Rules, names, plan};
use crate::command::timing::{LaneTiming, Timing, measure, rows_of};
use crate::listen::timing::Alike;
use crate::song::Position;

/// Offsets up to here stay unless told: common practice, no source.
const WITHIN_MS: f64 = 10.0;
/// Nothing is slid farther unless told.
const AT_MOST_MS: f64 = 150.0;
/// Words less sure than this move nothing unless told: of those from here to 0.6, three in four lie within 15 ms of the truth and
/// nine in ten come nearer to the guide if they are moved (made stacks of `make_draw.py`, seeds 1, 3, 5).
const SURE: f64 = 0.3;

/// The verb.
pub static VERB: Verb = Verb {
    name: "tighten",
    form: &[Part::Any(
        0,
        &[
            &[Part::Word("within"), Part::Value("within-is", Kind::Length)],
            &[Part::Word("at"), Part::Word("most"), Part::Value("most-is", Kind::Length)],
            &[Part::Word("sure"), Part::Value("sure-is", Kind::Unit)],
            &[Part::One(&[&[Part::Word("onsets")], &[Part::Word("vowels")]])],
            &[Part::Word("inside"), Part::Word("words")],
            &[Part::Word("apart"), Part::Value("apart-is", Kind::Length)],
            &[Part::Word("pieces"), Part::Value("pieces-are", Kind::Quoted)],
        ],
    )],
    scope: ScopeUse::Regions,
    every: false,
    about: "Brings words within a distance of the guide (10 ms unless told) by the fewest cuts: neighbours that move alike stay \
            one piece, pieces are slid and never stretched. Cuts lie in quiet places; where words touch, in phase or under a fade \
            where one goes over into the next. Words less sure than `sure` (0.3) or farther away than `at most` (150 ms) are not \
            moved for their own sake, and it says so. `inside words` looks for a cut far inside a held sound too. `apart 1ms` \
            brings no onset closer than that to another lane's, so that copies do not comb. `pieces` slides exactly what it \
            lists: lane, words, distance. `run --dry-run` lists the pieces.",
    examples: &[
        "tighten on role double",
        "tighten within 3ms at most 150ms on all",
        "tighten within 8ms vowels on lane 2 word 3..5",
        "tighten within 5ms apart 1ms inside words on role double",
        "tighten pieces \"2:3..5 -35.2ms, 3:7 +4ms\"",
    ],
    also: &["align", "quantize", "tight"],
    resolve,
};

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let Planned { timing, plans } = planned(call, context)?;
    let mut draft = Draft::new(context);
    let (mut remarks, mut moved) = (Vec::new(), 0);
    let mut done = Done::default();
    for plan in plans {
        let Some(lane) = timing.lanes.iter().find(|lane| lane.row == plan.row) else { continue };
        let slid = || plan.pieces.iter().filter(|piece| piece.by != 0);
        remarks.extend(slid().map(|piece| tell(&timing, lane, piece)));
        moved += slid().map(|piece| piece.words.len()).sum::<usize>();
        let more = carry_out(&mut draft, lane, &plan, context)?;
        done = Done { cuts: done.cuts + more.cuts, filled: done.filled + more.filled };
        remarks.extend(plan.refused);
    }
    let left = remarks.len();
    let filled = match done.filled {
        0 => String::new(),
        filled => format!(", filled {} with room tone", super::count(filled, "hole")),
    };
    let (words, cuts) = (super::count(moved, "word"), super::count(done.cuts, "cut"));
    match draft.finish(format!("slid {words} by {cuts}{filled}")) {
        Ok(Action::Edit { ops, brought_from, summary, .. }) => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        Err(_) if moved == 0 && left > 0 => {
            let why: Vec<String> = remarks.iter().take(3).map(|remark| remark.text.clone()).collect();
            Err(Diagnostic::refusal(format!("nothing is moved: {}", why.join("; "))).help(more(&timing)))
        }
        Err(_) if moved == 0 => Err(Diagnostic::refusal("all words lie within the distance already")),
        other => other,
    }
}

/// What may help where nothing is moved.
fn more(timing: &Timing) -> &'static str {
    if timing.lanes.iter().all(|lane| lane.alike != Alike::Yes) {
        return "is it another song, or a take at another tempo? `timing` says what was heard; `shift` moves a take as a whole";
    }
    "`timing` lists all words; `sure 0.1` and a larger `at most` allow more"
}

/// What a call comes to: the timing it was planned by, and a plan for each lane.
pub(in crate::command) struct Planned {
    pub timing: Timing,
    pub plans: Vec<Plan>,
}

/// Plans a call of this verb without carrying it out.
pub(in crate::command) fn planned(call: &Call, context: &Context) -> Result<Planned, Diagnostic> {
    let rules = rules(call, context)?;
    let (timing, mut plans) = match super::text(&call.args, "pieces-are") {
        Some(text) => by_name(call, context, text)?,
        None => by_scope(call, context, &rules)?,
    };
    let rows: Vec<usize> = plans.iter().map(|plan| plan.row).collect();
    let mut settled = Settled::new(&timing, &|row| rows.contains(&row));
    for plan in &plans {
        let lane = timing.lanes.iter().find(|lane| lane.row == plan.row);
        lane.into_iter().for_each(|lane| settled.keep(lane, plan));
    }
    for plan in &mut plans {
        let Some(lane) = timing.lanes.iter().find(|lane| lane.row == plan.row) else { continue };
        if let Some(apart) = rules.apart {
            settled.settle(&timing, lane, &rules, apart, plan);
        }
        place_cuts(context, &timing, lane, &rules, plan)?;
    }
    Ok(Planned { timing, plans })
}

fn by_scope(call: &Call, context: &Context, rules: &Rules) -> Result<(Timing, Vec<Plan>), Diagnostic> {
    let rows = call.scope.lanes(context, call.verb.every)?;
    let in_scope = call.scope.regions(context, call.verb.every)?;
    let chosen = call.scope.words(context)?;
    // Onsets are kept apart from those of lanes that are not in the scope too.
    let measured = if rules.apart.is_some() { rows_of(context.session.song()) } else { rows.clone() };
    let timing = measure(context, &measured)?;
    let mut plans = Vec::new();
    for lane in timing.lanes.iter().filter(|lane| rows.contains(&lane.row)) {
        let wanted = |region: usize, word: usize| {
            let named = chosen.is_none_or(|(first, last)| (first..=last).contains(&(word as u64 + 1)));
            named && (chosen.is_some() || in_scope.contains(&(lane.row, region)))
        };
        plans.push(plan(context, &timing, lane, rules, &wanted)?);
    }
    Ok((timing, plans))
}

fn by_name(call: &Call, context: &Context, text: &str) -> Result<(Timing, Vec<Plan>), Diagnostic> {
    if call.scope != Scope::HERE {
        return Err(Diagnostic::refusal("`pieces` names its lanes itself, so it takes no scope"));
    }
    let slides = pieces::read(text, context)?;
    let timing = measure(context, &rows_of(context.session.song()))?;
    let mut rows: Vec<usize> = slides.iter().map(|slide| slide.lane - 1).collect();
    rows.sort_unstable();
    rows.dedup();
    let mut plans = Vec::new();
    for row in rows {
        let own: Vec<Slide> = slides.iter().copied().filter(|slide| slide.lane == row + 1).collect();
        let lane = timing.lanes.iter().find(|lane| lane.row == row).ok_or_else(|| {
            Diagnostic::refusal(format!("lane {} is not there, or nothing is measured on it", row + 1))
                .help("the guide and the backing stay; `tautline show` lists the lanes")
        })?;
        plans.push(pieces::plan(context, (&timing, lane), &own)?);
    }
    Ok((timing, plans))
}

fn rules(call: &Call, context: &Context) -> Result<Rules, Diagnostic> {
    let samples = |key: &str, usual: f64| -> Result<f64, Diagnostic> {
        let usual = usual * f64::from(context.session.rate) / 1000.0;
        Ok(super::length(&call.args, key, context)?.map_or(usual, |length| length.0 as f64))
    };
    Ok(Rules {
        within: samples("within-is", WITHIN_MS)?,
        at_most: samples("most-is", AT_MOST_MS)?,
        sure: super::number(&call.args, "sure-is").unwrap_or(SURE).clamp(0.0, 1.0),
        vowels: call.args.has("vowels"),
        inside: call.args.has("inside"),
        exact: call.args.has("pieces-are"),
        apart: super::length(&call.args, "apart-is", context)?.map(|apart| apart.0 as f64),
    })
}

/// What is to be said about a piece.
pub(in crate::command) fn tell(timing: &Timing, lane: &LaneTiming, piece: &Piece) -> Remark {
    let first = piece.words.first().map(|word| &lane.words[*word]);
    let last = piece.words.last().map(|word| &lane.words[*word]);
    let place = |at: Option<f64>| Position(at.unwrap_or(0.0) as i64);
    let cut = match piece.splice.map(|splice| splice.how) {
        Some(How::Quiet(quiet)) => format!(", cut at {:.0} dBFS", quiet.level_db),
        Some(How::Phase(correlation)) => format!(", cut in phase ({correlation:.2})"),
        Some(How::Faded) => ", cut under a fade".to_owned(),
        None => String::new(),
    };
    Remark {
        lane: lane.row + 1,
        from: place(first.map(|word| word.at)),
        to: place(last.map(|word| word.end.max(word.at))),
        text: format!(
            "{}: {:+.1} ms{cut}, sure {:.2}",
            names(lane, &piece.words),
            timing.ms(piece.by as f64),
            piece.confidence
        ),
    }
}
