//! Readings of one kind, condensed as they arrive: five-minute medians while the bottle settles, half-hour medians after,
//! and longer ones for what is weeks old.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Width of a bin, in hours, and of those of the first hours.
const BIN_H: f64 = 0.5;
const FINE_H: f64 = 1.0 / 12.0;

/// Ages, h, past which everything is reckoned with more coarsely.
pub(super) const WEEKS_H: f64 = 240.0;
pub(super) const OLD_H: f64 = 720.0;

/// Bins that are told as one once they are weeks old, and older.
const TOGETHER: [i32; 2] = [4, 24];

/// Values that a bin keeps; past it every second one goes and only every second new one is kept.
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
    fine_for_h: f64,
    first_h: Option<f64>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Bin {
    seen: u32,
    stride: u32,
    kept: Vec<(f32, f64)>,
}

impl Series {
    /// With short bins for `hours` after the first value.
    pub(super) fn fine_for(hours: f64) -> Self {
        Self {
            fine_for_h: hours,
            ..Self::default()
        }
    }

    pub(super) fn take(&mut self, at_h: f64, value: f64) {
        let first = *self.first_h.get_or_insert(at_h);
        let (bins, width) = if self.fine_for_h > 0.0 && at_h <= first + self.fine_for_h {
            (&mut self.fine, FINE_H)
        } else {
            (&mut self.bins, BIN_H)
        };
        #[expect(
            clippy::cast_possible_truncation,
            reason = "hours since sealing fit i32 for 10 000 years; clamped"
        )]
        let index = (at_h / width).floor().clamp(-1e9, 1e9) as i32;
        bins.entry(index).or_default().take(at_h, value);
    }

    /// Forgets what was measured from `at_h` on.
    pub(super) fn forget_from(&mut self, at_h: f64) {
        for (bins, width) in [(&mut self.fine, FINE_H), (&mut self.bins, BIN_H)] {
            bins.retain(|index, bin| {
                bin.kept.retain(|(h, _)| f64::from(*h) < at_h);
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
    fn take(&mut self, at_h: f64, value: f64) {
        let stride = self.stride.max(1);
        if self.seen.is_multiple_of(stride) {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "a quarter of a second of a month is nothing here"
            )]
            self.kept.push((at_h as f32, value));
            if self.kept.len() > KEPT {
                let mut index = 0;
                self.kept.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                self.stride = stride * 2;
            }
        }
        self.seen = self.seen.saturating_add(1);
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
            count: count * f64::from(self.stride.max(1)),
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
    fn a_bin_stays_small() {
        let mut series = Series::default();
        (0..10_000).for_each(|i| series.take(5.0 + f64::from(i) * 1e-5, 1.0));
        assert!(series.bins.values().all(|bin| bin.kept.len() <= KEPT));
        let count = series.points(99.0, |_| true)[0].count;
        assert!((count / 10_000.0 - 1.0).abs() < 0.5, "{count}");
    }
}
