//! The `bext` chunk: who wrote a file, where it starts, how loud it is (EBU Tech 3285, version 2).

/// Bytes of the chunk without its history.
const FIXED_BYTES: usize = 602;
/// What a loudness field holds when it is not known (EBU Tech 3285 version 2; from memory).
const UNKNOWN: i16 = 0x7FFF;
/// Longer histories are cut off.
const LONGEST_HISTORY: usize = 4096;

/// What a `bext` chunk says. Text is written as ASCII, other characters as `?`, and cut to its field.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Bext {
    /// What the file holds, up to 256 characters.
    pub description: String,
    /// Who wrote it, up to 32 characters.
    pub originator: String,
    /// A reference of the originator's own, up to 32 characters.
    pub reference: String,
    /// `yyyy-mm-dd`; empty if not known.
    pub date: String,
    /// `hh:mm:ss`; empty if not known.
    pub time: String,
    /// Start in samples since midnight at the file's rate.
    pub time_reference: u64,
    /// How it came to be: lines that end in CR LF.
    pub history: String,
    /// How loud it is; unknown unless set before the file is finished.
    pub loudness: Option<BextLoudness>,
}

/// The loudness fields of a `bext` chunk; `None` is written as "not known", and so is what does not fit ±99.99.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BextLoudness {
    /// Integrated loudness in LUFS.
    pub integrated: Option<f64>,
    /// Loudness range in LU.
    pub range: Option<f64>,
    /// Highest true peak in dBTP.
    pub true_peak: Option<f64>,
    /// Highest momentary loudness in LUFS.
    pub momentary: Option<f64>,
    /// Highest short-term loudness in LUFS.
    pub short_term: Option<f64>,
}

impl Bext {
    /// A chunk with the program's name and a start only: the same samples give the same file.
    #[must_use]
    pub fn at(time_reference: u64) -> Bext {
        Bext { originator: "Tautline".into(), time_reference, ..Bext::default() }
    }

    /// The data of the chunk. Its length does not depend on the loudness.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        let mut body = vec![0; FIXED_BYTES];
        put(&mut body[..256], &self.description);
        put(&mut body[256..288], &self.originator);
        put(&mut body[288..320], &self.reference);
        put(&mut body[320..330], &self.date);
        put(&mut body[330..338], &self.time);
        body[338..346].copy_from_slice(&self.time_reference.to_le_bytes());
        // The loudness fields came with version 2; without them the chunk is one of version 1.
        let version = if self.loudness.is_some() { 2u16 } else { 1 };
        body[346..348].copy_from_slice(&version.to_le_bytes());
        if let Some(known) = self.loudness {
            let fields = [known.integrated, known.range, known.true_peak, known.momentary, known.short_term];
            for (field, slot) in fields.iter().zip(body[412..422].chunks_exact_mut(2)) {
                slot.copy_from_slice(&hundredths(*field).to_le_bytes());
            }
        }
        let history: Vec<u8> = ascii(&self.history).take(LONGEST_HISTORY).collect();
        body.extend(history);
        if body.len() % 2 == 1 {
            body.push(0);
        }
        body
    }
}

fn ascii(text: &str) -> impl Iterator<Item = u8> + '_ {
    text.chars().map(|c| if c.is_ascii() { c as u8 } else { b'?' })
}

fn put(field: &mut [u8], text: &str) {
    field.iter_mut().zip(ascii(text)).for_each(|(slot, byte)| *slot = byte);
}

#[expect(clippy::cast_possible_truncation, reason = "the range is checked before")]
fn hundredths(value: Option<f64>) -> i16 {
    match value {
        Some(value) if value.is_finite() && value.abs() < 99.995 => (value * 100.0).round() as i16,
        _ => UNKNOWN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_field_stands_where_the_standard_puts_it() {
        // EBU Tech 3285 v2: Description 0 (256), Originator 256 (32), OriginatorReference 288 (32), OriginationDate 320
        // (10), OriginationTime 330 (8), TimeReference 338 (8), Version 346 (2), UMID 348 (64), LoudnessValue 412,
        // LoudnessRange 414, MaxTruePeakLevel 416, MaxMomentaryLoudness 418, MaxShortTermLoudness 420, CodingHistory 602.
        let bext = Bext {
            description: "d".repeat(300),
            originator: "Tautline".into(),
            reference: "ref é".into(),
            date: "2026-11-25".into(),
            time: "10:00:00".into(),
            time_reference: 0x0102_0304_0506,
            history: "A=PCM\r\n".into(),
            loudness: Some(BextLoudness {
                integrated: Some(-23.0),
                range: Some(5.25),
                true_peak: Some(-1.006),
                momentary: None,
                short_term: Some(-150.0),
            }),
        };
        let bytes = bext.bytes();
        assert_eq!(bytes[..256], [b'd'; 256]);
        assert_eq!(&bytes[256..265], b"Tautline\0");
        assert_eq!(&bytes[288..294], b"ref ?\0");
        assert_eq!(&bytes[320..338], b"2026-11-2510:00:00");
        assert_eq!(bytes[338..346], 0x0102_0304_0506u64.to_le_bytes());
        assert_eq!(bytes[346..348], [2, 0]);
        assert_eq!(bytes[348..412], [0; 64]);
        let field = |at: usize| i16::from_le_bytes([bytes[at], bytes[at + 1]]);
        assert_eq!([412, 414, 416, 418, 420].map(field), [-2300, 525, -101, 0x7FFF, 0x7FFF]);
        assert_eq!(bytes[422..602], [0; 180]);
        assert_eq!(&bytes[602..], b"A=PCM\r\n\0");
    }

    #[test]
    fn without_loudness_the_chunk_is_of_version_1_and_as_long() {
        let mut bext = Bext::at(7);
        let plain = bext.bytes();
        assert_eq!(plain[346], 1);
        assert_eq!(plain[412..422], [0; 10]);
        bext.loudness = Some(BextLoudness::default());
        assert_eq!(bext.bytes().len(), plain.len());
    }
}
