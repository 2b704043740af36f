//! The JSON form of a forecast, as the surface shows it.

use jiff::Timestamp;
use serde::Serialize;

use super::{Forecast, Quantiles, Upward, When};

/// Writes as `{"record":"forecast", ...}` with unit-bearing keys.
///
/// Contents are rounded to 1e-4 volumes, pressures to 1e-4 bar, alcohol to 1e-4 %, vigour to 1e-4, lag to 1e-3 h and
/// times to the second: finer digits would claim what no gauge can tell.
#[derive(Clone, Debug, Serialize)]
pub struct ForecastRecord {
    record: &'static str,
    batch: String,
    at: Timestamp,
    co2_volumes: Quantiles<f64>,
    target_at: Option<When>,
    move_at: Option<When>,
    limit_at: Option<When>,
    if_forgotten: Forgotten,
    vigour: Quantiles<f64>,
    lag_h: Quantiles<f64>,
}

#[derive(Clone, Debug, Serialize)]
struct Forgotten {
    pressure_bar: Upward<f64>,
    co2_volumes: Upward<f64>,
    abv_percent: Upward<f64>,
}

impl From<&Forecast> for ForecastRecord {
    fn from(forecast: &Forecast) -> Self {
        Self::named("forecast", forecast)
    }
}

impl ForecastRecord {
    /// The same fields under another record name ("plan").
    #[must_use]
    pub fn named(record: &'static str, forecast: &Forecast) -> Self {
        let forgotten = &forecast.if_forgotten;
        Self {
            record,
            batch: forecast.batch.to_string(),
            at: forecast.at,
            co2_volumes: map(&forecast.co2, |v| round(v.volumes(), 1e4)),
            target_at: forecast.target_at.map(whole_seconds),
            move_at: forecast.move_at.map(whole_seconds),
            limit_at: forecast.limit_at.map(whole_seconds),
            if_forgotten: Forgotten {
                pressure_bar: upward(&forgotten.pressure, |p| round(p.bar(), 1e4)),
                co2_volumes: upward(&forgotten.co2, |v| round(v.volumes(), 1e4)),
                abv_percent: upward(&forgotten.alcohol, |a| round(a.percent(), 1e4)),
            },
            vigour: map(&forecast.vigour, |v| round(v.ratio(), 1e4)),
            lag_h: map(&forecast.lag, |h| round(h.0, 1e3)),
        }
    }
}

fn round(value: f64, per_unit: f64) -> f64 {
    (value * per_unit).round() / per_unit
}

fn map<T>(q: &Quantiles<T>, f: impl Fn(&T) -> f64) -> Quantiles<f64> {
    Quantiles {
        p05: f(&q.p05),
        p50: f(&q.p50),
        p95: f(&q.p95),
    }
}

fn upward<T>(q: &Upward<T>, f: impl Fn(&T) -> f64) -> Upward<f64> {
    Upward {
        p50: f(&q.p50),
        p95: f(&q.p95),
    }
}

fn whole_seconds(when: When) -> When {
    let whole = |t: Option<Timestamp>| t.and_then(|t| Timestamp::from_second(t.as_second()).ok());
    Quantiles {
        p05: whole(when.p05),
        p50: whole(when.p50),
        p95: whole(when.p95),
    }
}
