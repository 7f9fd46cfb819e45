//! `soften`: lowers esses, breaths or pops by short gain ramps, or takes the thump out of pops.

use crate::command::context::Context;
use crate::command::diagnostic::Diagnostic;
use crate::command::dip::Dip;
use crate::command::draft::Draft;
use crate::command::grammar::{Kind, Part};
use crate::command::hearing::assets_of;
use crate::command::outcome::{Action, Remark};
use crate::command::proposal::{of_ms, on_timeline};
use crate::command::table::{Call, ScopeUse, Verb};
use crate::listen::SoundKind;
use crate::song::rules::HIGHPASS_RANGE;
use crate::song::{Db, Length, Span};

/// The verb.
pub static VERB: Verb = Verb {
    name: "soften",
    form: &[
        Part::One(&[
            &[Part::Word("s"), Part::Value("by", Kind::Gain)],
            &[Part::Word("breaths"), Part::Value("by", Kind::Gain)],
            &[
                Part::Word("pops"),
                Part::Maybe(&[Part::One(&[
                    &[Part::Word("below"), Part::Value("frequency", Kind::Frequency)],
                    &[Part::Value("by", Kind::Gain)],
                ])]),
            ],
        ]),
        Part::Maybe(&[Part::Word("ramp"), Part::Value("ramp-is", Kind::Length)]),
    ],
    scope: ScopeUse::Regions,
    every: false,
    about: "Lowers sibilants, breaths or pops by a gain, or takes out of pops what is below a frequency (150 Hz unless told), \
            with short ramps around each (8 ms, 20 ms, 12 ms): cuts with crossfades that can be moved or taken back like any \
            other.",
    examples: &[
        "soften s 6dB on role double",
        "soften breaths 9dB on lane 3",
        "soften pops on all",
        "soften pops below 120Hz on lane 2",
    ],
    also: &["duck", "dip", "deess"],
    resolve,
};

/// Ramps unless told, in ms (common practice, no source).
const S_MS: u64 = 8;
const BREATH_MS: u64 = 20;
const POP_MS: u64 = 12;
/// The thump of a pop lies below this, and hardly any voice (common practice, no source).
const POP_HZ: f64 = 150.0;
/// More than this leaves a hole (common practice, no source).
const MOST_DB: f64 = 60.0;

fn resolve(call: &Call, context: &Context) -> Result<Action, Diagnostic> {
    let (kind, what, usual) = match (call.args.has("s"), call.args.has("breaths")) {
        (true, _) => (SoundKind::Sibilant, "sibilant", S_MS),
        (_, true) => (SoundKind::Breath, "breath", BREATH_MS),
        _ => (SoundKind::Pop, "pop", POP_MS),
    };
    let (dip, how) = how(call)?;
    let rate = context.session.rate;
    let ramp = super::length(&call.args, "ramp-is", context)?.unwrap_or(of_ms(usual, rate));
    let found = call.scope.regions(context, call.verb.every)?;
    let song = context.session.song();
    let rows = super::rows_of(&found);
    context.hearing.prepare(&assets_of(rows.iter().map(|row| song.lanes[*row].as_ref())))?;
    let mut draft = Draft::new(context);
    let mut remarks = Vec::new();
    for row in rows {
        let mut spans: Vec<(Span, f32)> = Vec::new();
        for (_, index) in found.iter().filter(|(of, _)| *of == row) {
            let region = &song.lanes[row].regions[*index];
            let heard = context.hearing.heard(region.asset)?;
            spans.extend(heard.of(kind).filter_map(|sound| {
                on_timeline(region, sound.start, sound.end).map(|span| (span, sound.level_db))
            }));
        }
        for (span, level) in apart(spans, ramp).into_iter().rev() {
            draft.dip(row, span, dip, ramp)?;
            let text = format!("soften {how}: {what} of {level:.0} dBFS");
            remarks.push(Remark { lane: row + 1, from: span.start, to: span.end, text });
        }
    }
    remarks.sort_by_key(|remark| (remark.lane, remark.from));
    if remarks.is_empty() {
        return Err(Diagnostic::refusal(format!("nothing to do: no {what} was heard in the scope")));
    }
    match draft.finish(format!("softened {} {how}", super::count(remarks.len(), what)))? {
        Action::Edit { ops, brought_from, summary, .. } => {
            Ok(Action::Edit { ops, brought_from, summary, remarks })
        }
        other => Ok(other),
    }
}

/// What is done to each, and its words.
fn how(call: &Call) -> Result<(Dip, String), Diagnostic> {
    let Some(by) = super::number(&call.args, "by") else {
        let hz = super::number(&call.args, "frequency").unwrap_or(POP_HZ);
        if !HIGHPASS_RANGE.contains(&hz) {
            let (least, most) = HIGHPASS_RANGE.into_inner();
            return Err(Diagnostic::refusal(format!("{hz} Hz is no frequency for a pop"))
                .help(format!("from {least:.0}Hz to {most:.0}Hz, as in {POP_HZ:.0}Hz")));
        }
        return Ok((Dip::Below(hz), format!("below {hz:.0} Hz")));
    };
    let by = Db(-by.abs());
    if by.0 == 0.0 || by.0 < -MOST_DB {
        return Err(
            Diagnostic::refusal(format!("{} dB is no softening", by.0)).help("from 0.1dB to 60dB, as in 6dB")
        );
    }
    Ok((Dip::By(by), format!("by {:.1} dB", -by.0)))
}

/// Spans in order; those so close that their ramps would meet become one.
fn apart(mut spans: Vec<(Span, f32)>, ramp: Length) -> Vec<(Span, f32)> {
    spans.sort_by_key(|(span, _)| span.start);
    let mut joined: Vec<(Span, f32)> = Vec::new();
    for (span, level) in spans {
        match joined.last_mut() {
            Some((last, loudest)) if span.start <= last.end + ramp + ramp => {
                last.end = last.end.max(span.end);
                *loudest = loudest.max(level);
            }
            _ => joined.push((span, level)),
        }
    }
    joined
}
