//! The sheet as one page that needs nothing from outside.

use maud::{Markup, html};

use super::BounceError;
use super::check::Severity;
use super::report::FileKind;
use super::sheet::{LIMITS, Sheet, one_decimal, spread};
use super::sheet_svg::{scatter, shapes};
use crate::song::{Lane, Polarity};

/// The template that ships with the program.
pub const SHEET_TEMPLATE: &str = include_str!("../../shared/sheet.html");

/// The page: `template` with its words in double braces filled in.
///
/// # Errors
/// The template asks for something that there is not.
pub fn sheet_html(sheet: &Sheet, template: &str) -> Result<String, BounceError> {
    let mut page = String::with_capacity(template.len() + 64 * 1024);
    let mut rest = template;
    while let Some((before, after)) = rest.split_once("{{") {
        let wrong = |why: String| BounceError::Page { what: "the sheet", why };
        let (word, behind) = after
            .split_once("}}")
            .ok_or_else(|| wrong("its template opens braces and does not close them".into()))?;
        page.push_str(before);
        page.push_str(
            &part(sheet, word.trim())
                .ok_or_else(|| wrong(format!("its template asks for {{{{{word}}}}}")))?,
        );
        rest = behind;
    }
    page.push_str(rest);
    Ok(page)
}

fn part(sheet: &Sheet, word: &str) -> Option<String> {
    let markup = match word {
        "title" => html! { (sheet.timeline.title) },
        "head" => head(sheet),
        "files" => files(sheet),
        "lanes" => {
            html! { @for (index, lane) in sheet.timeline.song.lanes.iter().enumerate() { (lane_part(sheet, index, lane)) } }
        }
        "checks" => checks(sheet),
        "sources" => sources(sheet),
        _ => return None,
    };
    Some(markup.into_string())
}

fn head(sheet: &Sheet) -> Markup {
    let timeline = sheet.timeline;
    let lanes = timeline.song.lanes.len();
    let marks: Vec<&str> = timeline
        .marks
        .iter()
        .filter(|(_, edit)| **edit == timeline.head)
        .map(|(name, _)| name.as_str())
        .collect();
    html! {
        h1 { (timeline.title) }
        p { (lanes) " lanes, " (format!("{:.3}", sheet.length_s())) " s, all files " (sheet.format_words())
            ", all starting at sample " (sheet.bounce.start) " of the song and of one length" }
        p.soft { "From " (sheet.session) " at edit " (timeline.head.0)
            @if !marks.is_empty() { " (" (marks.join(", ")) ")" }
            ", " (sheet.when) ", by Tautline " (env!("CARGO_PKG_VERSION")) }
        @if !timeline.markers.is_empty() {
            p.soft { "Markers: "
                @for (index, marker) in timeline.markers.iter().take(24).enumerate() {
                    @if index > 0 { ", " } (marker.name) " " (format!("{:.2}", sheet.seconds(marker.at))) " s" }
                @if timeline.markers.len() > 24 { " and " (timeline.markers.len() - 24) " more" } }
        }
    }
}

fn files(sheet: &Sheet) -> Markup {
    html! {
        table {
            tr { th { "file" } th { "holds" } th.num { "channels" } th.num { "peak dBFS" } th.num { "true peak dBTP" }
                th.num { "loudness LUFS" } th.num { "range LU" } }
            @for file in &sheet.bounce.files {
                @let loudness = file.loudness.unwrap_or_default();
                tr {
                    td { (file.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()) }
                    td { @match file.kind {
                        FileKind::Lane => { "lane " (file.lane.unwrap_or(0)) @if file.muted { ", muted: not in the stack" } }
                        FileKind::Dry => { "lane " (file.lane.unwrap_or(0)) " without its tone" }
                        FileKind::Role => { "sum of the role " (file.role.map_or("", |role| role.word())) }
                        FileKind::Stack => { "sum of the stack" }
                    } @if file.clipped > 0 { " " span.error { (file.clipped) " samples clipped" } } }
                    td.num { (file.channels) }
                    td.num { (one_decimal(file.peak_db)) }
                    td.num { (one_decimal(loudness.true_peak_db)) }
                    td.num { (one_decimal(loudness.integrated_lufs)) }
                    td.num { (one_decimal(loudness.range_lu)) }
                }
            }
        }
    }
}

