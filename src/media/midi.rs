//! Tempo, meter and markers of a Standard MIDI File; its notes are passed over.
//!
//! Standard MIDI File 1.0: `MThd` (6 bytes: kind, tracks, division), then `MTrk` chunks of events, each after a delta time
//! in ticks. Meta events: `FF 51 03 tttttt` microseconds per quarter, `FF 58 04 nn dd cc bb` meter nn over 2^dd, `FF 06` marker,
//! `FF 07` cue point.

use std::io::Read;
use std::path::Path;

use super::guard::open_file;
use super::{MediaError, MediaErrorKind};

/// Larger files are not read.
pub const MAX_MIDI_BYTES: u64 = 16 << 20;
/// More events of one kind than this are not kept by anybody's hand.
const MAX_EVENTS: usize = 20_000;
/// Characters kept of a marker's text.
const LONGEST_TEXT: usize = 200;

/// A tempo from a tick on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MidiTempo {
    /// From which tick.
    pub tick: u64,
    /// Microseconds per quarter note, at least 1.
    pub us_per_quarter: u32,
}

/// A meter from a tick on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MidiMeter {
    /// From which tick.
    pub tick: u64,
    /// Beats in a bar, at least 1.
    pub beats: u32,
    /// The note that is a beat: 1, 2, 4, … 64.
    pub unit: u32,
}

/// A marker or cue point.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MidiMarker {
    /// At which tick.
    pub tick: u64,
    /// Its text.
    pub text: String,
}

/// What a Standard MIDI File says about time. All lists are in order of their ticks.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct MidiTimeline {
    /// Ticks per quarter note, at least 1.
    pub ticks_per_quarter: u32,
    /// Tempi.
    pub tempi: Vec<MidiTempo>,
    /// Meters.
    pub meters: Vec<MidiMeter>,
    /// Markers and cue points.
    pub markers: Vec<MidiMarker>,
}

/// Reads the Standard MIDI File `path`. Tempi, meters and markers of all tracks count. Not realtime-safe.
///
/// # Errors
/// The file is missing, unreadable, too large, damaged, or counts in frames of picture instead of quarter notes.
pub fn read_midi(path: &Path) -> Result<MidiTimeline, MediaError> {
    let file = open_file(path)?;
    let mut bytes = Vec::new();
    file.take(MAX_MIDI_BYTES + 1).read_to_end(&mut bytes).map_err(|e| MediaError::reading(path, e))?;
    if bytes.len() as u64 > MAX_MIDI_BYTES {
        let why = "it is too large for a tempo file";
        return Err(MediaError::unsupported(path, why, "export the tempo track alone"));
    }
    parse(&bytes).map_err(|why| {
        MediaError::new(MediaErrorKind::Damaged, path, why, "export the tempo as a Standard MIDI File again")
    })
}

/// Reads the bytes of a Standard MIDI File; an error says what is wrong with them.
pub(crate) fn parse(bytes: &[u8]) -> Result<MidiTimeline, String> {
    let mut rest = Bytes(bytes);
    let (id, mut head) = rest.chunk().ok_or("it is no Standard MIDI File")?;
    if id != *b"MThd" {
        return Err("it is no Standard MIDI File".into());
    }
    let (_, tracks) = (head.u16().ok_or("its header is cut short")?, head.u16().unwrap_or(0));
    let division = head.u16().ok_or("its header is cut short")?;
    if division & 0x8000 != 0 {
        return Err("it counts in frames of picture, not in quarter notes".into());
    }
    if division == 0 || tracks == 0 {
        return Err("its header holds no tracks or no ticks".into());
    }
    let mut found = MidiTimeline { ticks_per_quarter: u32::from(division), ..MidiTimeline::default() };
    let mut seen = 0;
    while let Some((id, track)) = rest.chunk() {
        // Chunks of other kinds are to be passed over.
        if id == *b"MTrk" {
            seen += 1;
            read_track(track, &mut found).map_err(|why| format!("track {seen}: {why}"))?;
        }
    }
    if seen == 0 {
        return Err("it holds no track".into());
    }
    found.tempi.sort_by_key(|tempo| tempo.tick);
    found.meters.sort_by_key(|meter| meter.tick);
    found.markers.sort_by_key(|marker| marker.tick);
    Ok(found)
}

