//! Where a time or an amount lies in a picture.
//!
//! A picture stretches: x is a share of the width, y is in pixels from the top. Lines live in a nested `svg` of
//! [`WIDE`] units that is stretched to the width; words live outside it, at percentages, and keep their size.

use std::fmt::Write;

use fobwatch_core::forecast::CurvePoint;
use jiff::{Timestamp, ToSpan};

use super::clock::Clock;

/// Units across a stretched picture.
pub(super) const WIDE: f64 = 1_000.0;

/// A stretch of time across the width.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct TimeAxis {
    pub(super) start: Timestamp,
    pub(super) end: Timestamp,
}

/// Amounts from 0 at `bottom` to `most` at `top`, in pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    pub(super) most: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
}

/// One day of the axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Day {
    /// "Thu 5".
    pub(super) name: String,
    /// Where it begins, as a share of the width; `None`: before the axis.
    pub(super) begins: Option<f64>,
    /// The middle of what is seen of it, as a share of the width.
    pub(super) middle: f64,
    /// It is named only where there is room.
    pub(super) spare: bool,
}

impl TimeAxis {
    /// An axis of at least an hour.
    pub(super) fn new(start: Timestamp, end: Timestamp) -> Self {
        let least = start.saturating_add(1.hour()).unwrap_or(start);
        Self {
            start,
            end: end.max(least),
        }
    }

    /// As a share of the width; below 0 or above 1 when it lies outside.
    pub(super) fn share(&self, at: Timestamp) -> f64 {
        let whole = self.end.duration_since(self.start).as_secs_f64();
        if whole > 0.0 {
            at.duration_since(self.start).as_secs_f64() / whole
        } else {
            0.0
        }
    }

    pub(super) fn holds(&self, at: Timestamp) -> bool {
        (self.start..=self.end).contains(&at)
    }

    /// The local days on the axis. Every second, third ... day is named so that at most `most` are; where the picture
    /// is narrow, every second of those is dropped too. `least_apart`: names nearer than this share of the width print into each other.
    pub(super) fn days(&self, clock: Clock<'_>, most: usize, least_apart: f64) -> Vec<Day> {
        const LONGEST: usize = 400;
        let mut starts = Vec::new();
        let mut day = clock.local(self.start).start_of_day();
        while let Ok(begin) = day {
            if begin.timestamp() >= self.end || starts.len() >= LONGEST {
                break;
            }
            day = begin.tomorrow();
            starts.push(begin);
        }
        let step = starts.len().div_ceil(most.max(1)).max(1);
        let mut days = Vec::new();
        for (index, begin) in starts.iter().enumerate().filter(|(index, _)| index % step == 0) {
            let next = starts
                .get(index + 1)
                .map_or(1.0, |next| self.share(next.timestamp()));
            let from = self.share(begin.timestamp());
            let (left, right) = (from.max(0.0), next.min(1.0));
            let begins = (from > 0.0).then_some(from);
            // A sliver of a day at either end has no room for its name.
            let named = step > 1 || right - left > 0.6 / count(starts.len());
            days.push(Day {
                name: if named {
                    begin.strftime("%a %-d").to_string()
                } else {
                    String::new()
                },
                begins,
                middle: f64::midpoint(left, right).clamp(0.065, 0.935),
                spare: false,
            });
        }
        // A short day at an end gives way where its name would print into its neighbour's.
        let mut ends: Vec<f64> = days.iter().skip(1).map(|day| day.begins.unwrap_or(0.0)).collect();
        ends.push(1.0);
        let length = |days: &[Day], place: usize| {
            let begins = days.get(place).and_then(|day| day.begins).unwrap_or(0.0);
            ends.get(place).copied().unwrap_or(1.0) - begins
        };
        for place in 1..days.len() {
            let near = matches!(days.get(place - 1..=place), Some([a, b])
                if !a.name.is_empty() && !b.name.is_empty() && b.middle - a.middle < least_apart);
            if near {
                let shorter = if length(&days, place) < length(&days, place - 1) {
                    place
                } else {
                    place - 1
                };
                if let Some(day) = days.get_mut(shorter) {
                    day.name.clear();
                }
            }
        }
        if days.len() > 5 {
            for (index, day) in days.iter_mut().enumerate() {
                day.spare = index % 2 == 1;
            }
        }
        days
    }
}

