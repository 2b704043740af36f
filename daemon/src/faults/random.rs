//! Chance by seed.

/// SplitMix64 (Steele, Lea and Flood 2014): the same numbers from a seed, on every machine.
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From `least` to below `most`; `least` where there is nothing between.
    pub(super) fn within(&mut self, least: u64, most: u64) -> u64 {
        least + self.next() % most.saturating_sub(least).max(1)
    }

    /// The same for places in a list.
    pub(super) fn below(&mut self, most: usize) -> usize {
        let most = u64::try_from(most).unwrap_or(u64::MAX);
        usize::try_from(self.within(0, most)).unwrap_or(0)
    }

    /// True in so many of a hundred.
    pub(super) fn percent(&mut self, chance: u64) -> bool {
        self.within(0, 100) < chance
    }
}
