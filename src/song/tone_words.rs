//! A tone in words, for pages and lists: one line for each stage that does something, in their order.

use super::tone::{BandShape, DeessShape, Detector, Slope, Stage, Tone};

/// The lines of a tone; none if it changes nothing.
#[must_use]
pub fn tone_words(tone: &Tone) -> Vec<String> {
    let mut lines: Vec<String> = tone
        .order
        .into_iter()
        .filter(|stage| tone.acts(*stage))
        .flat_map(|stage| stage_words(tone, stage))
        .collect();
    if tone.gain_db.0 != 0.0 && !tone.bypass {
        lines.push(format!("gain {:+.1} dB", tone.gain_db.0));
    }
    lines
}

fn stage_words(tone: &Tone, stage: Stage) -> Vec<String> {
    match stage {
        Stage::Eq => eq_words(tone),
        Stage::Deess => deess_words(tone).into_iter().collect(),
        Stage::Compress => compress_words(tone).into_iter().collect(),
        Stage::Drive => vec![format!("drive {:.1} dB", tone.drive_db.0)],
    }
}

fn eq_words(tone: &Tone) -> Vec<String> {
    let pass = tone.highpass.map(|pass| {
        let slope = if pass.slope == Slope::TwentyFour { 24 } else { 12 };
        format!("high-pass {} {slope} dB/octave", hertz(pass.frequency_hz))
    });
    let band = |(number, band): (usize, &super::tone::Band)| {
        let shape =
            BandShape::ALL.iter().find(|(shape, _)| *shape == band.shape).map_or("", |(_, word)| word);
        let gain = if band.shape == BandShape::BandPass {
            String::new()
        } else {
            format!(" {:+.1} dB", band.gain_db.0)
        };
        format!("band {number} {shape} {}{gain} Q {:.2}", hertz(band.frequency_hz), band.q)
    };
    let bands = (1..).zip(&tone.bands).filter_map(|(number, band)| band.as_ref().map(|band| (number, band)));
    pass.into_iter().chain(bands.map(band)).collect()
}

fn deess_words(tone: &Tone) -> Option<String> {
    let deess = tone.deess?;
    let shape = if deess.shape == DeessShape::Shelf {
        format!("from {} up", hertz(deess.frequency_hz))
    } else {
        format!("{}, {:.1} octaves", hertz(deess.frequency_hz), deess.width_octaves)
    };
    let over = if deess.relative { " dB over the voice" } else { " dBFS" };
    Some(format!(
        "de-esser {shape}, threshold {:.1}{over}, at most {:.1} dB, attack {} ms, release {} ms",
        deess.threshold_db.0, deess.most_db.0, deess.attack_ms, deess.release_ms
    ))
}

fn compress_words(tone: &Tone) -> Option<String> {
    let compress = tone.compress?;
    let detector = if compress.detector == Detector::Rms { ", RMS" } else { "" };
    let pass =
        compress.detector_highpass_hz.map_or(String::new(), |hz| format!(", hears from {} up", hertz(hz)));
    let makeup = if compress.makeup_db.0 == 0.0 {
        String::new()
    } else {
        format!(", make-up {:+.1} dB", compress.makeup_db.0)
    };
    let mix =
        if compress.mix < 1.0 { format!(", {:.0} % of it", compress.mix * 100.0) } else { String::new() };
    Some(format!(
        "compressor threshold {:.1} dBFS, ratio {}:1, attack {} ms, release {} ms, knee {:.1} dB{detector}{pass}{makeup}{mix}",
        compress.threshold_db.0, compress.ratio, compress.attack_ms, compress.release_ms, compress.knee_db.0
    ))
}

fn hertz(hz: f64) -> String {
    if hz < 1000.0 { format!("{hz:.0} Hz") } else { format!("{:.2} kHz", hz / 1000.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::Db;
    use crate::song::tone::{Band, Compress, Deess, HighPass};

    #[test]
    fn stages_are_told_in_their_order_and_what_does_nothing_is_not() {
        assert_eq!(tone_words(&Tone::default()), Vec::<String>::new());
        let mut tone = Tone {
            highpass: Some(HighPass { frequency_hz: 90.0, slope: Slope::default() }),
            deess: Some(Deess::default()),
            compress: Some(Compress { mix: 0.5, ..Compress::default() }),
            gain_db: Db(-1.5),
            order: [Stage::Deess, Stage::Eq, Stage::Compress, Stage::Drive],
            ..Tone::default()
        };
        tone.bands[1] =
            Some(Band { shape: BandShape::Bell, frequency_hz: 1300.0, gain_db: Db(-4.0), q: 1.4 });
        let words = tone_words(&tone);
        assert_eq!(words.len(), 5, "{words:?}");
        assert!(
            words[0].starts_with("de-esser 7.50 kHz, 1.0 octaves, threshold -30.0 dBFS, at most 6.0 dB"),
            "{words:?}"
        );
        assert!(words[1].starts_with("high-pass 90 Hz"), "{words:?}");
        assert_eq!(words[2], "band 2 bell 1.30 kHz -4.0 dB Q 1.40");
        assert!(
            words[3].starts_with("compressor threshold -20.0 dBFS, ratio 4:1")
                && words[3].ends_with("50 % of it")
        );
        assert_eq!(words[4], "gain -1.5 dB");
        tone.bypass = true;
        assert!(tone_words(&tone).is_empty());
    }
}
