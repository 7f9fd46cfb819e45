//! The part of the check that needs to have heard the recordings: consonants that are cut, seams that click or sink, gaps
//! that are not empty, breaths that do not suit their lane.

use super::check::{CheckRequest, Finding, Severity};
use crate::command::{Breaths, Diagnostic, Does, GapRules, gaps, measure, show_seconds};
use crate::listen::{Heard, Sound, SoundKind};
use crate::song::{FadeSide, Lane, Length, Region, Role};

/// A fade shorter than this clicks as a hard edge does (common practice, no source).
const SHORTEST_FADE_MS: f64 = 1.0;
/// An edge so near to the end of a sound does not cut it.
const GRACE_MS: u64 = 10;
/// A seam's waveform may bend so much more sharply than beside it.
const CLICK_DB: f64 = 6.0;
/// Its level may sink or rise by so much.
const LEVEL_DB: f64 = 1.5;
/// Seams softer than this are not heard.
const AUDIBLE_DBFS: f64 = -60.0;

/// Findings about one lane. A recording that cannot be listened to gives one note and nothing else.
pub(super) fn sound_findings(request: &CheckRequest, lane: &Lane, number: usize, findings: &mut Vec<Finding>) {
    short_fades(request, lane, number, findings);
    if lane.role == Role::Backing || lane.regions.is_empty() {
        return;
    }
    if let Err(error) = heard_findings(request, lane, number, findings) {
        findings.push(Finding {
            severity: Severity::Note,
            code: "not-heard",
            lane: Some(number),
            at: None,
            text: format!("seams, gaps and breaths were not checked: {error}"),
            fix: None,
        });
    }
}

fn short_fades(request: &CheckRequest, lane: &Lane, number: usize, findings: &mut Vec<Finding>) {
    let shortest = SHORTEST_FADE_MS / 1000.0 * f64::from(request.rate);
    for region in &lane.regions {
        for (side, at, word) in [(FadeSide::In, region.at, "in"), (FadeSide::Out, region.end(), "out")] {
            let fade = region.fade(side).length;
            if fade == Length::ZERO || fade.0 as f64 >= shortest {
                continue;
            }
            let ms = fade.0 as f64 * 1000.0 / f64::from(request.rate);
            findings.push(Finding {
                severity: Severity::Warning,
                code: "fade-below-1ms",
                lane: Some(number),
                at: Some(at.0),
                text: format!("the fade {word} of region {} is {ms:.2} ms long", region.id),
                fix: Some(format!(
                    "fade {word} 3ms on lane {number} at {}",
                    show_seconds(region.at, request.rate)
                )),
            });
        }
    }
}

fn heard_findings(
    request: &CheckRequest,
    lane: &Lane,
    number: usize,
    findings: &mut Vec<Finding>,
) -> Result<(), Diagnostic> {
    for (index, region) in lane.regions.iter().enumerate() {
        let heard = request.hearing.heard(region.asset)?;
        let next = lane.regions.get(index + 1);
        for side in [FadeSide::In, FadeSide::Out] {
            let beside = if side == FadeSide::Out { next } else { index.checked_sub(1).map(|i| &lane.regions[i]) };
            let meets = beside.is_some_and(|other| match side {
                FadeSide::Out => other.at <= region.end(),
                FadeSide::In => other.end() >= region.at,
            });
            if !meets {
                findings.extend(cut_consonant(request, region, side, number, &heard));
            }
        }
        if let Some(next) = next.filter(|next| region.end() >= next.at && !region.flows_into(next)) {
            findings.extend(seam(request, region, next, number)?);
        }
    }
    gap_findings(request, lane, number, findings)?;
    breath_findings(request, lane, number, findings)
}

/// An edge inside an s or f: too soft for the eye, and what silence cutters eat.
fn cut_consonant(
    request: &CheckRequest,
    region: &Region,
    side: FadeSide,
    number: usize,
    heard: &Heard,
) -> Option<Finding> {
    let frame = match side {
        FadeSide::In => region.source_in,
        FadeSide::Out => region.source_end().saturating_sub(1),
    };
    heard.phrase_at(frame)?;
    let soft = |sound: &&Sound| matches!(sound.kind, SoundKind::Sibilant | SoundKind::Fricative);
    let sound = heard.sound_at(frame).filter(soft)?;
    // Frames of it that are lost.
    let lost = match side {
        FadeSide::In => frame - sound.start,
        FadeSide::Out => sound.end - frame,
    };
    let grace = GRACE_MS * u64::from(request.rate) / 1000;
    let deliberate = region.fade(side).length.0 >= 2 * grace;
    if lost <= grace || deliberate {
        return None;
    }
    let (at, word, end) = match side {
        FadeSide::In => (region.at, "start", "start -"),
        FadeSide::Out => (region.end(), "end", "end +"),
    };
    let ms = lost * 1000 / u64::from(request.rate);
    Some(Finding {
        severity: Severity::Warning,
        code: "cut-consonant",
        lane: Some(number),
        at: Some(at.0),
        text: format!("the {word} of region {} cuts {ms} ms off a {}", region.id, sound.kind.word()),
        fix: Some(format!(
            "edge {end}{}ms on lane {number} at {}",
            ms + 25,
            show_seconds(region.at, request.rate)
        )),
    })
}

