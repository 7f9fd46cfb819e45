//! The numbers of a tone as knobs: what each is called and shows, and the command line that turns it.

use crate::song::Tone;
use crate::song::tone::{BandShape, DeessShape, Limit, Stage, limits};
use crate::sound::biquad::HIGHEST;

/// How far one turn of a knob goes.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    /// By so much.
    By(f64),
    /// By so many parts of an octave; what is not above zero stays.
    Octave(f64),
}

/// One number of a tone.
pub struct Knob {
    /// The stage that it belongs to; `None` for the gain behind all of them.
    pub stage: Option<Stage>,
    /// What it is called.
    pub name: String,
    /// What it shows.
    pub text: String,
    value: f64,
    step: Step,
    limit: Limit,
    write: Box<dyn Fn(f64) -> String>,
    /// The command that takes it, or its stage, away.
    pub off: String,
    /// The command as far as it can be begun for the hand to finish.
    pub begin: String,
}

impl Knob {
    /// The command that turns it by so many steps.
    #[must_use]
    pub fn turned(&self, steps: f64) -> String {
        let to = match self.step {
            Step::By(step) => self.value + step * steps,
            Step::Octave(step) => self.value * 2f64.powf(step * steps),
        };
        (self.write)(to.clamp(self.limit.low, self.limit.high))
    }
}

/// Hertz as few digits as it takes.
fn hertz(hz: f64) -> String {
    match hz {
        ..200.0 => format!("{hz:.0}Hz"),
        ..1000.0 => format!("{:.0}Hz", (hz / 5.0).round() * 5.0),
        ..10_000.0 => format!("{:.0}Hz", (hz / 10.0).round() * 10.0),
        _ => format!("{:.0}Hz", (hz / 50.0).round() * 50.0),
    }
}

fn plain(value: f64) -> String {
    let text = format!("{value:.2}");
    match text.trim_end_matches('0').trim_end_matches('.') {
        "-0" => "0".to_owned(),
        text => text.to_owned(),
    }
}

fn below(limit: Limit, rate: u32) -> Limit {
    Limit { high: limit.high.min((HIGHEST * f64::from(rate)).floor()), ..limit }
}

/// Collects the knobs of one stage.
struct Panel<'a> {
    knobs: &'a mut Vec<Knob>,
    stage: Option<Stage>,
    off: String,
}

impl Panel<'_> {
    #[expect(clippy::too_many_arguments, reason = "one line for each knob")]
    fn add(
        &mut self,
        name: &str,
        value: f64,
        text: String,
        step: Step,
        limit: Limit,
        begin: &str,
        write: impl Fn(f64) -> String + 'static,
    ) {
        self.knobs.push(Knob {
            stage: self.stage,
            name: name.to_owned(),
            text,
            value,
            step,
            limit,
            write: Box::new(write),
            off: self.off.clone(),
            begin: begin.to_owned(),
        });
    }

    /// Something that is not there yet: one turn puts it there.
    fn absent(&mut self, name: &str, line: &'static str) {
        let nothing = Limit { what: "", low: 0.0, high: 0.0, unit: "" };
        self.add(name, 0.0, "off".to_owned(), Step::By(0.0), nothing, line, move |_| line.to_owned());
    }

    fn db(&mut self, name: &str, value: f64, step: f64, limit: Limit, words: &'static str) {
        let begin = format!("tone {words} ");
        let write = move |v: f64| format!("tone {words} {}dB", plain(v));
        self.add(name, value, format!("{value:+.1}dB"), Step::By(step), limit, &begin, write);
    }

    fn ms(&mut self, name: &str, value: f64, limit: Limit, words: &'static str) {
        let begin = format!("tone {words} ");
        let write = move |v: f64| format!("tone {words} {}ms", plain(v));
        self.add(name, value, format!("{}ms", plain(value)), Step::Octave(0.25), limit, &begin, write);
    }
}

/// All knobs of a tone, in the order in which they are shown. Commands are without a scope.
#[must_use]
pub fn knobs(tone: &Tone, rate: u32) -> Vec<Knob> {
    let mut knobs = Vec::new();
    equaliser(&mut knobs, tone, rate);
    deesser(&mut knobs, tone, rate);
    compressor(&mut knobs, tone);
    let mut panel = Panel { knobs: &mut knobs, stage: Some(Stage::Drive), off: "tone drive 0dB".to_owned() };
    panel.db("drive", tone.drive_db.0, 0.5, limits::DRIVE, "drive");
    (panel.stage, panel.off) = (None, "tone gain 0dB".to_owned());
    panel.db("gain", tone.gain_db.0, 0.5, limits::GAIN, "gain");
    knobs
}

