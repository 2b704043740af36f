//! A room whose temperature is known only as a range, and what is expected in it.

use fobwatch_core::forecast::{Forecast, Quantiles, Upward, When};
use jiff::Timestamp;

/// Where nobody says anything.
pub(crate) const USUAL: &str = "17..25";

/// A room that is told by one temperature is so much warmer in its warmest hour, K: common practice, no source.
const SWING_K: f64 = 2.0;

const COLDEST: f64 = -5.0;
const WARMEST: f64 = 45.0;

/// A temperature of the room in degrees Celsius, or a range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Room {
    low: f64,
    high: f64,
    /// What a thermometer has shown at most.
    peak: Option<f64>,
}

/// Reads `21` or `18..23`.
///
/// # Errors
/// Neither, or outside -5 to 45 degC.
pub(crate) fn read(text: &str) -> Result<Room, String> {
    let refused = || "allowed: -5 to 45 degC, or a range from low to high as 18..23".to_owned();
    let (low, high) = text.split_once("..").unwrap_or((text, text));
    let number = |part: &str| {
        let number = part.trim().parse::<f64>().ok();
        number
            .filter(|celsius| (COLDEST..=WARMEST).contains(celsius))
            .ok_or_else(refused)
    };
    let (low, high) = (number(low)?, number(high)?);
    if low <= high {
        Ok(Room {
            low,
            high,
            peak: None,
        })
    } else {
        Err(refused())
    }
}

impl Room {
    pub(crate) fn one(celsius: f64) -> Self {
        Self {
            low: celsius,
            high: celsius,
            peak: None,
        }
    }

    /// As a thermometer has told it: the coolest and warmest day's mean, and the highest it showed.
    pub(crate) fn measured(low: f64, high: f64, peak: f64) -> Self {
        let inside = |celsius: f64| celsius.clamp(COLDEST, WARMEST);
        Self {
            low: inside(low),
            high: inside(high.max(low)),
            peak: Some(inside(peak.max(high))),
        }
    }

    pub(crate) fn is_one(&self) -> bool {
        self.high - self.low < 0.05
    }

    /// "21 degC", "18 to 23 degC".
    pub(crate) fn words(&self) -> String {
        if self.is_one() {
            format!("{} degC", tenth(self.low))
        } else {
            format!("{} to {} degC", tenth(self.low), tenth(self.high))
        }
    }

    /// How warm it gets in its warmest hour, degC.
    pub(super) fn warmest_hour(&self) -> f64 {
        self.peak.unwrap_or(if self.is_one() {
            (self.high + SWING_K).min(WARMEST)
        } else {
            self.high
        })
    }

    /// In degC.
    pub(super) fn middle(&self) -> f64 {
        0.5 * (self.low + self.high)
    }

    pub(crate) fn middle_words(&self) -> String {
        format!("{} degC", tenth(self.middle()))
    }

    /// Temperatures to reckon with: the middle first, then the ends and those halfway, since the quickest need not be the
    /// warmest.
    pub(super) fn steps(&self) -> Vec<f64> {
        let middle = self.middle();
        if self.is_one() {
            return vec![middle];
        }
        vec![
            middle,
            self.low,
            0.5 * (self.low + middle),
            0.5 * (middle + self.high),
            self.high,
        ]
    }
}

pub(super) fn tenth(celsius: f64) -> String {
    let text = format!("{celsius:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// What holds whichever of the forecasts is right: the first gives the middle, the others carry the ends outwards, so nine
/// in ten lie between them in every one of the rooms. `None`: there is no forecast.
pub(super) fn whichever(forecasts: Vec<Forecast>) -> Option<Forecast> {
    forecasts.into_iter().reduce(|mut all, one| {
        all.co2 = wider(all.co2, one.co2);
        all.target_at = either(all.target_at, one.target_at);
        all.move_at = either(all.move_at, one.move_at);
        all.limit_at = either(all.limit_at, one.limit_at);
        let (most, other) = (&mut all.if_forgotten, one.if_forgotten);
        most.pressure = upward(most.pressure, other.pressure);
        most.co2 = upward(most.co2, other.co2);
        most.alcohol = upward(most.alcohol, other.alcohol);
        // Vigour and lag are those in the reference drink at 20 degC: no room changes them.
        all
    })
}

pub(super) fn wider<T: PartialOrd>(a: Quantiles<T>, b: Quantiles<T>) -> Quantiles<T> {
    Quantiles {
        p05: if b.p05 < a.p05 { b.p05 } else { a.p05 },
        p50: a.p50,
        p95: if b.p95 > a.p95 { b.p95 } else { a.p95 },
    }
}

fn upward<T: PartialOrd>(a: Upward<T>, b: Upward<T>) -> Upward<T> {
    Upward {
        p50: a.p50,
        p95: if b.p95 > a.p95 { b.p95 } else { a.p95 },
    }
}

/// A quantile that is not reached is later than any time.
pub(super) fn either(a: Option<When>, b: Option<When>) -> Option<When> {
    let later = |a: Option<Timestamp>, b: Option<Timestamp>| Some(a?.max(b?));
    let sooner = |a: Option<Timestamp>, b: Option<Timestamp>| [a, b].into_iter().flatten().min();
    let never = Quantiles {
        p05: None,
        p50: None,
        p95: None,
    };
    let (a, b) = (a.unwrap_or(never), b.unwrap_or(never));
    let when = Quantiles {
        p05: sooner(a.p05, b.p05),
        p50: a.p50,
        p95: later(a.p95, b.p95),
    };
    when.p05.is_some().then_some(when)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hour: i64) -> Option<Timestamp> {
        Some(Timestamp::from_second(1_772_434_800 + 3_600 * hour).unwrap())
    }

    fn when(p05: Option<Timestamp>, p50: Option<Timestamp>, p95: Option<Timestamp>) -> Option<When> {
        Some(Quantiles { p05, p50, p95 })
    }

    #[test]
    fn rooms_are_read_as_typed() {
        assert_eq!(
            read("21"),
            Ok(Room {
                low: 21.0,
                high: 21.0,
                peak: None
            })
        );
        assert_eq!(
            read("18..23.5").map(|room| room.words()),
            Ok("18 to 23.5 degC".to_owned())
        );
        assert_eq!(read("-5..0").map(|room| room.steps().len()), Ok(5));
        for bad in [
            "", "warm", "23..18", "18..", "..23", "18...23", "NaN", "inf", "46", "-6", "18..46", "18-23",
        ] {
            assert!(read(bad).unwrap_err().contains("18..23"), "{bad}");
        }
    }

    #[test]
    fn the_ends_of_a_range_are_those_of_its_rooms() {
        let middle = when(at(30), at(40), at(60));
        let warm = when(at(20), at(28), at(40));
        let cool = when(at(50), at(80), None);
        let both = either(either(middle, warm), cool);
        assert_eq!(both, when(at(20), at(40), None));
        assert_eq!(either(None, None), None);
        assert_eq!(either(None, warm), when(at(20), None, None));
    }
}
