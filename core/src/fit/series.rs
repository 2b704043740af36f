//! Readings of one kind, condensed as they arrive: five-minute medians while the bottle settles, half-hour medians after,
//! and longer ones for what is weeks old.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Width of a bin, in hours, and of those of the first hours.
const BIN_H: f64 = 0.5;
const FINE_H: f64 = 1.0 / 12.0;

/// Short bins in an ordinary one.
const FINE_PER_BIN: i32 = 6;

/// Ages, h, past which everything is reckoned with more coarsely.
pub(super) const WEEKS_H: f64 = 240.0;
pub(super) const OLD_H: f64 = 720.0;

/// Bins that are told as one once they are weeks old, and older.
const TOGETHER: [i32; 2] = [4, 24];

/// Values that a bin keeps; of more, those that a hash of time and value picks, so that their order of arrival does not matter.
const KEPT: usize = 32;

/// One condensed value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    /// Hours since sealing.
    pub(super) at_h: f64,
    /// Median of the bin.
    pub(super) value: f64,
    /// How many readings it stands for.
    pub(super) count: f64,
    /// Tells it from the others of its series, as long as its bin stays what it is.
    pub(super) key: u64,
}

/// A series in order of time, whatever the order of arrival.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Series {
    fine: BTreeMap<i32, Bin>,
    bins: BTreeMap<i32, Bin>,
    /// Short bins after the first value.
    fine_for: i32,
    first_h: Option<f32>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Bin {
    seen: u32,
    /// In order of their hash.
    kept: Vec<(f32, f64)>,
}

impl Series {
    /// With short bins for so many hours after the first value.
    pub(super) fn fine_for(hours: u8) -> Self {
        Self {
            fine_for: 2 * FINE_PER_BIN * i32::from(hours),
            ..Self::default()
        }
    }

    /// The same values in another order make the same series.
    pub(super) fn take(&mut self, at_h: f64, value: f64) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "kept to a quarter of a second of a month"
        )]
        let at = at_h as f32;
        let before = self.first_h;
        if before.is_none_or(|first| at < first) {
            self.first_h = Some(at);
            self.coarsen();
        }
        let index = fine_index(at);
        let bin = if index < self.fine_end() {
            self.fine.entry(index).or_default()
        } else {
            self.bins.entry(index.div_euclid(FINE_PER_BIN)).or_default()
        };
        bin.take(at, value);
    }

    /// First index that is told coarsely.
    fn fine_end(&self) -> i32 {
        match self.first_h {
            Some(first) if self.fine_for > 0 => fine_index(first).saturating_add(self.fine_for),
            _ => i32::MIN,
        }
    }

    /// A value older than the first one came: what lies past its first hours is told coarsely.
    fn coarsen(&mut self) {
        let end = self.fine_end();
        for (index, bin) in self.fine.split_off(&end) {
            let coarse = self.bins.entry(index.div_euclid(FINE_PER_BIN)).or_default();
            coarse.join(bin);
        }
    }

    /// Forgets what was measured from `at_h` on.
    pub(super) fn forget_from(&mut self, at_h: f64) {
        for (bins, width) in [(&mut self.fine, FINE_H), (&mut self.bins, BIN_H)] {
            bins.retain(|index, bin| {
                let stands_for = f64::from(bin.seen) / bin.kept.iter().map(|_| 1.0).sum::<f64>();
                bin.kept.retain(|(h, _)| f64::from(*h) < at_h);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "no more than it was"
                )]
                let seen = (stands_for * bin.kept.iter().map(|_| 1.0).sum::<f64>()).round() as u32;
                bin.seen = seen;
                f64::from(*index) * width < at_h && !bin.kept.is_empty()
            });
        }
    }

    /// All points up to `until_h`, in order of time. Values whose time `wanted` refuses are left out of the medians.
    pub(super) fn points(&self, until_h: f64, wanted: impl Fn(f64) -> bool) -> Vec<Point> {
        let mut points = Vec::with_capacity(self.fine.len() + self.bins.len());
        for (index, bin) in &self.fine {
            let point = bin.point(until_h, &wanted);
            points.extend(point.map(|point| point.keyed(0, *index)));
        }
        let mut together: Option<(u64, i32, Point)> = None;
        for (index, bin) in &self.bins {
            let Some(point) = bin.point(until_h, &wanted) else {
                continue;
            };
            let age = until_h - f64::from(*index) * BIN_H;
            let (level, block) = if age > OLD_H {
                (3, index.div_euclid(TOGETHER[1]))
            } else if age > WEEKS_H {
                (2, index.div_euclid(TOGETHER[0]))
            } else {
                (1, *index)
            };
            together = Some(match together.take() {
                Some((l, b, sum)) if (l, b) == (level, block) => (l, b, sum.and(point)),
                before => {
                    points.extend(before.map(|(level, block, point)| point.keyed(level, block)));
                    (level, block, point)
                }
            });
        }
        points.extend(together.map(|(level, block, point)| point.keyed(level, block)));
        points.sort_by(|a, b| a.at_h.total_cmp(&b.at_h));
        points
    }
}