/// What is left to read.
struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(taken)
    }

    fn u8(&mut self) -> Option<u8> {
        self.take(1).and_then(|bytes| bytes.first().copied())
    }

    fn u16(&mut self) -> Option<u16> {
        self.take(2).and_then(|bytes| bytes.try_into().ok()).map(u16::from_be_bytes)
    }

    /// A chunk's name and its data; the last one may be cut short.
    fn chunk(&mut self) -> Option<([u8; 4], Bytes<'a>)> {
        let id: [u8; 4] = self.take(4)?.try_into().ok()?;
        let length = u32::from_be_bytes(self.take(4)?.try_into().ok()?) as usize;
        let data = self.take(length.min(self.0.len()))?;
        Some((id, Bytes(data)))
    }

    /// A number of up to four bytes with seven bits in each.
    fn variable(&mut self) -> Option<u32> {
        let mut value = 0;
        for _ in 0..4 {
            let byte = self.u8()?;
            value = value << 7 | u32::from(byte & 0x7F);
            if byte & 0x80 == 0 {
                return Some(value);
            }
        }
        None
    }
}

fn read_track(mut track: Bytes, found: &mut MidiTimeline) -> Result<(), &'static str> {
    const SHORT: &str = "it ends in the middle of an event";
    let mut tick = 0u64;
    let mut running = None;
    while !track.0.is_empty() {
        tick += u64::from(track.variable().ok_or(SHORT)?);
        let first = track.u8().ok_or(SHORT)?;
        match first {
            0xFF => {
                running = None;
                let kind = track.u8().ok_or(SHORT)?;
                let length = track.variable().ok_or(SHORT)? as usize;
                let data = track.take(length).ok_or(SHORT)?;
                if kind == 0x2F {
                    return Ok(());
                }
                meta(kind, data, tick, found)?;
            }
            0xF0 | 0xF7 => {
                running = None;
                let length = track.variable().ok_or(SHORT)? as usize;
                track.take(length).ok_or(SHORT)?;
            }
            0x80..=0xEF => {
                running = Some(first);
                track.take(data_bytes(first)).ok_or(SHORT)?;
            }
            0x00..=0x7F => {
                // A data byte where a status is due: the status before is meant, and this was its first byte.
                let status = running.ok_or("it begins an event without a status")?;
                track.take(data_bytes(status) - 1).ok_or(SHORT)?;
            }
            _ => return Err("it holds a message that does not belong in a file"),
        }
    }
    Ok(())
}

/// Data bytes of a channel message.
fn data_bytes(status: u8) -> usize {
    if matches!(status & 0xF0, 0xC0 | 0xD0) { 1 } else { 2 }
}