fn equaliser(knobs: &mut Vec<Knob>, tone: &Tone, rate: u32) {
    let mut panel = Panel { knobs, stage: Some(Stage::Eq), off: "tone highpass off".to_owned() };
    match tone.highpass {
        Some(high) => {
            let slope = if high.slope == crate::song::tone::Slope::TwentyFour { " slope 24" } else { "" };
            let hz = high.frequency_hz;
            let limit = below(limits::HIGH_PASS, rate);
            let write = move |v: f64| format!("tone highpass {}{slope}", hertz(v));
            panel.add("high-pass", hz, hertz(hz), Step::Octave(1.0 / 12.0), limit, "tone highpass ", write);
        }
        None => panel.absent("high-pass", "tone highpass 80Hz"),
    }
    for (band, number) in tone.bands.iter().zip(1..) {
        panel.off = format!("tone eq {number} off");
        let Some(band) = *band else {
            let line = match number {
                1 => "tone eq 1 low-shelf 200Hz 0dB",
                2 => "tone eq 2 bell 300Hz 0dB",
                3 => "tone eq 3 bell 3000Hz 0dB",
                _ => "tone eq 4 high-shelf 10000Hz 0dB",
            };
            panel.absent(&format!("band {number}"), line);
            continue;
        };
        let word =
            BandShape::ALL.iter().find(|(shape, _)| *shape == band.shape).map_or("", |(_, word)| *word);
        let line = move |hz: f64, gain: f64, q: f64| {
            let gain =
                if band.shape == BandShape::BandPass { String::new() } else { format!(" {}dB", plain(gain)) };
            format!("tone eq {number} {word} {}{gain} q {}", hertz(hz), plain(q))
        };
        let (hz, gain, q) = (band.frequency_hz, band.gain_db.0, band.q);
        let begin = format!("tone eq {number} {word} ");
        let limit = below(limits::BAND_FREQUENCY, rate);
        let octave = Step::Octave(1.0 / 12.0);
        panel.add(&format!("{number} {word}"), hz, hertz(hz), octave, limit, &begin, move |v| {
            line(v, gain, q)
        });
        if band.shape != BandShape::BandPass {
            let text = format!("{gain:+.1}dB");
            panel.add("", gain, text, Step::By(0.5), limits::BAND_GAIN, &begin, move |v| line(hz, v, q));
        }
        let text = format!("q{}", plain(q));
        panel.add("", q, text, Step::Octave(0.25), limits::Q, &begin, move |v| line(hz, gain, v));
    }
}

fn deesser(knobs: &mut Vec<Knob>, tone: &Tone, rate: u32) {
    let mut panel = Panel { knobs, stage: Some(Stage::Deess), off: "tone deess off".to_owned() };
    let Some(deess) = tone.deess else { return panel.absent("de-esser", "tone deess 7500Hz") };
    let hz = deess.frequency_hz;
    let name = if deess.shape == DeessShape::Shelf { "shelf" } else { "bell" };
    let limit = below(limits::DEESS_FREQUENCY, rate);
    let write = |v: f64| format!("tone deess {}", hertz(v));
    panel.add(name, hz, hertz(hz), Step::Octave(1.0 / 12.0), limit, "tone deess ", write);
    if deess.shape == DeessShape::Bell {
        let text = format!("{}oct", plain(deess.width_octaves));
        let write = |v: f64| format!("tone deess width {}oct", plain(v));
        let begin = "tone deess width ";
        panel.add("wide", deess.width_octaves, text, Step::By(0.1), limits::DEESS_WIDTH, begin, write);
    }
    let relative = if deess.relative { " relative" } else { "" };
    let text =
        format!("{:+.1}dB{}", deess.threshold_db.0, if deess.relative { " over the voice" } else { "" });
    let write = move |v: f64| format!("tone deess threshold {}dB{relative}", plain(v));
    let begin = "tone deess threshold ";
    panel.add("above", deess.threshold_db.0, text, Step::By(1.0), limits::DEESS_THRESHOLD, begin, write);
    panel.db("at most", deess.most_db.0, 0.5, limits::DEESS_MOST, "deess at most");
    panel.ms("attack", deess.attack_ms, limits::ATTACK, "deess attack");
    panel.ms("release", deess.release_ms, limits::RELEASE, "deess release");
}

fn compressor(knobs: &mut Vec<Knob>, tone: &Tone) {
    let mut panel = Panel { knobs, stage: Some(Stage::Compress), off: "tone compress off".to_owned() };
    let Some(compress) = tone.compress else {
        return panel.absent("compressor", "tone compress threshold -20dB");
    };
    panel.db("above", compress.threshold_db.0, 1.0, limits::COMPRESS_THRESHOLD, "compress threshold");
    let text = format!("{}:1", plain(compress.ratio));
    let write = |v: f64| format!("tone compress ratio {}", plain(v));
    panel.add("ratio", compress.ratio, text, Step::By(0.5), limits::RATIO, "tone compress ratio ", write);
    panel.ms("attack", compress.attack_ms, limits::ATTACK, "compress attack");
    panel.ms("release", compress.release_ms, limits::RELEASE, "compress release");
    panel.db("knee", compress.knee_db.0, 1.0, limits::KNEE, "compress knee");
    panel.db("make-up", compress.makeup_db.0, 0.5, limits::MAKEUP, "compress makeup");
    let write = |v: f64| format!("tone compress mix {}", plain(v));
    let text = plain(compress.mix);
    panel.add("mix", compress.mix, text, Step::By(0.05), limits::MIX, "tone compress mix ", write);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::song::tone::{Compress, Deess, HighPass, Slope};

    #[test]
    fn every_turn_of_every_knob_is_a_command_that_can_be_read() {
        let whole = Tone {
            highpass: Some(HighPass { frequency_hz: 90.0, slope: Slope::TwentyFour }),
            bands: BandShape::ALL.map(|(shape, _)| {
                Some(crate::song::tone::Band {
                    shape,
                    frequency_hz: 3000.0,
                    gain_db: crate::song::Db(-2.0),
                    q: 1.4,
                })
            }),
            deess: Some(Deess { relative: true, ..Deess::default() }),
            compress: Some(Compress::default()),
            ..Tone::default()
        };
        for tone in [Tone::default(), whole] {
            for rate in [8000, 48_000, 192_000] {
                for knob in knobs(&tone, rate) {
                    for steps in [-1000.0, -1.0, 1.0, 8.0, 1000.0] {
                        let line = knob.turned(steps);
                        crate::command::parse(&format!("{line} on lane 2"))
                            .unwrap_or_else(|error| panic!("{line}: {error}"));
                    }
                    crate::command::parse(&knob.off).unwrap_or_else(|error| panic!("{}: {error}", knob.off));
                }
            }
        }
    }
}
