//! The rules that every state of a song keeps, checked here and nowhere else.
//!
//! - Regions are sorted by their start and each ends after the one before it.
//! - Only neighbours overlap, and an overlap is a crossfade: the left region's fade-out and the right
//!   region's fade-in span exactly the overlap.
//! - The edges of a region lie inside its asset, and its two fades do not meet.
//! - Numbers are finite and within their ranges; ids are unique; at most one lane is the guide.

use std::collections::HashSet;
use std::fmt;

use super::{
    AssetId, Fade, Hold, Lane, LaneId, Length, Position, Region, RegionId, Role, Song, SungWord, SungWords,
};

/// Largest distance from the origin, in samples: over 1500 hours at 192 kHz, far from any overflow.
pub const FARTHEST: i64 = 1 << 40;
/// Range of every gain, in dB. The lower end is below the noise of 24 bits.
pub const GAIN_RANGE: std::ops::RangeInclusive<f64> = -144.0..=24.0;
/// Frequencies of a region's high-pass, in Hz.
pub const HIGHPASS_RANGE: std::ops::RangeInclusive<f64> = 20.0..=500.0;
/// Most lanes of a session.
pub const MOST_LANES: usize = 1024;
/// Longest name or note, in characters.
pub const LONGEST_TEXT: usize = 1000;

/// What is wrong with a state, and where.
#[derive(Debug, Clone, PartialEq)]
pub struct Violation {
    /// The lane, if one is to blame.
    pub lane: Option<LaneId>,
    /// The region, if one is to blame.
    pub region: Option<RegionId>,
    /// Where on the timeline.
    pub at: Option<Position>,
    /// Which rule.
    pub rule: Rule,
}

/// A broken rule with the numbers that break it.
#[derive(Debug, Clone, PartialEq)]
pub enum Rule {
    /// A region of no length.
    Empty,
    /// A region begins before, or ends no later than, the one before it.
    Order,
    /// A region reaches past its next neighbour into the one after.
    BeyondNeighbour,
    /// An overlap whose fades do not span it.
    Crossfade {
        /// Samples of overlap.
        overlap: u64,
        /// Samples of the left region's fade-out.
        fade_out: u64,
        /// Samples of the right region's fade-in.
        fade_in: u64,
    },
    /// The two fades are longer than the region.
    FadesMeet {
        /// Samples of both fades together.
        fades: u64,
        /// Samples of the region.
        length: u64,
    },
    /// An edge lies outside of the asset.
    OutsideAsset {
        /// Frames that the region asks for.
        needs: u64,
        /// Frames that there are.
        has: u64,
    },
    /// A region or lane names an asset that is not in the session.
    UnknownAsset(AssetId),
    /// An id is used twice.
    DuplicateId,
    /// More than one lane is the guide.
    TwoGuides,
    /// A number is not finite or out of its range.
    Range(&'static str),
    /// More lanes than a session may have.
    TooManyLanes,
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Rule::Empty => write!(f, "has no length"),
            Rule::Order => write!(f, "would pass the region before it"),
            Rule::BeyondNeighbour => write!(f, "would overlap a region beyond its neighbour"),
            Rule::Crossfade { overlap, fade_out, fade_in } => write!(
                f,
                "overlaps its neighbour by {overlap} samples, but the fades there span {fade_out} and {fade_in}"
            ),
            Rule::FadesMeet { fades, length } => {
                write!(f, "is {length} samples long, too short for fades of {fades} samples in all")
            }
            Rule::OutsideAsset { needs, has } => {
                write!(f, "would reach to frame {needs} of a recording that has {has}")
            }
            Rule::UnknownAsset(id) => write!(f, "refers to asset {id}, which the session does not list"),
            Rule::DuplicateId => write!(f, "has an id that is used twice"),
            Rule::TwoGuides => write!(f, "would be a second guide"),
            Rule::Range(what) => write!(f, "has a {what} out of range"),
            Rule::TooManyLanes => write!(f, "there are more than {MOST_LANES} lanes"),
        }
    }
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(region) = self.region {
            write!(f, "region {region} ")?;
        } else if self.lane.is_some() {
            write!(f, "the lane ")?;
        }
        self.rule.fmt(f)
    }
}