fn meta(kind: u8, data: &[u8], tick: u64, found: &mut MidiTimeline) -> Result<(), &'static str> {
    let kept = found.tempi.len() + found.meters.len() + found.markers.len();
    if matches!(kind, 0x51 | 0x58 | 0x06 | 0x07) && kept >= MAX_EVENTS {
        return Err("it holds more tempi, meters and markers than make sense");
    }
    match (kind, data) {
        (0x51, [a, b, c, ..]) => {
            let us_per_quarter = u32::from_be_bytes([0, *a, *b, *c]);
            if us_per_quarter == 0 {
                return Err("it holds a tempo of 0 microseconds");
            }
            found.tempi.push(MidiTempo { tick, us_per_quarter });
        }
        (0x58, [beats, power, ..]) => {
            if *beats == 0 || *power > 6 {
                return Err("it holds a meter that is none");
            }
            found.meters.push(MidiMeter { tick, beats: u32::from(*beats), unit: 1 << *power });
        }
        (0x51 | 0x58, _) => return Err("it holds a tempo or a meter that is cut short"),
        (0x06 | 0x07, text) => {
            let text = String::from_utf8_lossy(text);
            let text: String = text.chars().filter(|c| !c.is_control()).take(LONGEST_TEXT).collect();
            found.markers.push(MidiMarker { tick, text: text.trim().to_owned() });
        }
        _ => {}
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(division: u16, tracks: &[&[u8]]) -> Vec<u8> {
        let mut bytes = b"MThd\0\0\0\x06\0\x01".to_vec();
        bytes.extend((tracks.len() as u16).to_be_bytes());
        bytes.extend(division.to_be_bytes());
        for track in tracks {
            bytes.extend(b"MTrk");
            bytes.extend((track.len() as u32).to_be_bytes());
            bytes.extend(*track);
        }
        bytes
    }

    /// 120 then 90 BPM, 4/4 then 3/4, a marker after notes with a running status, a system message.
    fn example() -> Vec<u8> {
        let conductor = [
            &b"\0\xFF\x51\x03\x07\xA1\x20\0\xFF\x58\x04\x04\x02\x18\x08"[..],
            b"\x8F\0\xFF\x51\x03\x0A\x2C\x2B\0\xFF\x58\x04\x03\x02\x18\x08\0\xFF\x2F\0",
        ]
        .concat();
        let notes = [
            &b"\0\x90\x3C\x40\x60\x3C\0\0\xC0\x05\0\xF0\x02\x7E\xF7"[..],
            b"\0\xFF\x06\x07Chorus \0\xFF\x03\x01x\0\xFF\x2F\0",
        ]
        .concat();
        file(480, &[&conductor, &notes])
    }

    #[test]
    fn tempi_meters_and_markers_are_read_and_agree_with_another_reader() {
        let bytes = example();
        let found = parse(&bytes).unwrap();
        // Standard MIDI File 1.0: 120 BPM is 07 A1 20 (500,000 µs), 90 BPM 0A 2C 2B (666,667 µs).
        assert_eq!(
            found.tempi,
            [
                MidiTempo { tick: 0, us_per_quarter: 500_000 },
                MidiTempo { tick: 1920, us_per_quarter: 666_667 }
            ]
        );
        assert_eq!(
            found.meters,
            [MidiMeter { tick: 0, beats: 4, unit: 4 }, MidiMeter { tick: 1920, beats: 3, unit: 4 }]
        );
        assert_eq!(found.markers, [MidiMarker { tick: 96, text: "Chorus".into() }]);
        let other = midly::Smf::parse(&bytes).unwrap();
        let mut tempi = Vec::new();
        for track in &other.tracks {
            let mut tick = 0;
            for event in track {
                tick += u64::from(event.delta.as_int());
                if let midly::TrackEventKind::Meta(midly::MetaMessage::Tempo(us)) = event.kind {
                    tempi.push(MidiTempo { tick, us_per_quarter: us.as_int() });
                }
            }
        }
        assert_eq!(tempi, found.tempi);
    }

    #[test]
    fn what_is_no_midi_file_is_refused_in_words() {
        assert!(parse(b"RIFF").unwrap_err().contains("no Standard MIDI File"));
        assert!(parse(&file(0xE728, &[&[]])).unwrap_err().contains("frames of picture"));
        assert!(parse(&file(0, &[&[]])).unwrap_err().contains("no ticks"));
        assert!(parse(&file(480, &[b"\0\xFF\x51\x03\0\0\0"])).unwrap_err().contains("0 microseconds"));
        assert!(parse(&file(480, &[b"\0\x3C"])).unwrap_err().contains("without a status"));
    }

    #[test]
    fn no_cut_and_no_flipped_byte_breaks_the_reader() {
        let whole = example();
        for end in 0..whole.len() {
            let _ = parse(&whole[..end]);
            for value in [0, 0x7F, 0x80, 0xFF] {
                let mut odd = whole.clone();
                odd[end] = value;
                let _ = parse(&odd);
            }
        }
    }
}