fn lane_part(sheet: &Sheet, index: usize, lane: &Lane) -> Markup {
    let numbers = sheet.numbers(index, lane);
    let file = sheet.file(numbers.number);
    let facts = sheet.facts(index).filter(|facts| !facts.words.is_empty());
    let path = sheet.timeline.path(lane.asset);
    html! {
        section.lane {
            h3 { (numbers.number) " · " (lane.name) " " small { (lane.role.word()) ", from " (path) (settings(lane)) } }
            (shapes(sheet.before(lane.id), file.map(|file| &file.picture), sheet.length_s()))
            p { (numbers.trimmed()) "; " (numbers.moved()) "; " (numbers.tails()) "." }
            @if let Some(facts) = facts {
                (scatter(facts, sheet.length_s(), |at| sheet.seconds(at)))
                @if let Some((median, ten, thirty)) = spread(facts.words.iter().map(|word| word.offset_ms)) {
                    p { (facts.words.len()) " words against the guide: median " (format!("{median:.1}")) " ms, "
                        (format!("{:.0}", ten * 100.0)) " % within 10 ms, " (format!("{:.0}", thirty * 100.0)) " % within 30 ms"
                        @if let Some((was, ..)) = spread(facts.offsets_before_ms.iter().copied()) { " (median before: " (format!("{was:.1}")) " ms)" } "." }
                }
                p.soft { "Lines: " @for (at, (limit, meaning)) in LIMITS.iter().enumerate() { @if at > 0 { "; " } (format!("±{limit:.0} ms ")) (meaning) } "." }
            }
            @if let Some(tone) = sheet.facts(index).and_then(|facts| facts.tone.as_ref()) {
                p { "Tone: " @if tone.is_empty() { "none" } @else { (tone.join("; ")) } "." }
            }
            @for note in &lane.notes {
                p.soft { "Note" @if let Some(at) = note.at { " at " (format!("{:.2}", sheet.seconds(at))) " s" } ": " (note.text) }
            }
        }
    }
}

fn settings(lane: &Lane) -> String {
    let mut text = String::new();
    if lane.gain_db.0 != 0.0 {
        text.push_str(&format!(", {:+.1} dB", lane.gain_db.0));
    }
    if lane.pan.0 != 0.0 {
        text.push_str(&format!(", pan {:+.2}", lane.pan.0));
    }
    if lane.polarity == Polarity::Inverted {
        text.push_str(", polarity inverted");
    }
    if lane.mute {
        text.push_str(", muted");
    }
    text
}

fn checks(sheet: &Sheet) -> Markup {
    html! {
        @for (severity, lane, text, count) in sheet.open() {
            @let (class, word) = match severity {
                Severity::Error => ("error", "Error"),
                Severity::Warning => ("warning", "Warning"),
                Severity::Note => ("soft", "Note"),
            };
            p class=(class) { (word) @if let Some(lane) = lane { ", lane " (lane) } ": " (text) @if count > 1 { " (and " (count - 1) " more like it)" } }
        }
        @if sheet.findings.is_empty() { p.good { "Nothing is open." } }
        p.soft { span.good { "Passed: " } (sheet.passed().join("; ")) "." }
    }
}

fn sources(sheet: &Sheet) -> Markup {
    let row = |path: &str, bytes: u64, blake3: &str, sha256: &str| {
        html! {
            tr { td { (path) } td.num { (bytes) } td { code { "blake3 " (blake3) br; "sha256 " (sha256) } } }
        }
    };
    html! {
        table {
            tr { th { "file" } th.num { "bytes" } th { "checksums" } }
            @for source in sheet.timeline.sources { (row(&source.path, source.bytes, &source.blake3, &source.sha256)) }
            @for file in sheet.files { (row(&file.path, file.sums.bytes, &file.sums.blake3, &file.sums.sha256)) }
        }
        @if !sheet.files.is_empty() { p.soft { "The first are the recordings, the others what was made of them. "
            "The manifest beside this page holds the same and vouches for this page; tautline verify checks all of it." } }
    }
}