/// How many frames each asset has at the session's rate.
pub trait AssetFrames {
    /// Frames of `asset` at the session's rate; `None` if the session does not list it.
    fn frames(&self, asset: AssetId) -> Option<u64>;
}

/// Checks a whole song; the list is empty if every rule holds.
#[must_use]
pub fn check_song(song: &Song, assets: &dyn AssetFrames) -> Vec<Violation> {
    let mut found = Vec::new();
    let whole = |rule| Violation { lane: None, region: None, at: None, rule };
    if song.lanes.len() > MOST_LANES {
        found.push(whole(Rule::TooManyLanes));
    }
    check_ids(song, &mut found);
    for lane in &song.lanes {
        check_lane(lane, assets, &mut found);
    }
    check_whole(song, &mut found);
    found
}

/// Checks that no two lanes and no two regions have one id: edits speak of them by it.
pub fn check_ids(song: &Song, found: &mut Vec<Violation>) {
    let (mut lanes, mut regions) = (HashSet::new(), HashSet::new());
    for lane in &song.lanes {
        if !lanes.insert(lane.id) {
            found.push(Violation { lane: Some(lane.id), region: None, at: None, rule: Rule::DuplicateId });
        }
        for region in lane.regions.iter().filter(|region| !regions.insert(region.id)) {
            found.push(at_region(lane, region, Rule::DuplicateId));
        }
    }
}

/// Most words of a guide.
pub const MOST_WORDS: usize = 20_000;

/// Checks the guide's corrected words: their order, count and names.
pub fn check_words(list: &SungWords, push: &mut dyn FnMut(Rule)) {
    let rises = list.words.windows(2).all(|pair| pair[0].onset < pair[1].onset);
    let whole = list.words.iter().all(|word| word.onset <= word.vowel && word.vowel <= word.end);
    let far = list.words.last().is_some_and(|word| word.end > FARTHEST.unsigned_abs());
    let long = |word: &SungWord| word.name.as_ref().is_some_and(|name| name.chars().count() > LONGEST_TEXT);
    if !rises || !whole || far || list.words.len() > MOST_WORDS || list.words.iter().any(long) {
        push(Rule::Range("words"));
    }
}

/// Checks what concerns no single lane: the loop, the words, and that at most one lane is the guide.
pub fn check_whole(song: &Song, found: &mut Vec<Violation>) {
    let whole = |rule| Violation { lane: None, region: None, at: None, rule };
    if let Some(span) = song.loop_span
        && (span.start >= span.end || !in_reach(span.start) || !in_reach(span.end))
    {
        found.push(whole(Rule::Range("loop")));
    }
    if let Some(list) = &song.words {
        check_words(list, &mut |rule| found.push(whole(rule)));
    }
    for lane in song.lanes.iter().filter(|lane| lane.role == Role::Guide).skip(1) {
        found.push(Violation { lane: Some(lane.id), region: None, at: None, rule: Rule::TwoGuides });
    }
}

