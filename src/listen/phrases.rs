//! From runs to phrases, breaths and what else there is.

use super::heard::{Phrase, Sound, SoundKind};
use super::levels::Levels;
use super::runs::{Class, Run};

/// Frames of 2.5 ms.
const fn ms(ms: u64) -> u64 {
    ms * 2 / 5
}

/// Runs this close together are one stretch of sound.
const TOUCHING: u64 = ms(10);
/// Silence up to this long between two sounds is a stop's closure: phrase-final and sung ones last 80 to 150 ms and more
/// (common practice, no source).
const CLOSURE: u64 = ms(180);
/// A weak sound this shortly before the voice is its onset.
const BEFORE: u64 = ms(100);
/// The voice's own sounds have so much that is loud beyond doubt.
const CORE: u64 = ms(30);
/// A tail goes on at most this long past its last strong evidence, and an onset begins at most this long before its first.
const WEAK: u64 = ms(100);
/// Breaths last at least this long; so much noise right before a voice may be its h, f or s, and stays with it.
const BREATH: u64 = ms(100);
const ONSET_NOISE: u64 = ms(100);
/// A breath leads to a phrase that begins within this time.
const LEADS: u64 = ms(800);
/// Breaths lie at least this far under the voice (common practice, no source).
const BREATH_UNDER_DB: f32 = 6.0;
/// The longest sound that is taken in without a strong core of its own.
const ATTACHED: u64 = ms(500);

/// A stretch of sound.
#[derive(Debug, Clone)]
struct Stretch {
    runs: Vec<Run>,
    role: Part,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Part {
    /// The voice; how sure.
    Voice(f32),
    /// Breath; how sure.
    Breath(f32),
    /// Undecided yet, in the end not the voice's.
    Stray,
}

impl Stretch {
    fn start(&self) -> u64 {
        self.runs.first().map_or(0, |run| run.start)
    }

    fn end(&self) -> u64 {
        self.runs.last().map_or(0, |run| run.end)
    }

    fn frames(&self) -> u64 {
        self.end() - self.start()
    }

    fn frames_of(&self, class: Class) -> u64 {
        self.runs.iter().filter(|run| run.class == class).map(Run::frames).sum()
    }

    fn core(&self) -> u64 {
        self.runs.iter().map(|run| run.core).sum()
    }

    fn peak(&self) -> (f32, f32) {
        let of = |value: fn(&Run) -> f32| self.runs.iter().map(value).fold(f32::MIN, f32::max);
        (of(|run| run.peak_db), of(|run| run.peak_score))
    }

    fn level_db(&self) -> f32 {
        let power: f64 = self.runs.iter().map(|run| run.power).sum();
        super::frames::db((power / self.frames().max(1) as f64) as f32)
    }

