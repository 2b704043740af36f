//! Values by spans of time. Packed into one list, since a live batch holds thousands.

use std::{collections::BTreeMap, ops::Range};

use serde::{Deserialize, Serialize};

use super::{FINE_H, Point, fine_index};

/// Values that a bin keeps; of more, those that a hash of time and value picks, so that their order of arrival does not matter.
pub(super) const KEPT: usize = 16;

/// Bins of one width that hold something, in order of time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Bins {
    /// Short bins in one of these.
    per: i32,
    /// Hours since sealing and value, by bin and, within, by their lot.
    kept: Vec<(f32, f32)>,
    /// Readings that a full bin saw and did not keep.
    more: BTreeMap<i32, u32>,
}

impl Bins {
    /// Each as wide as so many short ones.
    pub(super) fn of(per: i32) -> Self {
        Self {
            per,
            kept: Vec::new(),
            more: BTreeMap::new(),
        }
    }

    fn index(&self, at_h: f32) -> i32 {
        fine_index(at_h).div_euclid(self.per)
    }

    /// Where the values of a bin lie.
    fn range(&self, index: i32) -> Range<usize> {
        let from = self.kept.partition_point(|(h, _)| self.index(*h) < index);
        let rest = self.kept.get(from..).unwrap_or_default();
        from..from + rest.partition_point(|(h, _)| self.index(*h) == index)
    }

    pub(super) fn take(&mut self, at_h: f32, value: f32) {
        let index = self.index(at_h);
        let range = self.range(index);
        let rank = lot(at_h, value);
        let bin = self.kept.get(range.clone()).unwrap_or_default();
        let place = range.start + bin.partition_point(|(h, v)| lot(*h, *v) <= rank);
        if range.len() < KEPT {
            self.kept.insert(place, (at_h, value));
            return;
        }
        if place < range.end {
            self.kept.remove(range.end - 1);
            self.kept.insert(place, (at_h, value));
        }
        self.count(index, 1);
    }

    fn count(&mut self, index: i32, more: u32) {
        let counted = self.more.entry(index).or_default();
        *counted = counted.saturating_add(more);
    }

    /// Gives what is in or behind the short bin `fine` to bins of another width; the border must be one of this width, too.
    pub(super) fn give_from(&mut self, fine: i32, to: &mut Self) {
        let first = fine.div_euclid(self.per);
        let from = self.kept.partition_point(|(h, _)| self.index(*h) < first);
        for (at_h, value) in self.kept.split_off(from) {
            to.take(at_h, value);
        }
        for (index, more) in self.more.split_off(&first) {
            to.count((index * self.per).div_euclid(to.per), more);
        }
    }

    /// Forgets what was measured from `at_h` on. Of what a bin did not keep as large a part stays as of what it kept.
    pub(super) fn forget_from(&mut self, at_h: f64) {
        let mut kept = Vec::with_capacity(self.kept.len());
        let mut more = BTreeMap::new();
        for (index, bin) in self.bins() {
            let before = kept.len();
            if f64::from(index) * f64::from(self.per) * FINE_H < at_h {
                kept.extend(bin.iter().filter(|(h, _)| f64::from(*h) < at_h));
            }
            let (stay, unkept) = (kept.len() - before, self.unkept(index));
            if stay > 0 && unkept > 0 {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "no more than it was"
                )]
                let unkept = (f64::from(unkept) * len(stay) / len(bin.len())).round() as u32;
                more.insert(index, unkept);
            }
        }
        (self.kept, self.more) = (kept, more);
    }

    fn bins(&self) -> impl Iterator<Item = (i32, &[(f32, f32)])> {
        self.kept
            .chunk_by(|(a, _), (b, _)| self.index(*a) == self.index(*b))
            .filter_map(|bin| Some((self.index(bin.first()?.0), bin)))
    }

    /// How many hold something of before `until_h`.
    pub(super) fn filled(&self, until_h: f64) -> usize {
        let before = |bin: &[(f32, f32)]| bin.first().is_some_and(|(h, _)| f64::from(*h) < until_h);
        self.bins().filter(|(_, bin)| before(bin)).count()
    }

    fn unkept(&self, index: i32) -> u32 {
        self.more.get(&index).copied().unwrap_or(0)
    }

    /// The medians up to `until_h` by bin. Values whose time `wanted` refuses are left out.
    pub(super) fn points(
        &self,
        until_h: f64,
        wanted: impl Fn(f64) -> bool,
    ) -> impl Iterator<Item = (i32, Point)> {
        self.bins().filter_map(move |(index, bin)| {
            let counted = bin.iter().filter(|(h, _)| {
                let h = f64::from(*h);
                h <= until_h && wanted(h)
            });
            let (times, mut values): (Vec<f64>, Vec<f64>) = counted
                .map(|(h, value)| (f64::from(*h), f64::from(*value)))
                .unzip();
            values.sort_by(f64::total_cmp);
            let middle = values.len() / 2;
            let value = match (values.get(middle), values.get(middle.wrapping_sub(1))) {
                (Some(high), Some(low)) if values.len().is_multiple_of(2) => 0.5 * (high + low),
                (Some(high), _) => *high,
                _ => return None,
            };
            let count = len(values.len());
            // Each that is kept stands for some that are not.
            let stands_for = 1.0 + f64::from(self.unkept(index)) / len(bin.len());
            let point = Point {
                at_h: times.iter().sum::<f64>() / count,
                value,
                count: count * stands_for,
                key: 0,
            };
            Some((index, point))
        })
    }
}

fn len(count: usize) -> f64 {
    u32::try_from(count).map_or(f64::from(u32::MAX), f64::from)
}

/// A lot for a value, the same whenever it comes (the finaliser of SplitMix64, Steele et al. 2014).
fn lot(at_h: f32, value: f32) -> (u64, u32, u32) {
    let mut x = (u64::from(at_h.to_bits()) << 32) ^ u64::from(value.to_bits());
    x = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x ^ (x >> 31), at_h.to_bits(), value.to_bits())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bin_stays_small_and_counts_all() {
        let mut bins = Bins::of(6);
        (0..10_000_u16).for_each(|i| bins.take(5.0 + f32::from(i) * 1e-5, 1.0));
        assert_eq!(bins.kept.len(), KEPT);
        let (_, point) = bins.points(99.0, |_| true).next().unwrap();
        assert!((point.count - 10_000.0).abs() < 0.5, "{}", point.count);
        bins.forget_from(5.05);
        let (_, point) = bins.points(99.0, |_| true).next().unwrap();
        assert!((point.count / 5_000.0 - 1.0).abs() < 0.5, "{}", point.count);
    }
}