fn seam(
    request: &CheckRequest,
    left: &Region,
    right: &Region,
    number: usize,
) -> Result<Option<Finding>, Diagnostic> {
    let measured = measure(left, right, request.rate, request.hearing)?;
    if measured.level_db < AUDIBLE_DBFS {
        return Ok(None);
    }
    let (code, text) = if measured.click_db > CLICK_DB {
        ("seam-clicks", format!("the seam clicks: {:.0} dB sharper than the sound beside it", measured.click_db))
    } else if measured.change_db.abs() > LEVEL_DB {
        let word = if measured.change_db < 0.0 { "sinks" } else { "rises" };
        ("seam-level", format!("the level {word} by {:.1} dB in the crossfade", measured.change_db.abs()))
    } else {
        return Ok(None);
    };
    Ok(Some(Finding {
        severity: Severity::Warning,
        code,
        lane: Some(number),
        at: Some(right.at.0),
        text,
        fix: Some(format!("seam on lane {number} at {}", show_seconds(right.at, request.rate))),
    }))
}

fn gap_findings(
    request: &CheckRequest,
    lane: &Lane,
    number: usize,
    findings: &mut Vec<Finding>,
) -> Result<(), Diagnostic> {
    let rules = GapRules { breaths: Some(Breaths::Keep), ..GapRules::usual(request.rate) };
    let found = gaps(lane, request.rate, &rules, request.hearing)?;
    let empty: Vec<_> = found.proposals.iter().filter(|proposal| proposal.does == Does::Empty).collect();
    let Some(first) = empty.first() else { return Ok(()) };
    let seconds: f64 =
        empty.iter().map(|gap| gap.span.end.since(gap.span.start).0 as f64 / f64::from(request.rate)).sum();
    findings.push(Finding {
        severity: Severity::Note,
        code: "gap-not-empty",
        lane: Some(number),
        at: Some(first.span.start.0),
        text: format!("{} gaps, {seconds:.1} s in all, hold no voice but are not empty", empty.len()),
        fix: Some(format!("trim gaps on lane {number}")),
    });
    Ok(())
}

/// Breaths that a double keeps at full level, or that a guide has lost.
fn breath_findings(
    request: &CheckRequest,
    lane: &Lane,
    number: usize,
    findings: &mut Vec<Finding>,
) -> Result<(), Diagnostic> {
    let softens = matches!(Breaths::of_role(lane.role), Breaths::Soften(_));
    let loudest = lane.regions.iter().map(|region| region.gain_db.0).fold(f64::MIN, f64::max);
    let heard = request.hearing.heard(lane.asset)?;
    let middle = |breath: &Sound| breath.start.midpoint(breath.end);
    let shown = |breath: &Sound| {
        let holds = |region: &&std::sync::Arc<Region>| {
            region.asset == lane.asset && (region.source_in..region.source_end()).contains(&middle(breath))
        };
        lane.regions.iter().find(holds)
    };
    let odd = |breath: &&Sound| match (softens, shown(breath)) {
        (true, Some(region)) => region.gain_db.0 > loudest - 3.0,
        (false, None) => lane.role == Role::Guide,
        _ => false,
    };
    let found: Vec<&Sound> = heard.of(SoundKind::Breath).filter(|breath| breath.confidence >= 0.6).filter(odd).collect();
    let Some(first) = found.first() else { return Ok(()) };
    let at = shown(first).map(|region| (region.source_origin() + Length(first.start)).0);
    let (code, text, fix) = match softens {
        true => (
            "breath-in-double",
            format!("{} breaths stand at full level in a {}", found.len(), lane.role.word()),
            format!("soften breaths 12dB on lane {number}"),
        ),
        false => (
            "breath-missing",
            format!("the guide has lost {} of its breaths", found.len()),
            format!("restore on lane {number}"),
        ),
    };
    findings.push(Finding { severity: Severity::Note, code, lane: Some(number), at, text, fix: Some(fix) });
    Ok(())
}
