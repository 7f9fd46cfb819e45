//! What listening to a recording gives.

use serde::{Deserialize, Serialize};

/// What a sound is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SoundKind {
    /// It has a pitch: vowels, nasals, liquids.
    Voiced,
    /// s, z, sh: strong and high.
    Sibilant,
    /// f, th, h, the release of a stop: weak and broad.
    Fricative,
    /// Air taken in before a phrase.
    Breath,
    /// Something between the phrases that is not the voice's: leakage, a chair, a page.
    Stray,
    /// A single jump of the waveform.
    Click,
    /// A plosive's blow of air into the microphone.
    Pop,
}

impl SoundKind {
    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            SoundKind::Voiced => "voice",
            SoundKind::Sibilant => "sibilant",
            SoundKind::Fricative => "soft consonant",
            SoundKind::Breath => "breath",
            SoundKind::Stray => "stray sound",
            SoundKind::Click => "click",
            SoundKind::Pop => "pop",
        }
    }
}

/// A stretch of a recording that sounds alike. Positions are frames at the session's rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sound {
    /// What it is.
    pub kind: SoundKind,
    /// First frame.
    pub start: u64,
    /// One past the last frame.
    pub end: u64,
    /// Level in dBFS rms.
    pub level_db: f32,
    /// Centre of gravity of what lies above 2 kHz, in Hz; 0 if nothing does.
    pub centre_hz: f32,
    /// How sure this is: 0 to 1.
    pub confidence: f32,
}

/// A phrase: from its first onset to where its last sound has died into the floor, breaths left out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Phrase {
    /// First frame that belongs to it.
    pub start: u64,
    /// One past the last frame that belongs to it.
    pub end: u64,
    /// Level in dBFS rms.
    pub level_db: f32,
    /// How sure it is that this is the voice: 0 to 1.
    pub confidence: f32,
}

/// Whether there was anything to hear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Phrases with quiet between them.
    Phrases,
    /// There is no sound.
    Silent,
    /// It is shorter than 50 ms.
    TooShort,
    /// Nothing stands out: all noise, or all one sound.
    Even,
    /// It sounds without a gap of 0.3 s.
    NoGap,
}

impl Verdict {
    /// Why there is nothing to do; `None` if there is.
    #[must_use]
    pub fn objection(self) -> Option<&'static str> {
        match self {
            Verdict::Phrases => None,
            Verdict::Silent => Some("the take is silent"),
            Verdict::TooShort => Some("the take is shorter than 50 ms"),
            Verdict::Even => Some("nothing in the take stands out of its noise"),
            Verdict::NoGap => Some("the take sounds throughout: it has no gap of 0.3 s"),
        }
    }
}

/// What listening to a recording gives. Positions are frames at the session's rate, levels dBFS rms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Heard {
    /// The version of the algorithm.
    pub version: u32,
    /// Samples per second that positions count.
    pub rate: u32,
    /// Length in frames.
    pub frames: u64,
    /// Whether there was anything to hear.
    pub verdict: Verdict,
    /// Level of the voice.
    pub voice_db: f32,
    /// Median level between the phrases.
    pub floor_db: f32,
    /// What lies between the phrases seldom gets louder than this.
    pub ceiling_db: f32,
    /// The phrases in order; they do not overlap.
    pub phrases: Vec<Phrase>,
    /// The sounds in order of their start. Those of the phrases and breaths do not overlap; clicks and pops lie in them.
    pub sounds: Vec<Sound>,
}

impl Heard {
    /// The sounds of a kind.
    pub fn of(&self, kind: SoundKind) -> impl Iterator<Item = &Sound> {
        self.sounds.iter().filter(move |sound| sound.kind == kind)
    }

    /// The phrase that sounds at a frame.
    #[must_use]
    pub fn phrase_at(&self, frame: u64) -> Option<&Phrase> {
        let after = self.phrases.partition_point(|phrase| phrase.start <= frame);
        self.phrases.get(after.checked_sub(1)?).filter(|phrase| frame < phrase.end)
    }

    /// The sound at a frame, clicks and pops left out.
    #[must_use]
    pub fn sound_at(&self, frame: u64) -> Option<&Sound> {
        let after = self.sounds.partition_point(|sound| sound.start <= frame);
        let flat = |sound: &&Sound| !matches!(sound.kind, SoundKind::Click | SoundKind::Pop);
        self.sounds.iter().take(after).rev().take(64).find(|sound| flat(sound) && frame < sound.end)
    }

    /// True if this could be what the listener says of a recording of so many frames: results that were kept on disk
    /// are checked before they are believed.
    #[must_use]
    pub fn is_sound(&self, version: u32, rate: u32, frames: u64) -> bool {
        let phrases = self.phrases.iter().all(|phrase| phrase.start < phrase.end && phrase.end <= frames)
            && self.phrases.windows(2).all(|pair| pair[0].end <= pair[1].start);
        let sounds = self.sounds.iter().all(|sound| sound.start < sound.end && sound.end <= frames)
            && self.sounds.is_sorted_by_key(|sound| sound.start);
        let numbers = [self.voice_db, self.floor_db, self.ceiling_db].iter().all(|level| level.is_finite());
        (self.version, self.rate, self.frames) == (version, rate, frames) && phrases && sounds && numbers
    }
}
