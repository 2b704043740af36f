//! What is told of readings, forecasts and alerts. Few tags of few values; the unit stands in every field's name.

use fobwatch_core::{
    alert::{AlertRecord, Priority, Transition},
    forecast::{Forecast, Quantiles, When},
    reading::{Measured, Reading},
};
use jiff::Timestamp;

use super::line::Point;

const READING: &str = "fobwatch_reading";
const FORECAST: &str = "fobwatch_forecast";
const ALERT: &str = "fobwatch_alert";

pub(super) fn reading(reading: &Reading) -> Point {
    let field = match reading.measured {
        Measured::Pressure(p) => ("pressure_bar", p.bar()),
        Measured::AbsolutePressure(p) => ("absolute_pressure_bar", p.bar()),
        Measured::AmbientPressure(p) => ("ambient_pressure_bar", p.bar()),
        Measured::LiquidTemperature(t) => ("liquid_temperature_celsius", t.celsius()),
        Measured::RoomTemperature(t) => ("room_temperature_celsius", t.celsius()),
        Measured::Gravity(g) => ("gravity_sg", g.specific()),
    };
    Point {
        measurement: READING,
        tags: vec![("source", reading.source.as_str().to_owned())],
        fields: vec![field],
        at: reading.at,
    }
}

/// `culture`: the batch's, where it has one.
pub(super) fn forecast(forecast: &Forecast, culture: Option<&str>) -> Point {
    let mut fields = Vec::new();
    let mut three = |names: [&'static str; 3], values: [f64; 3]| fields.extend(names.into_iter().zip(values));
    three(
        ["co2_volumes_p05", "co2_volumes_p50", "co2_volumes_p95"],
        of(&forecast.co2, |co2| co2.volumes()),
    );
    three(
        [
            "target_in_hours_p05",
            "target_in_hours_p50",
            "target_in_hours_p95",
        ],
        ahead(forecast.target_at.as_ref(), forecast.at),
    );
    three(
        ["move_in_hours_p05", "move_in_hours_p50", "move_in_hours_p95"],
        ahead(forecast.move_at.as_ref(), forecast.at),
    );
    three(
        ["limit_in_hours_p05", "limit_in_hours_p50", "limit_in_hours_p95"],
        ahead(forecast.limit_at.as_ref(), forecast.at),
    );
    three(
        ["vigour_p05", "vigour_p50", "vigour_p95"],
        of(&forecast.vigour, |vigour| vigour.ratio()),
    );
    three(
        ["lag_hours_p05", "lag_hours_p50", "lag_hours_p95"],
        of(&forecast.lag, |lag| lag.0),
    );
    let left = &forecast.if_forgotten;
    fields.extend([
        ("if_forgotten_pressure_bar_p50", left.pressure.p50.bar()),
        ("if_forgotten_pressure_bar_p95", left.pressure.p95.bar()),
        ("if_forgotten_abv_percent_p50", left.alcohol.p50.percent()),
        ("if_forgotten_abv_percent_p95", left.alcohol.p95.percent()),
    ]);
    Point {
        measurement: FORECAST,
        tags: vec![
            ("batch", forecast.batch.as_str().to_owned()),
            ("culture", culture.unwrap_or_default().to_owned()),
        ],
        fields,
        at: forecast.at,
    }
}

fn of<T: Copy>(quantiles: &Quantiles<T>, number: impl Fn(T) -> f64) -> [f64; 3] {
    [quantiles.p05, quantiles.p50, quantiles.p95].map(number)
}

/// Hours from `at` on; what is not reached within the horizon is no number, and so no field.
fn ahead(when: Option<&When>, at: Timestamp) -> [f64; 3] {
    let hours = |moment: Option<Timestamp>| {
        moment.map_or(f64::NAN, |moment| {
            moment.duration_since(at).as_secs_f64() / 3_600.0
        })
    };
    when.map_or([f64::NAN; 3], |when| [when.p05, when.p50, when.p95].map(hours))
}

/// 1 while it stands, acknowledged or not, and 0 else.
pub(super) fn alert(alert: &AlertRecord) -> Point {
    let stands = match alert.state {
        Transition::Raised | Transition::Acknowledged | Transition::Unshelved => 1.0,
        Transition::Cleared | Transition::Shelved | Transition::Suppressed | Transition::OutOfService => 0.0,
    };
    let priority = match alert.priority {
        Priority::Low => "low",
        Priority::Medium => "medium",
        Priority::High => "high",
        Priority::Critical => "critical",
    };
    Point {
        measurement: ALERT,
        tags: vec![
            ("alert", alert.alert.name().to_owned()),
            ("batch", alert.batch.as_str().to_owned()),
            ("priority", priority.to_owned()),
            (
                "quantity",
                alert
                    .quantity
                    .map(|quantity| quantity.name().to_owned())
                    .unwrap_or_default(),
            ),
            (
                "source",
                alert
                    .source
                    .as_ref()
                    .map(|source| source.as_str().to_owned())
                    .unwrap_or_default(),
            ),
        ],
        fields: vec![("standing", stands)],
        at: alert.at,
    }
}

/// A point that nothing can be wrong with.
pub(super) fn probe(at: Timestamp) -> Point {
    Point {
        measurement: "fobwatch_probe",
        tags: Vec::new(),
        fields: vec![("sent", 1.0)],
        at,
    }
}
