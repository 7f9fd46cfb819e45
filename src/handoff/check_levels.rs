//! What the check says about levels, tone and the sum.

use super::check::{CheckRequest, Finding, Severity};
use super::levels::{LevelsRequest, levels};
use super::levels_report::{LaneLevels, Levels};
use crate::listen::stack::Conflict;
use crate::media::MediaError;
use crate::song::{Lane, Role};

/// Lanes of one role further apart than this are worth a remark, in LU.
const SPREAD_LU: f64 = 3.0;
/// A de-esser may pass its cap by this much, in dB.
const OVER_CAP_DB: f64 = 0.1;
/// Mono loses this much of a band before it is worth a remark, in dB; independent sides lose 3.
const MONO_LOSS_DB: f64 = -4.5;
/// More piles of esses than these are counted, not listed.
const MOST_PILES: usize = 5;

/// Renders every lane once and looks at what comes out.
pub(super) fn findings(request: &CheckRequest, findings: &mut Vec<Finding>) -> Result<(), MediaError> {
    let measured = levels(&LevelsRequest {
        song: request.song,
        rate: request.rate,
        copies: request.copies,
        tone: true,
    })?;
    let Some(measured) = measured else { return Ok(()) };
    for (lane, levels) in request.song.lanes.iter().zip(&measured.lanes) {
        of_lane(lane, levels, findings);
    }
    of_stack(&measured, findings);
    spread(&measured, findings);
    pairs(request, &measured, findings);
    Ok(())
}

fn finding(severity: Severity, code: &'static str, lane: Option<usize>, text: String) -> Finding {
    Finding { severity, code, lane, at: None, text, fix: None }
}

fn of_lane(lane: &Lane, levels: &LaneLevels, findings: &mut Vec<Finding>) {
    let number = levels.lane;
    let mut push = |code, at, text, fix| {
        findings.push(Finding { severity: Severity::Warning, code, lane: Some(number), at, text, fix });
    };
    if let Some(over) = levels.peak_db.filter(|peak| *peak > 0.0) {
        let whence =
            if lane.tone.as_ref().is_some_and(|tone| !tone.is_idle()) { " behind its tone" } else { "" };
        let text = format!("the lane peaks at {over:+.1} dBFS{whence}: an integer file would clip");
        push(
            "clipping",
            Some(levels.peak_at),
            text,
            Some(format!("gain -{:.1}dB on lane {number}", over + 0.1)),
        );
    }
    let Some(tone) = &lane.tone else { return };
    if let Some(deess) = tone.deess.filter(|deess| levels.deess_most_db > deess.most_db.0 + OVER_CAP_DB) {
        let text = format!(
            "the de-esser takes {:.1} dB, more than its cap of {:.1} dB",
            levels.deess_most_db, deess.most_db.0
        );
        push("deess-beyond-cap", None, text, None);
    }
    if !levels.compress_releases {
        let text = format!(
            "the compressor never lets go once it acts (up to {:.1} dB): the threshold is low or the release long",
            levels.compress_most_db
        );
        push(
            "compressor-never-releases",
            None,
            text,
            Some(format!("tone compress threshold -15dB release 60ms on lane {number}")),
        );
    }
}

fn of_stack(measured: &Levels, findings: &mut Vec<Finding>) {
    let stack = &measured.stack;
    if let Some(over) = stack.peak_db.filter(|peak| *peak > 0.0) {
        findings.push(Finding {
            severity: Severity::Warning,
            code: "stack-clipping",
            lane: None,
            at: Some(stack.peak_at),
            text: format!("the stack's sum peaks at {over:+.1} dBFS: an integer file would clip"),
            fix: Some(format!("gain -{:.1}dB on all", over + 0.1)),
        });
    }
    let lossy = stack.mono.loss_db.iter().flatten().copied().fold(0.0, f64::min);
    if lossy < MONO_LOSS_DB {
        let text =
            format!("in mono the sum loses up to {:.1} dB in a band (`tautline levels` lists them)", -lossy);
        findings.push(finding(Severity::Warning, "mono-loss", None, text));
    }
    for pile in stack.piles.iter().take(MOST_PILES) {
        let text = format!("{} lanes have an ess at once", pile.lanes);
        findings
            .push(Finding { at: Some(pile.from), ..finding(Severity::Note, "esses-pile-up", None, text) });
    }
    if let Some(more) = stack.piles.len().checked_sub(MOST_PILES).filter(|more| *more > 0) {
        let text = format!("esses pile up in {more} more places (`tautline levels` lists them)");
        findings.push(finding(Severity::Note, "esses-pile-up", None, text));
    }
}

