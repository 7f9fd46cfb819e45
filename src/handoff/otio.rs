//! The timeline as OpenTimelineIO, the open interchange format for edits (schemas of OpenTimelineIO 0.18).
//!
//! One audio track per lane. A clip begins where its region begins, in its recording and on the timeline. Where two regions
//! overlap, the first clip ends where the second begins, and a transition says how far the first sounds on: its `out_offset`
//! is the overlap. A fade to silence is a transition between a clip and a gap, or an end of the track. Gains, curves, and
//! whatever else has no place in the schemas stand in `metadata.tautline`.

use serde_json::{Value, json};

use super::timeline::{Timeline, placed};
use crate::song::{Fade, Lane, Position, Region};

/// The text of the `.otio` file.
#[must_use]
pub fn otio(timeline: &Timeline) -> String {
    let tracks = timeline.song.lanes.iter().enumerate();
    let tracks: Vec<Value> = tracks.map(|(index, lane)| track(timeline, index, lane)).collect();
    let zero = timeline.zero();
    let song_markers = timeline.markers.iter();
    let song_markers =
        song_markers.map(|m| marker(timeline, &m.name, m.at, None, "GREEN", json!({ "kind": "marker" })));
    let global = timeline.origin.map(|origin| time(timeline, origin.saturating_add_signed(zero.0)));
    let document = json!({
        "OTIO_SCHEMA": "Timeline.1",
        "name": timeline.title,
        "global_start_time": global,
        "metadata": { "tautline": {
            "program": concat!("Tautline ", env!("CARGO_PKG_VERSION")),
            "rate": timeline.rate,
            "start": zero.0,
            "files_start": timeline.start.0,
            "head": timeline.head,
            "marks": timeline.marks,
        } },
        "tracks": {
            "OTIO_SCHEMA": "Stack.1",
            "name": "tracks",
            "metadata": {},
            "effects": [],
            "markers": song_markers.collect::<Vec<_>>(),
            "enabled": true,
            "source_range": null,
            "children": tracks,
        },
    });
    let mut text = serde_json::to_string_pretty(&document).unwrap_or_default();
    text.push('\n');
    text
}

fn time(timeline: &Timeline, value: u64) -> Value {
    json!({ "OTIO_SCHEMA": "RationalTime.1", "rate": f64::from(timeline.rate), "value": value as f64 })
}

fn range(timeline: &Timeline, start: u64, duration: u64) -> Value {
    json!({
        "OTIO_SCHEMA": "TimeRange.1",
        "start_time": time(timeline, start),
        "duration": time(timeline, duration),
    })
}

fn track(timeline: &Timeline, index: usize, lane: &Lane) -> Value {
    let mut children = Vec::new();
    let mut end = timeline.zero();
    // Whether the item before is a gap or nothing, so that a fade can come out of it.
    let mut open = true;
    for place in placed(lane) {
        let region = place.region;
        let gap = region.at.since(end).0;
        if gap > 0 {
            children.push(json!({
                "OTIO_SCHEMA": "Gap.1", "name": "", "metadata": {}, "effects": [], "markers": [],
                "enabled": true, "source_range": range(timeline, 0, gap),
            }));
            open = true;
        }
        if open && region.fade_in.length.0 > 0 {
            children.push(transition(
                timeline,
                0,
                region.fade_in.length.0,
                "fade in",
                json!({ "fade": fade(region.fade_in) }),
            ));
        }
        children.push(clip(timeline, region, place.alone));
        end = region.at + crate::song::Length(place.alone);
        open = false;
        if place.overlap > 0 {
            let next = lane.regions.iter().find(|next| next.at == end).map(|next| fade(next.fade_in));
            let how = json!({ "fade_out": fade(region.fade_out), "fade_in": next });
            children.push(transition(timeline, 0, place.overlap, "crossfade", how));
        } else if region.fade_out.length.0 > 0 && !lane.regions.iter().any(|next| next.at == end) {
            let how = json!({ "fade": fade(region.fade_out) });
            children.push(transition(timeline, region.fade_out.length.0, 0, "fade out", how));
        }
    }
    json!({
        "OTIO_SCHEMA": "Track.1",
        "name": lane.name,
        "kind": "Audio",
        "enabled": !lane.mute,
        "effects": [],
        "markers": markers(timeline, index, lane),
        "source_range": null,
        "metadata": { "tautline": {
            "lane": index + 1, "role": lane.role, "gain_db": lane.gain_db, "pan": lane.pan, "polarity": lane.polarity,
            "mute": lane.mute,
        } },
        "children": children,
    })
}

