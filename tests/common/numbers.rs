//! Seeded numbers for long runs: the same seed gives the same run.
#![allow(dead_code, reason = "each test binary uses a part of it")]

/// SplitMix64 (Steele, Lea, Flood 2014; constants from memory, any mixing would do).
#[derive(Debug, Clone)]
pub struct Numbers(pub u64);

impl Numbers {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to below the limit, which is not 0.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit.max(1)
    }

    /// An index into so many things.
    pub fn index(&mut self, count: usize) -> usize {
        self.below(count as u64) as usize
    }

    pub fn one_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }

    pub fn pick<'a, T: ?Sized>(&mut self, from: &[&'a T]) -> &'a T {
        from[self.index(from.len())]
    }
}

/// A whole number from the environment, or this one.
pub fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}