/// Index of the short bin at `at_h`.
fn fine_index(at_h: f32) -> i32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "hours since sealing fit i32 for 10 000 years; clamped"
    )]
    let index = (f64::from(at_h) / FINE_H).floor().clamp(-1e9, 1e9) as i32;
    index
}

/// A lot for a value, the same whenever it comes (the finaliser of SplitMix64, Steele et al. 2014).
fn lot(at_h: f32, value: f64) -> (u64, u32, u64) {
    let mut x = (u64::from(at_h.to_bits()) << 32) ^ value.to_bits();
    x = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (x ^ (x >> 31), at_h.to_bits(), value.to_bits())
}

impl Point {
    fn keyed(self, level: u64, block: i32) -> Self {
        Self {
            key: (level << 32) | u64::from(block.cast_unsigned()),
            ..self
        }
    }

    /// The two as one: their mean, each counted by its readings.
    fn and(self, other: Self) -> Self {
        let count = self.count + other.count;
        let mean = |a: f64, b: f64| (a * self.count + b * other.count) / count;
        Self {
            at_h: mean(self.at_h, other.at_h),
            value: mean(self.value, other.value),
            count,
            ..self
        }
    }
}

impl Bin {
    fn take(&mut self, at_h: f32, value: f64) {
        self.seen = self.seen.saturating_add(1);
        self.keep(at_h, value);
    }

    fn keep(&mut self, at_h: f32, value: f64) {
        let rank = lot(at_h, value);
        let place = self.kept.partition_point(|(h, v)| lot(*h, *v) <= rank);
        if place < KEPT {
            self.kept.insert(place, (at_h, value));
            self.kept.truncate(KEPT);
        }
    }

    fn join(&mut self, other: Self) {
        self.seen = self.seen.saturating_add(other.seen);
        for (at_h, value) in other.kept {
            self.keep(at_h, value);
        }
    }

    fn point(&self, until_h: f64, wanted: impl Fn(f64) -> bool) -> Option<Point> {
        let mut values: Vec<f64> = Vec::with_capacity(self.kept.len());
        let mut time = 0.0;
        for (at_h, value) in &self.kept {
            let at_h = f64::from(*at_h);
            if at_h <= until_h && wanted(at_h) {
                values.push(*value);
                time += at_h;
            }
        }
        if values.is_empty() {
            return None;
        }
        values.sort_by(f64::total_cmp);
        let middle = values.len() / 2;
        let value = match (values.get(middle), values.get(middle.wrapping_sub(1))) {
            (Some(high), Some(low)) if values.len().is_multiple_of(2) => 0.5 * (high + low),
            (Some(high), _) => *high,
            _ => return None,
        };
        let count = values.iter().map(|_| 1.0).sum::<f64>();
        Some(Point {
            at_h: time / count,
            value,
            // Each that is kept stands for some that are not.
            count: count * f64::from(self.seen) / self.kept.iter().map(|_| 1.0).sum::<f64>(),
            key: 0,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bin_is_its_median_and_order_of_arrival_does_not_matter() {
        let mut a = Series::default();
        let mut b = Series::default();
        let rows = [(10.1, 1.0), (10.2, 9.0), (10.3, 1.2), (11.1, 2.0)];
        rows.iter().for_each(|(t, v)| a.take(*t, *v));
        rows.iter().rev().for_each(|(t, v)| b.take(*t, *v));
        let (a, b) = (a.points(99.0, |_| true), b.points(99.0, |_| true));
        assert_eq!(a.len(), 2);
        assert!((a[0].value - 1.2).abs() < 1e-12 && (b[0].value - 1.2).abs() < 1e-12);
    }

    #[test]
    fn an_older_value_shortens_the_fine_hours_whenever_it_comes() {
        // Six an hour, and one stretch of one a second.
        let mut rows: Vec<(f64, f64)> = (0..60)
            .map(|i| (5.0 + f64::from(i) / 6.0, f64::from(i)))
            .collect();
        rows.extend((0..500).map(|i| (6.2 + f64::from(i) / 3_600.0, f64::from(i % 7))));
        rows.push((1.0, 3.0));
        let series = |rows: &[(f64, f64)]| {
            let mut series = Series::fine_for(3);
            rows.iter().for_each(|(h, value)| series.take(*h, *value));
            series
        };
        let late = series(&rows);
        rows.rotate_right(1);
        let first = series(&rows);
        rows.reverse();
        assert!(late == first && late == series(&rows));
        let fine = late.points(99.0, |_| true);
        assert!(
            fine.iter()
                .filter(|point| point.key >> 32 == 0)
                .all(|point| point.at_h < 4.1)
        );
    }

    #[test]
    fn a_bin_stays_small() {
        let mut series = Series::default();
        (0..10_000).for_each(|i| series.take(5.0 + f64::from(i) * 1e-5, 1.0));
        assert!(series.bins.values().all(|bin| bin.kept.len() <= KEPT));
        let count = series.points(99.0, |_| true)[0].count;
        assert!((count / 10_000.0 - 1.0).abs() < 0.5, "{count}");
    }
}