/// Checks one lane and appends what it finds. Ids are checked against the whole song by [`check_song`].
pub fn check_lane(lane: &Lane, assets: &dyn AssetFrames, found: &mut Vec<Violation>) {
    let of_lane = |rule| Violation { lane: Some(lane.id), region: None, at: None, rule };
    if !GAIN_RANGE.contains(&lane.gain_db.0) {
        found.push(of_lane(Rule::Range("gain")));
    }
    if !(-1.0..=1.0).contains(&lane.pan.0) {
        found.push(of_lane(Rule::Range("pan")));
    }
    if lane.tone.as_ref().is_some_and(|tone| tone.out_of_range().is_some() || !tone.is_ordered()) {
        found.push(of_lane(Rule::Range("tone")));
    }
    let long = |text: &str| text.chars().count() > LONGEST_TEXT;
    if long(&lane.name) || lane.notes.iter().any(|note| long(&note.text)) {
        found.push(of_lane(Rule::Range("text")));
    }
    let far = |hold: &Hold| hold.word > FARTHEST.unsigned_abs() || !in_reach(Position(hold.by.0));
    let rising = lane.holds.windows(2).all(|pair| pair[0].word < pair[1].word);
    if !rising || lane.holds.len() > MOST_WORDS || lane.holds.iter().any(far) {
        found.push(of_lane(Rule::Range("held offset")));
    }
    if assets.frames(lane.asset).is_none() {
        found.push(of_lane(Rule::UnknownAsset(lane.asset)));
    }
    let mut cached = None;
    for region in &lane.regions {
        check_region(lane, region, assets, &mut cached, found);
    }
    for pair in lane.regions.windows(2) {
        check_pair(lane, &pair[0], &pair[1], found);
    }
    for three in lane.regions.windows(3) {
        if three[0].end() > three[2].at {
            found.push(at_region(lane, &three[0], Rule::BeyondNeighbour));
        }
    }
}

fn at_region(lane: &Lane, region: &Region, rule: Rule) -> Violation {
    Violation { lane: Some(lane.id), region: Some(region.id), at: Some(region.at), rule }
}

fn in_reach(at: Position) -> bool {
    (-FARTHEST..=FARTHEST).contains(&at.0)
}

fn check_region(
    lane: &Lane,
    region: &Region,
    assets: &dyn AssetFrames,
    cached: &mut Option<(AssetId, u64)>,
    found: &mut Vec<Violation>,
) {
    let mut push = |rule| found.push(at_region(lane, region, rule));
    if region.length == Length::ZERO {
        push(Rule::Empty);
    }
    if !in_reach(region.at) || !in_reach(region.end()) {
        push(Rule::Range("position"));
    }
    if !GAIN_RANGE.contains(&region.gain_db.0) {
        push(Rule::Range("gain"));
    }
    if region.highpass_hz.is_some_and(|hz| !HIGHPASS_RANGE.contains(&hz)) {
        push(Rule::Range("high-pass"));
    }
    let bent = |fade: Fade| !(-1.0..=1.0).contains(&fade.bend.0);
    if bent(region.fade_in) || bent(region.fade_out) {
        push(Rule::Range("bend"));
    }
    let fades = region.fade_in.length + region.fade_out.length;
    if fades > region.length {
        push(Rule::FadesMeet { fades: fades.0, length: region.length.0 });
    }
    if cached.is_none_or(|(asset, _)| asset != region.asset) {
        *cached = assets.frames(region.asset).map(|frames| (region.asset, frames));
    }
    match *cached {
        Some((asset, has)) if asset == region.asset => {
            if region.source_end() > has {
                push(Rule::OutsideAsset { needs: region.source_end(), has });
            }
        }
        _ => push(Rule::UnknownAsset(region.asset)),
    }
}

