//! Readings of one kind, condensed as they arrive: raw while the bottle settles, half-hour medians after.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Width of a bin, in hours.
const BIN_H: f64 = 0.5;

/// Values that a bin keeps; past it every second one goes and only every second new one is kept.
const KEPT: usize = 32;

/// Raw values kept while the first hours last.
const RAW: usize = 400;

/// One condensed value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    /// Hours since sealing.
    pub(super) at_h: f64,
    /// Median of the bin.
    pub(super) value: f64,
    /// How many readings it stands for.
    pub(super) count: f64,
}

/// A series in order of time, whatever the order of arrival.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Series {
    bins: BTreeMap<i32, Bin>,
    raw: Vec<(f64, f64)>,
    raw_until_h: f64,
    first_h: Option<f64>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Bin {
    seen: u32,
    stride: u32,
    kept: Vec<(f32, f64)>,
}

impl Series {
    /// With every value kept for `raw_h` hours after the first.
    pub(super) fn keeping_raw(raw_h: f64) -> Self {
        Self {
            raw_until_h: raw_h,
            ..Self::default()
        }
    }

    pub(super) fn take(&mut self, at_h: f64, value: f64) {
        let first = *self.first_h.get_or_insert(at_h);
        if self.raw_until_h > 0.0 && at_h <= first + self.raw_until_h && self.raw.len() < RAW {
            let place = self.raw.partition_point(|(t, _)| *t <= at_h);
            self.raw.insert(place, (at_h, value));
            return;
        }
        #[expect(
            clippy::cast_possible_truncation,
            reason = "hours since sealing fit i32 for 120 000 years; clamped"
        )]
        let index = (at_h / BIN_H).floor().clamp(-1e9, 1e9) as i32;
        self.bins.entry(index).or_default().take(at_h, value);
    }

    /// All points up to `until_h`, in order of time. Values are taken out of a bin's median if `wanted` refuses their time.
    pub(super) fn points(&self, until_h: f64, wanted: impl Fn(f64) -> bool) -> Vec<Point> {
        let raw = self.raw.iter().map(|(at_h, value)| Point {
            at_h: *at_h,
            value: *value,
            count: 1.0,
        });
        let binned = self.bins.values().filter_map(|bin| bin.point(until_h, &wanted));
        let mut points: Vec<Point> = raw
            .filter(|p| p.at_h <= until_h && wanted(p.at_h))
            .chain(binned)
            .collect();
        points.sort_by(|a, b| a.at_h.total_cmp(&b.at_h));
        points
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
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bin_is_its_median_and_order_of_arrival_does_not_matter() {
        let mut a = Series::keeping_raw(0.0);
        let mut b = Series::keeping_raw(0.0);
        let rows = [(10.1, 1.0), (10.2, 9.0), (10.3, 1.2), (11.1, 2.0)];
        rows.iter().for_each(|(t, v)| a.take(*t, *v));
        rows.iter().rev().for_each(|(t, v)| b.take(*t, *v));
        let (a, b) = (a.points(99.0, |_| true), b.points(99.0, |_| true));
        assert_eq!(a.len(), 2);
        assert!((a[0].value - 1.2).abs() < 1e-12 && (b[0].value - 1.2).abs() < 1e-12);
    }

    #[test]
    fn a_bin_stays_small() {
        let mut series = Series::keeping_raw(0.0);
        (0..10_000).for_each(|i| series.take(5.0 + f64::from(i) * 1e-5, 1.0));
        assert!(series.bins.values().all(|bin| bin.kept.len() <= KEPT));
        let count = series.points(99.0, |_| true)[0].count;
        assert!((count / 10_000.0 - 1.0).abs() < 0.5, "{count}");
    }
}