fn spread(measured: &Levels, findings: &mut Vec<Finding>) {
    for (role, word) in Role::ALL {
        let own = measured.lanes.iter().filter(|lane| lane.in_stack && lane.role == role);
        let loud: Vec<f64> = own.filter_map(|lane| lane.loudness_lufs).collect();
        let (least, most) = loud.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), lufs| {
            (least.min(*lufs), most.max(*lufs))
        });
        if most - least > SPREAD_LU {
            let text = format!("the lanes of role {word} are up to {:.1} LU apart", most - least);
            let fix = Some(format!("match level to guide on role {word}"));
            findings.push(Finding { fix, ..finding(Severity::Warning, "loudness-spread", None, text) });
        }
    }
}

fn pairs(request: &CheckRequest, measured: &Levels, findings: &mut Vec<Finding>) {
    let guide = request.song.guide().and_then(|guide| request.song.number(guide.id));
    for pair in &measured.stack.pairs {
        let with_guide = guide == Some(pair.first) || guide == Some(pair.second);
        let lane = if guide == Some(pair.second) { pair.first } else { pair.second };
        let other = if lane == pair.first { pair.second } else { pair.first };
        let (code, text, fix) = match pair.conflict {
            Conflict::Polarity => (
                if with_guide { "polarity-against-guide" } else { "lanes-cancel" },
                format!(
                    "lane {lane} is lane {other} with the other sign (correlation {:.2}): they cancel",
                    pair.correlation
                ),
                Some(format!("polarity invert on lane {lane}")),
            ),
            Conflict::Comb => (
                "lanes-comb",
                format!(
                    "lanes {} and {} hold the same sound {:.2} ms apart: the sum has notches from {:.0} Hz up",
                    pair.first,
                    pair.second,
                    pair.delay_ms,
                    pair.first_notch_hz()
                ),
                Some(format!("mute on lane {lane}")),
            ),
        };
        findings.push(Finding { fix, ..finding(Severity::Warning, code, Some(lane), text) });
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::song::tone::Deess;
    use crate::song::{AssetId, Db, LaneId, Pan, Polarity, Tone};

    fn said(reduction_db: f64) -> Vec<Finding> {
        let deess = Deess { most_db: Db(6.0), ..Deess::default() };
        let lane = Lane {
            id: LaneId(1),
            name: "double".into(),
            role: Role::Double,
            asset: AssetId(1),
            gain_db: Db(0.0),
            pan: Pan(0.0),
            polarity: Polarity::Normal,
            tone: Some(Arc::new(Tone { deess: Some(deess), ..Tone::default() })),
            mute: false,
            solo: false,
            notes: Vec::new(),
            holds: Vec::new(),
            regions: Vec::new(),
        };
        let levels = LaneLevels {
            lane: 4,
            name: lane.name.clone(),
            role: lane.role,
            in_stack: true,
            loudness_lufs: Some(-20.0),
            against_guide_lu: None,
            peak_db: Some(-3.0),
            peak_at: 0,
            deess_most_db: reduction_db,
            compress_most_db: 0.0,
            compress_releases: true,
        };
        let mut findings = Vec::new();
        of_lane(&lane, &levels, &mut findings);
        findings
    }

    /// The processor keeps its cap (a test of its own), so that only figures made up can show that the check would see it broken.
    #[test]
    fn a_deesser_beyond_its_cap_is_found() {
        assert_eq!(said(6.0), []);
        assert_eq!(said(6.09), [], "within a tenth of a dB");
        let found = said(6.2);
        assert_eq!(
            found.iter().map(|f| (f.code, f.lane)).collect::<Vec<_>>(),
            [("deess-beyond-cap", Some(4))]
        );
        assert!(found[0].text.contains("6.2 dB") && found[0].text.contains("6.0 dB"), "{}", found[0].text);
    }
}