fn check_pair(lane: &Lane, left: &Region, right: &Region, found: &mut Vec<Violation>) {
    if right.at <= left.at || right.end() <= left.end() {
        found.push(at_region(lane, right, Rule::Order));
        return;
    }
    let overlap = left.end().since(right.at).0;
    let (fade_out, fade_in) = (left.fade_out.length.0, right.fade_in.length.0);
    if overlap > 0 && (fade_out != overlap || fade_in != overlap) {
        found.push(at_region(lane, right, Rule::Crossfade { overlap, fade_out, fade_in }));
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::song::{Db, Pan, Polarity};

    struct Frames(u64);
    impl AssetFrames for Frames {
        fn frames(&self, asset: AssetId) -> Option<u64> {
            (asset == AssetId(1)).then_some(self.0)
        }
    }

    fn region(id: u64, at: i64, length: u64) -> Region {
        Region {
            id: RegionId(id),
            asset: AssetId(1),
            source_in: 0,
            length: Length(length),
            at: Position(at),
            gain_db: Db(0.0),
            highpass_hz: None,
            fade_in: Fade::NONE,
            fade_out: Fade::NONE,
        }
    }

    fn lane(regions: Vec<Region>) -> Lane {
        Lane {
            id: LaneId(1),
            name: "one".into(),
            role: Role::Guide,
            asset: AssetId(1),
            gain_db: Db(0.0),
            pan: Pan(0.0),
            polarity: Polarity::Normal,
            mute: false,
            solo: false,
            tone: None,
            notes: vec![],
            holds: vec![],
            regions: regions.into_iter().map(Arc::new).collect(),
        }
    }

    fn rules_of(regions: Vec<Region>) -> Vec<Rule> {
        let mut found = Vec::new();
        check_lane(&lane(regions), &Frames(1000), &mut found);
        found.into_iter().map(|violation| violation.rule).collect()
    }

    #[test]
    fn neighbours_that_touch_break_no_rule() {
        assert_eq!(rules_of(vec![region(1, -50, 100), region(2, 50, 100)]), vec![]);
    }

    #[test]
    fn an_overlap_must_be_spanned_by_both_fades() {
        let mut left = region(1, 0, 100);
        let mut right = region(2, 90, 100);
        assert_eq!(
            rules_of(vec![left.clone(), right.clone()]),
            vec![Rule::Crossfade { overlap: 10, fade_out: 0, fade_in: 0 }]
        );
        left.fade_out.length = Length(10);
        right.fade_in.length = Length(10);
        assert_eq!(rules_of(vec![left, right]), vec![]);
    }

    #[test]
    fn a_region_inside_another_or_out_of_order_is_refused() {
        assert_eq!(rules_of(vec![region(1, 0, 100), region(2, 10, 20)]), vec![Rule::Order]);
        assert_eq!(rules_of(vec![region(1, 10, 100), region(2, 0, 200)]), vec![Rule::Order]);
    }

    #[test]
    fn only_neighbours_overlap() {
        let mut regions = vec![region(1, 0, 100), region(2, 40, 100), region(3, 90, 100)];
        for (index, (fade_in, fade_out)) in [(0, 60), (60, 40), (50, 0)].into_iter().enumerate() {
            regions[index].fade_in.length = Length(fade_in);
            regions[index].fade_out.length = Length(fade_out);
        }
        assert!(rules_of(regions).contains(&Rule::BeyondNeighbour));
    }

    #[test]
    fn numbers_are_finite_and_inside_the_asset() {
        let mut odd = region(1, 0, 1001);
        odd.gain_db = Db(f64::NAN);
        odd.fade_in.bend.0 = 1.5;
        odd.fade_in.length = Length(600);
        odd.fade_out.length = Length(600);
        assert_eq!(
            rules_of(vec![odd]),
            vec![
                Rule::Range("gain"),
                Rule::Range("bend"),
                Rule::FadesMeet { fades: 1200, length: 1001 },
                Rule::OutsideAsset { needs: 1001, has: 1000 },
            ]
        );
        assert_eq!(rules_of(vec![region(1, FARTHEST, 10)]), vec![Rule::Range("position")]);
    }

    #[test]
    fn a_song_has_one_guide_and_no_id_twice() {
        let one = Arc::new(lane(vec![region(1, 0, 10)]));
        let song = Song { lanes: vec![one.clone(), one], ..Song::default() };
        let rules: Vec<Rule> =
            check_song(&song, &Frames(1000)).into_iter().map(|violation| violation.rule).collect();
        assert_eq!(rules, vec![Rule::DuplicateId, Rule::DuplicateId, Rule::TwoGuides]);
    }
}