    /// Takes weak evidence off that lies far from any strong one.
    fn shorten(&mut self) {
        let first = self.runs.iter().find_map(|run| run.strong.map(|(first, _)| first));
        let last = self.runs.iter().rev().find_map(|run| run.strong.map(|(_, last)| last));
        let (Some(first), Some(last)) = (first, last) else { return };
        let (from, to) = (first.saturating_sub(WEAK), last + WEAK);
        self.runs.retain(|run| run.end > from && run.start < to);
        if let Some(run) = self.runs.first_mut() {
            run.start = run.start.max(from);
        }
        if let Some(run) = self.runs.last_mut() {
            run.end = run.end.min(to);
        }
    }
}

/// Phrases and sounds, in frames of the analysis.
pub fn phrases(runs: Vec<Run>, levels: &Levels) -> (Vec<Phrase>, Vec<Sound>) {
    let mut stretches = stretches(runs);
    for stretch in &mut stretches {
        stretch.shorten();
    }
    stretches.retain(|stretch| !stretch.runs.is_empty());
    let mut stretches: Vec<Stretch> = stretches.into_iter().flat_map(|s| part_breath(s, levels)).collect();
    for stretch in &mut stretches {
        judge(stretch, levels);
    }
    find_breaths(&mut stretches, levels);
    attach(&mut stretches, levels);
    (gather(&stretches), sounds(&stretches))
}

fn stretches(runs: Vec<Run>) -> Vec<Stretch> {
    let mut stretches: Vec<Stretch> = Vec::new();
    for run in runs {
        match stretches.last_mut() {
            Some(stretch) if run.start <= stretch.end() + TOUCHING => stretch.runs.push(run),
            _ => stretches.push(Stretch { runs: vec![run], role: Part::Stray }),
        }
    }
    stretches
}

/// Long noise at the front of a stretch is a breath that runs into its phrase.
fn part_breath(stretch: Stretch, levels: &Levels) -> Vec<Stretch> {
    let noise = stretch.runs.iter().take_while(|run| run.class == Class::Noise).count();
    let (lead, rest) = stretch.runs.split_at(noise);
    let (Some(first), Some(last), Some(next)) = (lead.first(), lead.last(), rest.first()) else {
        return vec![stretch];
    };
    // An s needs no noise before it; a vowel may have its h or f there.
    let onset = if next.class == Class::Sibilant { TOUCHING } else { ONSET_NOISE };
    let border = last.end.saturating_sub(onset);
    let lead = Stretch { runs: lead.to_vec(), role: Part::Stray };
    if border < first.start + BREATH || lead.level_db() > levels.voice_db - BREATH_UNDER_DB {
        return vec![stretch];
    }
    let mut breath = lead;
    breath.runs.retain(|run| run.start < border);
    let mut voice: Vec<Run> = Vec::new();
    for run in &stretch.runs {
        if run.end > border {
            let inside = (run.end - run.start.max(border)) as f64 / run.frames().max(1) as f64;
            let core = (run.core as f64 * inside) as u64;
            voice.push(Run { start: run.start.max(border), power: run.power * inside, core, ..*run });
        }
    }
    if let Some(run) = breath.runs.last_mut() {
        let inside = (border.min(run.end) - run.start) as f64 / run.frames().max(1) as f64;
        run.power *= inside;
        run.end = run.end.min(border);
    }
    breath.role = Part::Breath(0.6);
    vec![breath, Stretch { runs: voice, role: Part::Stray }]
}

/// Whether a stretch is the voice's by itself.
fn judge(stretch: &mut Stretch, levels: &Levels) {
    if stretch.role != Part::Stray {
        return;
    }
    let (voiced, sibilant) = (stretch.frames_of(Class::Voiced), stretch.frames_of(Class::Sibilant));
    let (peak_db, _) = stretch.peak();
    if stretch.core() >= CORE && (voiced >= ms(20) || sibilant >= ms(50)) {
        let above = ((peak_db - levels.core_db) / 12.0).clamp(0.0, 1.0);
        stretch.role = Part::Voice(0.6 + 0.4 * above);
    } else if voiced >= ms(60) && peak_db > levels.ceiling_db + 6.0 {
        // A soft word: it has a pitch and stands above all that is usual between the phrases.
        stretch.role = Part::Voice(0.5);
    }
}

/// Noise that stands alone and leads to a phrase is a breath.
fn find_breaths(stretches: &mut [Stretch], levels: &Levels) {
    for index in 0..stretches.len() {
        let next = stretches[index + 1..].iter().find(|next| matches!(next.role, Part::Voice(_)));
        let next_start = next.map(Stretch::start);
        let before = stretches[..index].iter().rev().find(|before| matches!(before.role, Part::Voice(_)));
        let since = before.map_or(u64::MAX, |before| stretches[index].start().saturating_sub(before.end()));
        let stretch = &mut stretches[index];
        let noise = stretch.frames_of(Class::Noise);
        let (_, score) = stretch.peak();
        let long = stretch.frames() >= BREATH;
        let noisy = noise * 10 >= stretch.frames() * 7;
        let weak = stretch.level_db() < levels.voice_db - BREATH_UNDER_DB;
        if stretch.role != Part::Stray || !(long && noisy && weak) || score < 6.0 {
            continue;
        }
        let leads = next_start.is_some_and(|start| start.saturating_sub(stretch.end()) <= LEADS);
        match (leads, since > ms(60)) {
            (true, true) => stretch.role = Part::Breath(0.9),
            // Right behind a phrase it may be its last consonant, unless it is far too long for one.
            (true, false) if stretch.frames() > ms(250) => stretch.role = Part::Breath(0.6),
            (false, true) if stretch.frames() > ms(200) => stretch.role = Part::Breath(0.5),
            _ => {}
        }
    }
}

/// Weak sounds near the voice are its own: the burst behind a closure, the consonant before an onset.
fn attach(stretches: &mut [Stretch], levels: &Levels) {
    let audible = |stretch: &Stretch| {
        let (peak_db, score) = stretch.peak();
        (peak_db > levels.ceiling_db + 1.0 || score > 8.0) && stretch.frames() <= ATTACHED
    };
    for index in 1..stretches.len() {
        let (before, after) = stretches.split_at_mut(index);
        let (Some(before), Some(this)) = (before.last(), after.first_mut()) else { continue };
        let gap = this.start().saturating_sub(before.end());
        if this.role == Part::Stray
            && matches!(before.role, Part::Voice(_))
            && gap <= CLOSURE
            && audible(this)
        {
            this.role = Part::Voice(0.6);
        }
    }
    for index in (1..stretches.len()).rev() {
        let (before, after) = stretches.split_at_mut(index);
        let (Some(this), Some(next)) = (before.last_mut(), after.first()) else { continue };
        let gap = next.start().saturating_sub(this.end());
        if this.role == Part::Stray && matches!(next.role, Part::Voice(_)) && gap <= BEFORE && audible(this) {
            this.role = Part::Voice(0.6);
        }
    }
}

fn gather(stretches: &[Stretch]) -> Vec<Phrase> {
    let mut phrases: Vec<(Phrase, f64)> = Vec::new();
    let mut breath_since = false;
    for stretch in stretches {
        let confidence = match stretch.role {
            Part::Voice(confidence) => confidence,
            Part::Breath(_) => {
                breath_since = true;
                continue;
            }
            Part::Stray => continue,
        };
        let power: f64 = stretch.runs.iter().map(|run| run.power).sum();
        match phrases.last_mut() {
            Some((phrase, sum)) if stretch.start() <= phrase.end + CLOSURE && !breath_since => {
                phrase.end = stretch.end();
                phrase.confidence = phrase.confidence.max(confidence);
                *sum += power;
            }
            _ => phrases.push((
                Phrase { start: stretch.start(), end: stretch.end(), level_db: 0.0, confidence },
                power,
            )),
        }
        breath_since = false;
    }
    let level = |(phrase, power): (Phrase, f64)| Phrase {
        level_db: super::frames::db((power / (phrase.end - phrase.start).max(1) as f64) as f32),
        ..phrase
    };
    phrases.into_iter().map(level).collect()
}

fn sounds(stretches: &[Stretch]) -> Vec<Sound> {
    let mut sounds = Vec::new();
    for stretch in stretches {
        let whole = |kind, confidence| {
            let (hiss, moment) =
                stretch.runs.iter().fold((0.0, 0.0), |(h, m), run| (h + run.hiss, m + run.moment));
            Sound {
                kind,
                start: stretch.start(),
                end: stretch.end(),
                level_db: stretch.level_db(),
                centre_hz: if hiss > 0.0 { (moment / hiss) as f32 } else { 0.0 },
                confidence,
            }
        };
        match stretch.role {
            Part::Breath(confidence) => sounds.push(whole(SoundKind::Breath, confidence)),
            Part::Stray => sounds.push(whole(SoundKind::Stray, 0.5)),
            Part::Voice(confidence) => sounds.extend(stretch.runs.iter().map(|run| Sound {
                kind: match run.class {
                    Class::Voiced => SoundKind::Voiced,
                    Class::Sibilant => SoundKind::Sibilant,
                    _ => SoundKind::Fricative,
                },
                start: run.start,
                end: run.end,
                level_db: run.level_db(),
                centre_hz: run.centre_hz(),
                confidence: confidence * (run.peak_score / 10.0).clamp(0.3, 1.0),
            })),
        }
    }
    sounds
}
