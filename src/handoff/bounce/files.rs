//! The files of a bounce where they grow, and what they say about themselves.

use std::path::PathBuf;

use super::layout::{Layout, Output};
use super::{BounceRequest, FileNotes};
use crate::handoff::BounceError;
use crate::handoff::outlet::{Outlet, Way};
use crate::handoff::publish::Staging;
use crate::media::{Bext, WavSpec, conformed_frames, create_sink_with};

/// The way into the file at `index`.
pub(super) fn outlet(
    request: &BounceRequest<'_>,
    layout: &Layout,
    staging: Option<&Staging>,
    index: usize,
    channels: u16,
) -> Result<Outlet, BounceError> {
    let format = request.format;
    let path = staging.map_or_else(PathBuf::new, |staging| staging.growing(index));
    let spec = WavSpec { channels, rate: layout.file_rate, format };
    let bext = || request.options.notes.map(|notes| bext_of(request, layout, notes, index, channels));
    let sink = staging.map(|_| create_sink_with(&path, spec, bext())).transpose()?;
    let way = Way {
        channels,
        rate: request.rate,
        file_rate: layout.file_rate,
        frames: layout.length.0,
        file_frames: layout.file_length,
        dither_bits: (request.options.dither && format.bits() <= 24).then(|| format.bits()),
        seed: index as u64,
        loudness: request.options.loudness,
    };
    Ok(Outlet::new(&path, way, sink)?)
}

/// What the file at `index` says about itself. No clock is read: the same state gives the same file.
fn bext_of(
    request: &BounceRequest<'_>,
    layout: &Layout,
    notes: FileNotes,
    index: usize,
    channels: u16,
) -> Bext {
    let name = layout.names.get(index).map_or("", String::as_str);
    let reference = blake3::hash(format!("{}\n{name}", notes.reference).as_bytes()).to_hex();
    let origin = conformed_frames(notes.origin, request.rate, layout.file_rate);
    let dither = if request.options.dither && request.format.bits() <= 24 { ";TPDF dither" } else { "" };
    // EBU R 98 (from memory): A coding, F rate, W bits, M mode, T text; a line for each step.
    let line = |text: String| {
        let mode = if channels == 1 { "mono" } else { "stereo" };
        format!("A=PCM,F={},W={},M={mode},T={text}\r\n", layout.file_rate, request.format.bits())
    };
    let row = match layout.outputs.get(index) {
        Some((Output::Lane(row), _)) if request.options.tone => Some(*row),
        _ => None,
    };
    let tone = row.and_then(|row| layout.plan.lanes().get(row)?.tone().map(crate::song::tone_words));
    let tone = tone.filter(|lines| !lines.is_empty());
    // A comma would end the field.
    let tone = tone.map(|lines| line(format!("tone: {}", lines.join("; ").replace(',', ";"))));
    let history = tone.unwrap_or_default() + &line(format!("Tautline {}{dither}", env!("CARGO_PKG_VERSION")));
    Bext {
        description: format!("{}: {name}", request.title),
        originator: "Tautline".into(),
        reference: format!("TL{}", reference.as_str().chars().take(30).collect::<String>()),
        date: notes.date.into(),
        time: notes.time.into(),
        time_reference: origin.saturating_add_signed(layout.file_start(request)),
        history,
        loudness: None,
    }
}
