//! Numbers and times as texts carry them.

use fobwatch_core::reading::{Quantity, Reading, Source};
use jiff::{Timestamp, Unit as Span};

use super::{Calibrations, Wrong, shown};

/// Unix seconds below which SenML counts from the arrival (RFC 8428, section 4.5.3).
pub(super) const RELATIVE_BELOW: f64 = 268_435_456.0;

const TIME_ALLOWED: &str = "a time with its offset after RFC 3339, as 2026-03-02T07:00:14Z";
const NUMBER_ALLOWED: &str = "a finite number with a decimal point, as 0.0122";

/// A finite number.
pub(super) fn number(what: &str, text: &str) -> Result<f64, Wrong> {
    match text.trim().parse::<f64>() {
        Ok(number) if number.is_finite() => Ok(number),
        _ => Err(refused(what, text, NUMBER_ALLOWED)),
    }
}

/// A time after RFC 3339, cut to whole microseconds.
pub(super) fn time(what: &str, text: &str) -> Result<Timestamp, Wrong> {
    let refused = || refused(what, text, TIME_ALLOWED);
    let text = text.trim();
    // Annotations of zones (RFC 9557) go beyond RFC 3339, and a zone database could contradict the offset.
    if text.len() > 40 || text.contains('[') {
        return Err(refused());
    }
    let at: Timestamp = text.parse().map_err(|_no_time| refused())?;
    Ok(whole_microseconds(at))
}

/// Seconds since 1970.
pub(super) fn unix_seconds(what: &str, seconds: f64) -> Result<Timestamp, Wrong> {
    let wrong = || {
        refused(
            what,
            &seconds.to_string(),
            "seconds since 1970 within the years -9999 to 9999",
        )
    };
    // Beyond it a microsecond is finer than the number can tell.
    if !seconds.is_finite() || seconds.abs() > 4.0e11 {
        return Err(wrong());
    }
    #[expect(clippy::cast_possible_truncation, reason = "at most 4e17, and whole")]
    let micros = (seconds * 1.0e6).round() as i64;
    Timestamp::from_microsecond(micros).map_err(|_outside| wrong())
}

/// A time of SenML: absolute, or relative to `arrival`.
pub(super) fn senml_time(what: &str, seconds: f64, arrival: Timestamp) -> Result<Timestamp, Wrong> {
    if !seconds.is_finite() || seconds >= RELATIVE_BELOW {
        return unix_seconds(what, seconds);
    }
    let arrival = whole_microseconds(arrival);
    let offset = unix_seconds(what, seconds)?.as_microsecond();
    arrival
        .as_microsecond()
        .checked_add(offset)
        .and_then(|micros| Timestamp::from_microsecond(micros).ok())
        .ok_or_else(|| {
            refused(
                what,
                &seconds.to_string(),
                "a time within the years -9999 to 9999",
            )
        })
}

/// `at` without digits finer than the store keeps.
pub(super) fn whole_microseconds(at: Timestamp) -> Timestamp {
    let round = jiff::TimestampRound::new()
        .smallest(Span::Microsecond)
        .mode(jiff::RoundMode::Floor);
    at.round(round).unwrap_or(at)
}

/// A reading from the words of a row.
pub(super) fn reading(
    at: Timestamp,
    source: &str,
    quantity: &str,
    value: f64,
    unit: &str,
    calibrations: &Calibrations,
) -> Result<Reading, Wrong> {
    let source = Source::new(source)?;
    // A float tells its inclination; what it stands for is the gravity.
    let quantity = match quantity {
        "inclination" => Quantity::Gravity,
        name => name.parse()?,
    };
    let measured = calibrations.measure(&source, quantity, value, unit.parse()?)?;
    Ok(Reading { at, source, measured })
}

pub(super) fn refused(what: &str, given: &str, allowed: &'static str) -> Wrong {
    let given = if given.trim().is_empty() {
        "empty".to_owned()
    } else {
        format!("`{}`", shown(given))
    };
    Wrong::Value {
        what: what.to_owned(),
        given,
        allowed,
    }
}
