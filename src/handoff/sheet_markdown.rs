//! The sheet as Markdown, without pictures.

use super::check::Severity;
use super::report::FileKind;
use super::sheet::{Sheet, one_decimal, spread};

/// The text of the `.md` file.
#[must_use]
pub fn sheet_markdown(sheet: &Sheet) -> String {
    let timeline = sheet.timeline;
    let mut text = format!(
        "# {}\n\n{} lanes, {:.3} s, all files {}, all starting at sample {} of the song and of one length.\n\n\
         From {} at edit {}, {}, by Tautline {}.\n",
        plain(timeline.title),
        timeline.song.lanes.len(),
        sheet.length_s(),
        sheet.format_words(),
        sheet.bounce.start,
        plain(sheet.session),
        timeline.head,
        sheet.when,
        env!("CARGO_PKG_VERSION"),
    );
    files(sheet, &mut text);
    lanes(sheet, &mut text);
    checks(sheet, &mut text);
    text.push_str("\n## Sources and checksums\n\n");
    for source in timeline.sources {
        text.push_str(&format!("- {} ({} bytes)\n", plain(&source.path), source.bytes));
        text.push_str(&format!("  - BLAKE3 `{}`\n  - SHA-256 `{}`\n", source.blake3, source.sha256));
    }
    for file in sheet.files {
        text.push_str(&format!("- {} ({} bytes)\n", plain(&file.path), file.sums.bytes));
        text.push_str(&format!("  - BLAKE3 `{}`\n  - SHA-256 `{}`\n", file.sums.blake3, file.sums.sha256));
    }
    text
}

fn files(sheet: &Sheet, text: &mut String) {
    text.push_str(
        "\n## Files\n\n| file | holds | channels | peak dBFS | true peak dBTP | loudness LUFS | range LU |\n",
    );
    text.push_str("|---|---|---:|---:|---:|---:|---:|\n");
    for file in &sheet.bounce.files {
        let loudness = file.loudness.unwrap_or_default();
        let name = file.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let holds = match file.kind {
            FileKind::Lane => format!("lane {}", file.lane.unwrap_or(0)),
            FileKind::Dry => format!("lane {} without its tone", file.lane.unwrap_or(0)),
            FileKind::Role => format!("sum of the role {}", file.role.map_or("", |role| role.word())),
            FileKind::Stack => "sum of the stack".into(),
        };
        let muted = if file.muted { ", muted: not in the stack" } else { "" };
        text.push_str(&format!(
            "| {} | {holds}{muted} | {} | {} | {} | {} | {} |\n",
            plain(&name),
            file.channels,
            one_decimal(file.peak_db),
            one_decimal(loudness.true_peak_db),
            one_decimal(loudness.integrated_lufs),
            one_decimal(loudness.range_lu)
        ));
    }
}

fn lanes(sheet: &Sheet, text: &mut String) {
    text.push_str("\n## Lanes\n");
    for (index, lane) in sheet.timeline.song.lanes.iter().enumerate() {
        let numbers = sheet.numbers(index, lane);
        let path = sheet.timeline.path(lane.asset);
        let (name, role) = (plain(&lane.name), lane.role.word());
        text.push_str(&format!("\n### {} · {name} ({role})\n\n- From {}\n", numbers.number, plain(path)));
        text.push_str(&format!("- {}\n- {}\n- {}\n", numbers.trimmed(), numbers.moved(), numbers.tails()));
        let Some(facts) = sheet.facts(index) else { continue };
        if let Some((median, ten, thirty)) = spread(facts.words.iter().map(|word| word.offset_ms)) {
            let was = spread(facts.offsets_before_ms.iter().copied());
            let was = was.map_or(String::new(), |(was, ..)| format!(" (median before: {was:.1} ms)"));
            text.push_str(&format!(
                "- {} words against the guide: median {median:.1} ms, {:.0} % within 10 ms, {:.0} % within 30 ms{was}\n",
                facts.words.len(),
                ten * 100.0,
                thirty * 100.0
            ));
        }
        if let Some(tone) = &facts.tone {
            let settings = if tone.is_empty() { "none".to_owned() } else { tone.join("; ") };
            text.push_str(&format!("- Tone: {}\n", plain(&settings)));
        }
        for note in &lane.notes {
            text.push_str(&format!("- Note: {}\n", plain(&note.text)));
        }
    }
}

fn checks(sheet: &Sheet, text: &mut String) {
    text.push_str("\n## Checks\n\n");
    for (severity, lane, found, count) in sheet.open() {
        let word = match severity {
            Severity::Error => "**Error**",
            Severity::Warning => "Warning",
            Severity::Note => "Note",
        };
        let lane = lane.map_or(String::new(), |lane| format!(", lane {lane}"));
        let more = if count > 1 { format!(" (and {} more like it)", count - 1) } else { String::new() };
        text.push_str(&format!("- {word}{lane}: {}{more}\n", plain(found)));
    }
    text.push_str(&format!("- Passed: {}\n", sheet.passed().join("; ")));
}

/// Text that stays text: what Markdown or HTML would take for something else is escaped, line ends become spaces.
fn plain(text: &str) -> String {
    let mut clean = String::new();
    for letter in text.chars() {
        match letter {
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '#' => clean.extend(['\\', letter]),
            '<' => clean.push_str("&lt;"),
            '>' => clean.push_str("&gt;"),
            '&' => clean.push_str("&amp;"),
            other if other.is_control() => clean.push(' '),
            other => clean.push(other),
        }
    }
    clean
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_become_markup() {
        assert_eq!(plain("a|b\n# <img src=x> *x*"), "a\\|b \\# &lt;img src=x&gt; \\*x\\*");
    }
}
