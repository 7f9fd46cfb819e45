//! The timeline as CSV (RFC 4180): one line per region, then one per marker, word and note.

use super::timeline::{Timeline, placed};
use crate::song::Position;

const HEAD: &str = "kind,lane,lane_name,role,name,region,at_samples,at_s,length_samples,length_s,source_in_samples,rate,gain_db,\
lane_gain_db,pan,polarity,mute,fade_in_samples,fade_in_curve,fade_in_bend,fade_out_samples,fade_out_curve,fade_out_bend,\
overlap_samples,offset_ms,path,blake3";
/// Fields of a line.
const FIELDS: usize = 27;

/// The text of the `.csv` file. Positions count from the start of the timeline, which is that of the bounced files unless a
/// region is earlier.
#[must_use]
pub fn timeline_csv(timeline: &Timeline) -> String {
    let mut text = format!("{HEAD}\r\n");
    for (lane, number) in timeline.song.lanes.iter().zip(1..) {
        for place in placed(lane) {
            let region = place.region;
            let path = timeline.path(region.asset);
            let mut line = Line::new(timeline, "region", region.at, region.length.0);
            line.set(1, number);
            line.set(2, &lane.name);
            line.set(3, lane.role.word());
            line.set(4, path.rsplit('/').next().unwrap_or(path));
            line.set(5, region.id);
            line.set(10, region.source_in);
            line.set(12, region.gain_db.0);
            line.set(13, lane.gain_db.0);
            line.set(14, lane.pan.0);
            line.set(15, i8::from(lane.polarity));
            line.set(16, u8::from(lane.mute));
            for (column, fade) in [(17, region.fade_in), (20, region.fade_out)] {
                line.set(column, fade.length.0);
                line.set(column + 1, fade.curve.word());
                line.set(column + 2, fade.bend.0);
            }
            line.set(23, place.overlap);
            line.set(25, path);
            line.set(26, timeline.asset(region.asset).map_or("", |asset| &asset.blake3));
            text.push_str(&line.text());
        }
    }
    for marker in timeline.markers {
        let mut line = Line::new(timeline, "marker", marker.at, 0);
        line.set(4, &marker.name);
        text.push_str(&line.text());
    }
    for (index, lane) in timeline.song.lanes.iter().enumerate() {
        let about = |line: &mut Line| {
            line.set(1, index + 1);
            line.set(2, &lane.name);
            line.set(3, lane.role.word());
        };
        let words = timeline.facts(index).map_or(&[][..], |facts| &facts.words);
        for (word, number) in words.iter().zip(1..) {
            let length = word.end.map_or(0, |end| end.since(word.at).0);
            let mut line = Line::new(timeline, "word", word.at, length);
            about(&mut line);
            line.set(4, format!("word {number}"));
            line.set(24, word.offset_ms);
            text.push_str(&line.text());
        }
        for note in &lane.notes {
            let Some(at) = note.at else { continue };
            let mut line = Line::new(timeline, "note", at, 0);
            about(&mut line);
            line.set(4, &note.text);
            text.push_str(&line.text());
        }
    }
    text
}

/// One line under way; fields that are not set stay empty.
struct Line([String; FIELDS]);

impl Line {
    fn new(timeline: &Timeline, kind: &str, at: Position, length: u64) -> Line {
        let mut line = Line(std::array::from_fn(|_| String::new()));
        let at = (at - timeline.zero()).0;
        let rate = f64::from(timeline.rate);
        line.set(0, kind);
        line.set(6, at);
        line.set(7, format!("{:.6}", at as f64 / rate));
        line.set(8, length);
        line.set(9, format!("{:.6}", length as f64 / rate));
        line.set(11, timeline.rate);
        line
    }

    fn set(&mut self, column: usize, value: impl ToString) {
        if let Some(field) = self.0.get_mut(column) {
            *field = quoted(&value.to_string());
        }
    }

    fn text(&self) -> String {
        format!("{}\r\n", self.0.join(","))
    }
}

/// A field, in quotes where a comma, a quote or a line end is in it (RFC 4180).
fn quoted(value: &str) -> String {
    if value.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", value.replace('"', "\"\""))
    } else {
        value.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_are_as_many_names_as_fields_and_odd_fields_are_quoted() {
        assert_eq!(HEAD.split(',').count(), FIELDS);
        assert_eq!(quoted("a,\"b\"\n"), "\"a,\"\"b\"\"\n\"");
        assert_eq!(quoted("plain"), "plain");
    }
}
