//! Tempo, meter and markers of a song: where its bars lie.
//!
//! Kept in ticks with whole numbers, as a Standard MIDI File has them, so that the place of a bar is exact and the
//! same for ever. Positions come from them by [`TempoMap::position`].

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::rules::FARTHEST;
use super::units::Position;

/// A tempo from a tick on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tempo {
    /// From which tick.
    pub tick: u64,
    /// Microseconds per quarter note, 1 to 2^24 - 1: 60,000,000 / BPM.
    pub us_per_quarter: u32,
}

/// A meter from a tick on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Meter {
    /// From which tick.
    pub tick: u64,
    /// Beats in a bar, 1 to 255.
    pub beats: u32,
    /// The note that is a beat: 1, 2, 4, 8, 16, 32 or 64.
    pub unit: u32,
}

/// A name at a place on the timeline.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Marker {
    /// Where.
    pub at: Position,
    /// What it says.
    pub name: String,
}

/// Where the bars of a song lie. Without a tempo at tick 0 it is 120 BPM there, without a meter 4/4 (Standard MIDI File 1.0).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TempoMap {
    /// Ticks per quarter note, 1 to 32,767.
    pub ticks_per_quarter: u32,
    /// Where tick 0, the start of bar 1, lies.
    #[serde(default)]
    pub origin: Position,
    /// Tempi in order of their ticks.
    pub tempi: Vec<Tempo>,
    /// Meters in order of their ticks.
    #[serde(default)]
    pub meters: Vec<Meter>,
}

/// No bar lies later than this many ticks.
const LATEST_TICK: u64 = 1 << 40;

impl TempoMap {
    /// What is wrong with it, if anything: lists out of order, numbers out of range.
    #[must_use]
    pub fn fault(&self) -> Option<&'static str> {
        let tempi = self.tempi.iter();
        let meters = self.meters.iter();
        if !(1..=32_767).contains(&self.ticks_per_quarter) {
            Some("ticks per quarter note out of range")
        } else if !tempi.clone().all(|tempo| (1..1 << 24).contains(&tempo.us_per_quarter)) {
            Some("a tempo out of range")
        } else if !meters
            .clone()
            .all(|meter| (1..=255).contains(&meter.beats) && meter.unit.is_power_of_two() && meter.unit <= 64)
        {
            Some("a meter out of range")
        } else if !self.tempi.is_sorted_by_key(|tempo| tempo.tick)
            || !self.meters.is_sorted_by_key(|meter| meter.tick)
            || tempi.map(|tempo| tempo.tick).chain(meters.map(|meter| meter.tick)).any(|t| t > LATEST_TICK)
        {
            Some("tempi or meters out of order")
        } else if !(-FARTHEST..=FARTHEST).contains(&self.origin.0) {
            Some("an origin out of reach")
        } else {
            None
        }
    }

    /// Where `tick` lies at `rate` Hz, to the nearest sample, halves to later; `None` beyond 2^40 samples.
    #[must_use]
    pub fn position(&self, tick: u64, rate: u32) -> Option<Position> {
        // In units of 1 / (10^6 · ticks_per_quarter) seconds, so that every sum is exact.
        let mut time = 0u128;
        let (mut from, mut us) = (0, 500_000u32);
        for tempo in self.tempi.iter().take_while(|tempo| tempo.tick <= tick) {
            time += u128::from(tempo.tick - from) * u128::from(us);
            (from, us) = (tempo.tick, tempo.us_per_quarter);
        }
        time += u128::from(tick - from) * u128::from(us);
        let per_second = 1_000_000 * u128::from(self.ticks_per_quarter.max(1));
        let samples = (time * u128::from(rate) + per_second / 2) / per_second;
        let at = self.origin.0.checked_add(i64::try_from(samples).ok()?)?;
        (-FARTHEST..=FARTHEST).contains(&at).then_some(Position(at))
    }

    /// The tick of a beat of a bar, both counted from 1; `None` if the bar has no such beat or lies too far away.
    #[must_use]
    pub fn tick(&self, bar: u64, beat: u64) -> Option<u64> {
        let mut bars_left = bar.checked_sub(1)?;
        let beat = beat.checked_sub(1)?;
        let quarter = u64::from(self.ticks_per_quarter.max(1));
        let first = Meter { tick: 0, beats: 4, unit: 4 };
        let mut start = 0u64;
        let mut meter = first;
        for next in &self.meters {
            let length = bar_ticks(meter, quarter);
            // A meter that begins within a bar ends that bar early.
            let bars = (next.tick - start.min(next.tick)).div_ceil(length);
            if bars_left < bars {
                break;
            }
            bars_left -= bars;
            start = start.max(next.tick);
            meter = *next;
        }
        let offset = bars_left.checked_mul(bar_ticks(meter, quarter))?;
        let within = beat.checked_mul(quarter * 4)? / u64::from(meter.unit.max(1));
        if beat >= u64::from(meter.beats) {
            return None;
        }
        start.checked_add(offset)?.checked_add(within).filter(|tick| *tick <= LATEST_TICK)
    }

    /// Where a beat of a bar lies, both counted from 1; `None` as for [`Self::tick`] and [`Self::position`].
    #[must_use]
    pub fn beat(&self, bar: u64, beat: u64, rate: u32) -> Option<Position> {
        self.position(self.tick(bar, beat)?, rate)
    }
}

