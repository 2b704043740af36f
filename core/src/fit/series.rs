//! Readings of one kind, condensed as they arrive: five-minute medians while the bottle settles, half-hour medians after,
//! and longer ones for what is weeks old.

mod bins;

use serde::{Deserialize, Serialize};

use bins::Bins;

/// Width of a bin, in hours, and of those of the first hours.
const BIN_H: f64 = 0.5;
const FINE_H: f64 = 1.0 / 12.0;

/// Short bins in an ordinary one.
const FINE_PER_BIN: i32 = 6;

/// Ages, h, past which everything is reckoned with more coarsely.
pub(super) const WEEKS_H: f64 = 240.0;
pub(super) const OLD_H: f64 = 720.0;
pub(super) const MONTHS_H: f64 = 2_880.0;

/// Level of a point's key, above its place, that tells an ordinary bin.
pub(super) const HALF_HOURS: u64 = 1;

/// Bins that are told as one once they are weeks old, and older.
const TOGETHER: [i32; 2] = [4, 24];

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
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Series {
    fine: Bins,
    bins: Bins,
    /// Short bins after the first value.
    fine_for: i32,
    first_h: Option<f32>,
}

impl Default for Series {
    fn default() -> Self {
        Self {
            fine: Bins::of(1),
            bins: Bins::of(FINE_PER_BIN),
            fine_for: 0,
            first_h: None,
        }
    }
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
            reason = "kept to a quarter of a second of a month, and far finer than any sensor"
        )]
        let (at, value) = (at_h as f32, value as f32);
        let before = self.first_h;
        if before.is_none_or(|first| at < first) {
            self.first_h = Some(at);
            self.coarsen();
        }
        let bins = if fine_index(at) < self.fine_end() {
            &mut self.fine
        } else {
            &mut self.bins
        };
        bins.take(at, value);
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
        self.fine.give_from(end, &mut self.bins);
    }

    /// Forgets what was measured from `at_h` on.
    pub(super) fn forget_from(&mut self, at_h: f64) {
        self.fine.forget_from(at_h);
        self.bins.forget_from(at_h);
    }

    /// In how many spans of time something was measured before `until_h`.
    pub(super) fn filled(&self, until_h: f64) -> usize {
        self.fine.filled(until_h) + self.bins.filled(until_h)
    }

    /// All points up to `until_h`, in order of time. Values whose time `wanted` refuses are left out of the medians.
    pub(super) fn points(&self, until_h: f64, wanted: impl Fn(f64) -> bool) -> Vec<Point> {
        let fine = self.fine.points(until_h, &wanted);
        let mut points: Vec<Point> = fine.map(|(index, point)| point.keyed(0, index)).collect();
        let mut together: Option<(u64, i32, Point)> = None;
        for (index, point) in self.bins.points(until_h, &wanted) {
            let age = until_h - f64::from(index) * BIN_H;
            let (level, block) = if age > OLD_H {
                (3, index.div_euclid(TOGETHER[1]))
            } else if age > WEEKS_H {
                (2, index.div_euclid(TOGETHER[0]))
            } else {
                (HALF_HOURS, index)
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
        assert!((a[0].value - 1.2).abs() < 1e-6 && a == b);
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
}