fn count(items: usize) -> f64 {
    u32::try_from(items).map_or(f64::MAX, f64::from)
}

impl Scale {
    /// In pixels from the top.
    pub(super) fn y(&self, amount: f64) -> f64 {
        let share = if self.most > 0.0 { amount / self.most } else { 0.0 };
        self.bottom - share * (self.bottom - self.top)
    }

    /// Round amounts to mark, above 0 and up to the top: three to six of them.
    pub(super) fn marks(&self) -> Vec<f64> {
        let rough = self.most / 4.0;
        if !(rough.is_finite() && rough > 0.0) {
            return Vec::new();
        }
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .map(|step| step * power)
            .find(|step| *step >= rough * 0.999)
            .unwrap_or(rough);
        (1..=6)
            .map(|index| f64::from(index) * step)
            .take_while(|mark| *mark <= self.most * 1.001)
            .collect()
    }
}

/// A length in a picture. Whatever is no number is put at 0: a picture never carries `NaN`.
pub(super) fn px(length: f64) -> String {
    let length = if length.is_finite() {
        length.clamp(-9_999.0, 9_999.0)
    } else {
        0.0
    };
    let text = format!("{length:.1}");
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

/// A share of the width as a percentage.
pub(super) fn percent(share: f64) -> String {
    let share = if share.is_finite() {
        share.clamp(-10.0, 10.0)
    } else {
        0.0
    };
    format!("{:.2}%", share * 100.0)
}

/// The `points` of a polyline.
pub(super) fn points(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut text = String::new();
    for (x, y) in points {
        // Writing to a String does not fail.
        let _ok = write!(text, "{},{} ", px(x), px(y));
    }
    text.truncate(text.trim_end().len());
    text
}

/// The points of the curve that the axis shows, with their neighbours, thinned to about `most`.
pub(super) fn visible(curve: &[CurvePoint], axis: TimeAxis, most: usize) -> Vec<&CurvePoint> {
    let first = curve
        .iter()
        .rposition(|point| point.at <= axis.start)
        .unwrap_or(0);
    let last = curve
        .iter()
        .position(|point| point.at >= axis.end)
        .map_or(curve.len(), |index| index + 1);
    let shown = curve.get(first..last).unwrap_or_default();
    let step = shown.len().div_ceil(most.max(2)).max(1);
    let end = shown.len().saturating_sub(1);
    shown
        .iter()
        .enumerate()
        .filter(|(index, _)| index % step == 0 || *index == end)
        .map(|(_, point)| point)
        .collect()
}

/// `value` of the curve at `at`, between its neighbours; `None` outside the curve.
pub(super) fn between(
    curve: &[CurvePoint],
    at: Timestamp,
    value: impl Fn(&CurvePoint) -> f64,
) -> Option<f64> {
    let after = curve.iter().position(|point| point.at >= at)?;
    let next = curve.get(after)?;
    if next.at == at {
        return Some(value(next));
    }
    let before = curve.get(after.checked_sub(1)?)?;
    let whole = next.at.duration_since(before.at).as_secs_f64();
    let part = at.duration_since(before.at).as_secs_f64();
    let share = if whole > 0.0 { part / whole } else { 0.0 };
    Some(value(before) + share * (value(next) - value(before)))
}

/// What is drawn of one amount over time: the fan, the line so far and the line to come.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Lines {
    pub(super) fan: String,
    pub(super) past: String,
    pub(super) ahead: String,
}

