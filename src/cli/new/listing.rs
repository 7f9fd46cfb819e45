//! What `tautline new` says of the session that it made: the lanes, and what is remarkable about their recordings.

use serde::Serialize;

use super::Args;
use super::intake::Take;
use crate::cli::output;
use crate::command::show_seconds;
use crate::edit::Session;
use crate::media::IntakeReport;
use crate::song::{Position, Role};

/// Starts this far apart are worth a remark.
const FAR_APART_S: f64 = 600.0;

#[derive(Serialize)]
pub(super) struct Listing<'a> {
    session: String,
    rate: u32,
    lanes: Vec<ListedLane<'a>>,
}

#[derive(Serialize)]
struct ListedLane<'a> {
    number: usize,
    name: &'a str,
    role: Role,
    /// The part of the file name from which the role was guessed; null if it was told, or taken for want of a hint.
    role_guessed_from: Option<&'a str>,
    file: String,
    start: i64,
    #[serde(flatten)]
    report: &'a IntakeReport,
}

pub(super) fn list<'a>(args: &Args, session: &'a Session, takes: &'a [Take]) -> Listing<'a> {
    let lanes = session.song().lanes.iter().zip(takes).zip(1..);
    let lanes = lanes.map(|((lane, take), number)| ListedLane {
        number,
        name: &lane.name,
        role: lane.role,
        role_guessed_from: take.role_from.as_deref(),
        file: take.path.display().to_string(),
        start: lane.regions.first().map_or(0, |region| region.at.0),
        report: &take.report,
    });
    Listing { session: args.session.display().to_string(), rate: session.rate, lanes: lanes.collect() }
}

pub(super) fn describe(listing: &Listing) -> String {
    let mut text = format!(
        "{}: {} at {} Hz\n",
        listing.session,
        output::count(listing.lanes.len(), "lane"),
        listing.rate
    );
    for lane in &listing.lanes {
        let report = lane.report;
        let info = &report.info;
        let seconds = info.frames as f64 / f64::from(info.rate);
        let peak = match report.peak {
            0.0 => "silent".to_owned(),
            peak => format!("peak {:>6.1} dBFS", 20.0 * peak.log10()),
        };
        let floor = report.noise_floor_db.map_or("digital black".into(), |db| format!("{db:.1} dBFS"));
        text.push_str(&format!(
            "{:>3}  {:<8} {:<24} {:>6} Hz  {}ch  {seconds:>8.3}s  {peak:<16}  floor {floor}\n",
            lane.number,
            lane.role.word(),
            lane.name,
            info.rate,
            info.channels
        ));
        for remark in remarks(lane, listing.rate) {
            text.push_str(&format!("       - {remark}\n"));
        }
    }
    let starts = listing.lanes.iter().map(|lane| lane.start);
    let spread = starts.clone().max().unwrap_or(0) - starts.min().unwrap_or(0);
    if spread as f64 / f64::from(listing.rate) > FAR_APART_S {
        text.push_str("note: the start times in the files lie more than ten minutes apart; --ignore-start places all takes at the origin\n");
    }
    text
}

fn remarks(lane: &ListedLane, rate: u32) -> Vec<String> {
    let report = lane.report;
    let mut remarks = report.info.warnings.clone();
    match (lane.role_guessed_from, lane.role) {
        (Some(part), role) => {
            remarks.push(format!("taken for the role {} because its name says \"{part}\"", role.word()))
        }
        (None, Role::Double) => remarks
            .push("nothing in its name says what it is for: taken for a double (`role` changes it)".into()),
        _ => {}
    }
    if lane.start != 0 {
        remarks.push(format!(
            "starts at {} by its own time reference",
            show_seconds(Position(lane.start), rate)
        ));
    }
    if report.info.rate != rate {
        remarks.push(format!(
            "is at {} Hz; it will be conformed to {rate} Hz in a cached copy",
            report.info.rate
        ));
    }
    if report.clipped_runs > 0 {
        let first = report.first_clip.map_or(String::new(), |frame| {
            format!(", the first at {:.3}s", frame as f64 / f64::from(report.info.rate))
        });
        remarks.push(format!("clipped {} times{first}", report.clipped_runs));
    }
    if report.dc_offset.abs() > 0.001 {
        remarks.push(format!("has a DC offset of {:.4}", report.dc_offset));
    }
    if report.nonfinite > 0 {
        remarks
            .push(format!("holds {} samples that are no numbers; they sound as silence", report.nonfinite));
    }
    if report.silent {
        remarks.push("is silent".into());
    }
    if report.black_share > 0.05 {
        remarks.push(format!(
            "is digital black for {:.0} % of its time: it was cut before",
            report.black_share * 100.0
        ));
    }
    remarks
}
