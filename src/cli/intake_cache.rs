//! Intake reports by content, so that a recording whose bytes are known to be the same need not be measured again.

use std::fs;
use std::path::PathBuf;

use super::{aside, folders};
use crate::media::IntakeReport;

/// Larger reports are not read.
const LARGEST: u64 = 1 << 20;

/// The report about the recording with this hash, if it was ever made.
pub fn load(blake3: &str) -> Option<IntakeReport> {
    let path = path(blake3)?;
    fs::metadata(&path).ok().filter(|metadata| metadata.len() <= LARGEST)?;
    let report: IntakeReport = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
    (report.blake3 == blake3).then_some(report)
}

/// Keeps a report. That it can fail does no harm: the recording is measured again next time.
pub fn store(report: &IntakeReport) {
    if let Some(path) = path(&report.blake3) {
        aside::keep(&path, report);
    }
}

/// The hash becomes a file name and may come from a hostile session file.
fn path(blake3: &str) -> Option<PathBuf> {
    let plain = blake3.len() == 64 && blake3.bytes().all(|byte| byte.is_ascii_hexdigit());
    plain.then(|| folders::cache().join("intake").join(format!("{blake3}.json")))
}