fn bar_ticks(meter: Meter, quarter: u64) -> u64 {
    (u64::from(meter.beats) * quarter * 4 / u64::from(meter.unit.max(1))).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(tempi: &[(u64, u32)], meters: &[(u64, u32, u32)]) -> TempoMap {
        TempoMap {
            ticks_per_quarter: 480,
            origin: Position(0),
            tempi: tempi.iter().map(|&(tick, us_per_quarter)| Tempo { tick, us_per_quarter }).collect(),
            meters: meters.iter().map(|&(tick, beats, unit)| Meter { tick, beats, unit }).collect(),
        }
    }

    #[test]
    fn without_a_word_on_it_a_bar_lasts_two_seconds() {
        // Standard MIDI File 1.0: 120 BPM and 4/4 unless told.
        let plain = map(&[], &[]);
        assert_eq!(plain.beat(1, 1, 48_000), Some(Position(0)));
        assert_eq!(plain.beat(2, 1, 48_000), Some(Position(96_000)));
        assert_eq!(plain.beat(33, 2, 48_000), Some(Position(32 * 96_000 + 24_000)));
        assert_eq!(plain.beat(1, 5, 48_000), None);
        assert_eq!((plain.beat(0, 1, 48_000), plain.beat(1, 0, 48_000)), (None, None));
    }

    #[test]
    fn tempo_and_meter_change_on_the_way() {
        // Two bars of 4/4 at 120, then 6/8 at 90 (666,667 µs per quarter).
        let two = map(&[(0, 500_000), (3840, 666_667)], &[(0, 4, 4), (3840, 6, 8)]);
        assert_eq!(two.tick(3, 1), Some(3840));
        assert_eq!(two.tick(4, 1), Some(3840 + 1440));
        assert_eq!(two.tick(3, 6), Some(3840 + 5 * 240));
        // 4 s, then 3 quarters of 0.666667 s.
        assert_eq!(two.beat(4, 1, 48_000), Some(Position(192_000 + 96_000)));
        assert_eq!(two.beat(4, 1, 1_000_000), Some(Position(4_000_000 + 2_000_001)));
    }

    #[test]
    fn a_meter_within_a_bar_ends_it_and_far_bars_have_no_place() {
        let early = map(&[], &[(0, 4, 4), (960, 3, 4)]);
        assert_eq!(early.tick(2, 1), Some(960));
        assert_eq!(early.tick(3, 1), Some(960 + 1440));
        assert_eq!(early.tick(u64::MAX, 1), None);
        assert_eq!(early.beat(500_000_000, 1, 384_000), None);
    }

    #[test]
    fn faults_are_named() {
        assert_eq!(map(&[(0, 500_000)], &[(0, 3, 4)]).fault(), None);
        assert!(map(&[(0, 0)], &[]).fault().is_some());
        assert!(map(&[(9, 1), (3, 1)], &[]).fault().is_some());
        assert!(map(&[], &[(0, 4, 3)]).fault().is_some());
        assert!(TempoMap { ticks_per_quarter: 0, ..map(&[], &[]) }.fault().is_some());
    }
}
