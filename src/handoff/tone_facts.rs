//! A tone in words, one processor a line: for the sheet and for what a file says about its making.

use crate::song::Tone;
use crate::song::tone::{BandShape, DeessShape, Detector, Slope, Stage};

/// What of a tone acts, in the order in which the sound passes it; empty if nothing does. No commas: a line may stand in a
/// coding history, where they separate fields.
#[must_use]
pub fn tone_lines(tone: &Tone) -> Vec<String> {
    let mut lines = Vec::new();
    for stage in tone.order.into_iter().filter(|stage| tone.acts(*stage)) {
        match stage {
            Stage::Eq => lines.extend(equaliser(tone)),
            Stage::Deess => lines.extend(deesser(tone)),
            Stage::Compress => lines.extend(compressor(tone)),
            Stage::Drive => lines.push(format!("drive {} dB", tone.drive_db.0)),
        }
    }
    if tone.gain_db.0 != 0.0 && !tone.bypass {
        lines.push(format!("gain {:+} dB", tone.gain_db.0));
    }
    lines
}

fn equaliser(tone: &Tone) -> Vec<String> {
    let high = tone.highpass.map(|high| {
        let slope = if high.slope == Slope::TwentyFour { 24 } else { 12 };
        format!("high-pass {} Hz {slope} dB/oct", high.frequency_hz)
    });
    let band = |band: &crate::song::tone::Band| {
        let word =
            BandShape::ALL.iter().find(|(shape, _)| *shape == band.shape).map_or("", |(_, word)| *word);
        let gain = match band.shape {
            BandShape::BandPass => String::new(),
            _ => format!(" {:+} dB", band.gain_db.0),
        };
        format!("{word} {} Hz{gain} q {:.2}", band.frequency_hz, band.q)
    };
    high.into_iter().chain(tone.bands.iter().flatten().map(band)).collect()
}

fn deesser(tone: &Tone) -> Option<String> {
    let deess = tone.deess?;
    let shape = match deess.shape {
        DeessShape::Bell => format!("{:.1} oct", deess.width_octaves),
        DeessShape::Shelf => "shelf".to_owned(),
    };
    let over = if deess.relative { " over the voice" } else { "" };
    Some(format!(
        "de-esser {} Hz {shape} above {} dB{over} at most {} dB",
        deess.frequency_hz, deess.threshold_db.0, deess.most_db.0
    ))
}

fn compressor(tone: &Tone) -> Option<String> {
    let compress = tone.compress?;
    let detector = if compress.detector == Detector::Rms { " rms" } else { "" };
    let makeup = match compress.makeup_db.0 {
        0.0 => String::new(),
        makeup => format!(" make-up {makeup:+} dB"),
    };
    Some(format!(
        "compressor{detector} above {} dB ratio {} attack {} ms release {} ms knee {} dB{makeup}",
        compress.threshold_db.0, compress.ratio, compress.attack_ms, compress.release_ms, compress.knee_db.0
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Db;
    use crate::song::tone::{Compress, Deess, HighPass};

    #[test]
    fn what_acts_is_told_in_its_order_and_nothing_else() {
        let tone = Tone {
            highpass: Some(HighPass { frequency_hz: 90.0, slope: Slope::Twelve }),
            deess: Some(Deess::default()),
            compress: Some(Compress { makeup_db: Db(2.0), ..Compress::default() }),
            order: [Stage::Compress, Stage::Eq, Stage::Deess, Stage::Drive],
            skip: vec![Stage::Deess],
            ..Tone::default()
        };
        assert_eq!(
            tone_lines(&tone),
            [
                "compressor above -20 dB ratio 4 attack 5 ms release 60 ms knee 6 dB make-up +2 dB",
                "high-pass 90 Hz 12 dB/oct"
            ]
        );
        assert_eq!(tone_lines(&Tone { bypass: true, gain_db: Db(3.0), ..tone }), Vec::<String>::new());
        assert_eq!(tone_lines(&Tone::default()), Vec::<String>::new());
    }
}