/// What lies between the two amounts along the curve, as the `points` of a polygon.
pub(super) fn ribbon(
    curve: &[CurvePoint],
    axis: TimeAxis,
    scale: Scale,
    most: usize,
    amounts: impl Fn(&CurvePoint) -> [f64; 2],
) -> String {
    let shown = visible(curve, axis, most);
    let at = |point: &CurvePoint, value: f64| (axis.share(point.at) * WIDE, scale.y(value));
    let upper = shown.iter().map(|point| at(point, amounts(point)[1]));
    let lower = shown.iter().rev().map(|point| at(point, amounts(point)[0]));
    points(upper.chain(lower))
}

/// Draws `amount` along the curve; the line turns from so-far to to-come at `now`.
pub(super) fn lines(
    curve: &[CurvePoint],
    axis: TimeAxis,
    scale: Scale,
    now: Timestamp,
    most: usize,
    amount: impl Fn(&CurvePoint) -> [f64; 3],
) -> Lines {
    let shown = visible(curve, axis, most);
    let at = |time: Timestamp, value: f64| (axis.share(time) * WIDE, scale.y(value));
    let turn = between(curve, now, |point| amount(point)[1]).map(|value| at(now, value));
    let median = |point: &&CurvePoint| at(point.at, amount(point)[1]);
    let past = shown.iter().copied().filter(|point| point.at < now);
    let ahead = shown.iter().copied().filter(|point| point.at > now);
    Lines {
        fan: ribbon(curve, axis, scale, most, |point| {
            let [low, _, high] = amount(point);
            [low, high]
        }),
        past: points(past.map(|point| median(&point)).chain(turn)),
        ahead: points(turn.into_iter().chain(ahead.map(|point| median(&point)))),
    }
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;

    #[test]
    fn marks_are_round_and_few() {
        let scale = |most| Scale {
            most,
            top: 0.0,
            bottom: 100.0,
        };
        assert_eq!(scale(4.2).marks(), [2.0, 4.0]);
        assert_eq!(scale(3.9).marks(), [1.0, 2.0, 3.0]);
        assert!(scale(0.0).marks().is_empty());
        assert!(scale(f64::NAN).marks().is_empty());
    }

    #[test]
    fn days_of_a_month_are_thinned() {
        let zone = TimeZone::UTC;
        let clock = Clock {
            now: "2026-03-04T12:00:00Z".parse().unwrap(),
            zone: &zone,
        };
        let axis = TimeAxis::new(
            "2026-03-01T12:00:00Z".parse().unwrap(),
            "2026-03-31T12:00:00Z".parse().unwrap(),
        );
        let days = axis.days(clock, 9, 0.06);
        assert!(days.len() <= 9 && days.len() >= 5, "{}", days.len());
        assert_eq!(days[0].name, "Sun 1");
        assert!(days.iter().all(|day| (0.0..=1.0).contains(&day.middle)));
    }

    #[test]
    fn names_of_days_never_print_into_each_other() {
        let zone = TimeZone::UTC;
        let clock = Clock {
            now: "2026-03-01T12:00:00Z".parse().unwrap(),
            zone: &zone,
        };
        for hours in 20..400 {
            let start: Timestamp = "2026-03-01T17:00:00Z".parse().unwrap();
            let axis = TimeAxis::new(start, start + hours.hours());
            for (most, least_apart) in [(9, 0.06), (8, 0.12)] {
                let named: Vec<Day> = axis.days(clock, most, least_apart);
                let named: Vec<&Day> = named.iter().filter(|day| !day.name.is_empty()).collect();
                assert!(!named.is_empty(), "{hours} {most}");
                assert!(
                    named
                        .windows(2)
                        .all(|pair| pair[1].middle - pair[0].middle >= least_apart),
                    "{hours} {most}: {named:?}"
                );
            }
        }
    }

    #[test]
    fn what_is_no_number_is_never_written() {
        assert_eq!(px(f64::NAN), "0.0");
        assert_eq!(percent(f64::INFINITY), "0.00%");
        assert_eq!(points([(f64::NAN, 1.0)]), "0.0,1.0");
    }
}
