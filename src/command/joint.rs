//! What a seam between two regions sounds like, measured on the recordings.

use serde::Serialize;

use super::diagnostic::Diagnostic;
use super::hearing::Hearing;
use crate::listen::seam::{correlation, db, power, sharpest};
use crate::song::Region;
use crate::sound::fade_law::Ramp;

/// Longest stretch of a crossfade that is measured, in samples: a second at 192 kHz.
const MOST: u64 = 192_000;
/// What is looked at beside a seam, in ms.
const BESIDE_MS: u64 = 20;

/// Measures of one seam.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct JointMeasure {
    /// Level of the louder side where they meet, in dBFS rms.
    pub level_db: f64,
    /// Correlation of the two over their crossfade: -1 to 1; 0 for a butt joint.
    pub correlation: f64,
    /// By how much the crossfade's sum lies above (plus) or under (minus) what its two sides have of their own there, in dB.
    pub change_db: f64,
    /// The sharpest bend of the waveform at the seam over the sharpest beside it, in dB: above 6 it may be heard as a click.
    pub click_db: f64,
}

/// Measures the seam between two neighbours that touch or overlap; `rate` in Hz.
///
/// # Errors
/// A recording cannot be read.
pub fn measure(
    left: &Region,
    right: &Region,
    rate: u32,
    hearing: &dyn Hearing,
) -> Result<JointMeasure, Diagnostic> {
    let overlap = left.end().since(right.at).0.min(MOST);
    let beside = u64::from(rate) * BESIDE_MS / 1000;
    let (before, after) = (beside.min(left.length.0 - overlap.min(left.length.0)), beside.min(right.length.0 - overlap.min(right.length.0)));
    // From `before` samples ahead of the crossfade to `after` behind it: each side where it sounds.
    let total = (before + overlap + after) as usize;
    let mut a = vec![0.0f32; (before + overlap) as usize];
    let mut b = vec![0.0f32; (overlap + after) as usize];
    hearing.samples(left.asset, left.source_end() - overlap - before, &mut a)?;
    hearing.samples(right.asset, right.source_in, &mut b)?;
    scale(&mut a, left);
    scale(&mut b, right);
    let (before, crossing) = (before as usize, overlap as usize);
    let r = correlation(&a[before..], &b[..crossing], 1);
    let own = 0.5 * (power(&a[before..]) + power(&b[..crossing]));
    let (out, into) = (Ramp::new(left.fade_out), Ramp::new(right.fade_in));
    let mut sum = vec![0.0f32; total];
    for (n, sample) in sum.iter_mut().enumerate() {
        if let Some(value) = a.get(n) {
            let gain = if n < before { 1.0 } else { out.falling((n - before) as u64) };
            *sample += (f64::from(*value) * gain) as f32;
        }
        if let Some(value) = n.checked_sub(before).and_then(|n| b.get(n)) {
            *sample += (f64::from(*value) * into.rising((n - before) as u64)) as f32;
        }
    }
    let edge = |at: usize| &sum[at.saturating_sub(2).min(total)..(at + 2).min(total)];
    // Both ends of the crossfade, where a gain that does not reach 0 would step.
    let here = sharpest(edge(before)).max(sharpest(edge(before + crossing)));
    let far = sharpest(&sum[..before.saturating_sub(2)])
        .max(sharpest(&b[(crossing + 2).min(b.len())..]))
        .max(1e-9);
    let level = if crossing == 0 { power(&a).max(power(&b)) } else { power(&a[before..]).max(power(&b[..crossing])) };
    // A crossfade whose sides differ in level is measured against a fade that keeps power from one to the other.
    let change = if crossing == 0 || own < 1e-12 { 0.0 } else { db(power(&sum[before..before + crossing])) - db(own) };
    Ok(JointMeasure {
        level_db: db(level),
        correlation: if crossing == 0 { 0.0 } else { r },
        change_db: change,
        click_db: 20.0 * (here.max(1e-9) / far).log10(),
    })
}

fn scale(samples: &mut [f32], region: &Region) {
    let gain = region.gain_db.to_linear().0 as f32;
    if gain != 1.0 {
        samples.iter_mut().for_each(|sample| *sample *= gain);
    }
}