fn clip(timeline: &Timeline, region: &Region, alone: u64) -> Value {
    let frames =
        timeline.asset(region.asset).map_or(region.source_end(), |asset| asset.frames_at(timeline.rate));
    let path = timeline.path(region.asset);
    let name = path.rsplit('/').next().unwrap_or(path);
    json!({
        "OTIO_SCHEMA": "Clip.2",
        "name": name,
        "enabled": true,
        "effects": [],
        "markers": [],
        "source_range": range(timeline, region.source_in, alone),
        "active_media_reference_key": "DEFAULT_MEDIA",
        "media_references": { "DEFAULT_MEDIA": {
            "OTIO_SCHEMA": "ExternalReference.1",
            "name": name,
            "metadata": { "tautline": timeline.asset(region.asset).map(|asset| json!({
                "blake3": asset.blake3, "rate": asset.rate, "frames": asset.frames, "channels": asset.channels,
            })) },
            "target_url": url(path),
            "available_range": range(timeline, 0, frames),
            "available_image_bounds": null,
        } },
        "metadata": { "tautline": {
            "region": region.id, "source_in": region.source_in, "length": region.length, "at": region.at,
            "gain_db": region.gain_db, "highpass_hz": region.highpass_hz, "fade_in": fade(region.fade_in), "fade_out": fade(region.fade_out),
        } },
    })
}

fn fade(fade: Fade) -> Value {
    json!({ "length": fade.length, "curve": fade.curve.word(), "bend": fade.bend })
}

fn transition(timeline: &Timeline, before: u64, after: u64, name: &str, how: Value) -> Value {
    json!({
        "OTIO_SCHEMA": "Transition.1",
        "name": name,
        "transition_type": "SMPTE_Dissolve",
        "in_offset": time(timeline, before),
        "out_offset": time(timeline, after),
        "metadata": { "tautline": how },
    })
}

/// A marker; positions count from the start of the timeline.
fn marker(
    timeline: &Timeline,
    name: &str,
    at: Position,
    end: Option<Position>,
    color: &str,
    more: Value,
) -> Value {
    let length = end.map_or(0, |end| end.since(at).0);
    json!({
        "OTIO_SCHEMA": "Marker.2",
        "name": name,
        "color": color,
        "comment": "",
        "marked_range": range(timeline, at.since(timeline.zero()).0, length),
        "metadata": { "tautline": more },
    })
}

/// Words and notes of a lane.
fn markers(timeline: &Timeline, index: usize, lane: &Lane) -> Vec<Value> {
    let words = timeline.facts(index).map_or(&[][..], |facts| &facts.words);
    let words = words.iter().zip(1..).map(|(word, number)| {
        let more = json!({ "kind": "word", "offset_ms": word.offset_ms });
        marker(timeline, &format!("word {number}"), word.at, word.end, "CYAN", more)
    });
    let notes = lane.notes.iter().filter_map(|note| {
        Some(marker(timeline, &note.text, note.at?, None, "YELLOW", json!({ "kind": "note" })))
    });
    words.chain(notes).collect()
}

/// A path as a URL: absolute ones with a scheme, and in all of them what is not portable written as %XX (RFC 3986).
pub(super) fn url(path: &str) -> String {
    let mut url = String::from(if path.starts_with('/') { "file://" } else { "" });
    for byte in path.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => {
                url.push(byte as char)
            }
            other => url.push_str(&format!("%{other:02X}")),
        }
    }
    url
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn urls_hold_portable_characters_only() {
        assert_eq!(url("takes/lead 1.wav"), "takes/lead%201.wav");
        assert_eq!(url("/a/é#?.wav"), "file:///a/%C3%A9%23%3F.wav");
    }
}
