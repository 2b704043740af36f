//! What a hub shows of one batch: one retained JSON object.

use fobwatch_core::{
    alert::{AlarmState, AlertName, Priority},
    batch::BatchName,
    engine::View,
    reading::{Measured, Quantity},
};
use jiff::Timestamp;
use serde::Serialize;

/// The object. What is not known is null, and never an old value.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct State {
    record: &'static str,
    batch: BatchName,
    at: Timestamp,
    /// In the target's sense, at the median.
    co2_volumes: Option<f64>,
    /// The gauge's newest, while it is heard and believed.
    pressure_bar: Option<f64>,
    /// What the fullest bottle may be at, and the user's own limit.
    fullest_bottle_p95_bar: Option<f64>,
    limit_bar: f64,
    /// Of the drink, else of the room, while heard and believed.
    temperature_c: Option<f64>,
    /// At the median; none while a move would be a danger.
    move_at: Option<Timestamp>,
    target_at: Option<Timestamp>,
    /// The most urgent alert that stands and is not set aside.
    alert: &'static str,
    alert_state: AlarmState,
    priority: Option<Priority>,
    message: String,
}

/// What stands for no alert.
pub(super) const NONE: &str = "none";

impl State {
    /// `failed`: why the batch was set aside.
    pub(super) fn of(view: &View, failed: Option<&str>) -> Self {
        if let Some(why) = failed {
            return Self {
                co2_volumes: None,
                pressure_bar: None,
                fullest_bottle_p95_bar: None,
                temperature_c: None,
                move_at: None,
                target_at: None,
                alert: AlertName::SensorSuspect.name(),
                alert_state: AlarmState::Unacknowledged,
                priority: Some(AlertName::SensorSuspect.priority()),
                message: why.to_owned(),
                ..Self::of(view, None)
            };
        }
        let newest = |quantity: Quantity| {
            let heard = view
                .sensors
                .iter()
                .filter(|of| of.quantity == quantity && !of.silent && of.doubt.is_none());
            heard
                .filter_map(|of| Some((of.at?, of.last?)))
                .max_by_key(|(at, _)| *at)
        };
        let pressure = match newest(Quantity::Pressure) {
            Some((_, Measured::Pressure(pressure))) => Some(round(pressure.bar(), 3)),
            _ => None,
        };
        let temperature = newest(Quantity::LiquidTemperature).or_else(|| newest(Quantity::RoomTemperature));
        let temperature = match temperature {
            Some((_, Measured::LiquidTemperature(t) | Measured::RoomTemperature(t))) => {
                Some(round(t.celsius(), 2))
            }
            _ => None,
        };
        let forecast = view.forecast.as_ref();
        let urgent = view
            .alerts
            .iter()
            .find(|alert| matches!(alert.state, AlarmState::Unacknowledged | AlarmState::Acknowledged));
        Self {
            record: "state",
            batch: view.batch.clone(),
            at: view.at,
            co2_volumes: forecast.map(|of| round(of.co2.p50.volumes(), 3)),
            pressure_bar: pressure,
            fullest_bottle_p95_bar: view.fullest().map(|of| round(of.now.p95.bar(), 2)),
            limit_bar: view.limit.bar(),
            temperature_c: temperature,
            move_at: view.move_at(),
            target_at: forecast.and_then(|of| whole_seconds(of.target_at.as_ref()?.p50?)),
            alert: urgent.map_or(NONE, |alert| alert.alert.name()),
            alert_state: urgent.map_or(AlarmState::Normal, |alert| alert.state),
            priority: urgent.map(|alert| alert.priority),
            message: urgent.map_or_else(|| view.headline.clone(), |alert| alert.message.clone()),
        }
    }
}

fn round(value: f64, digits: i32) -> f64 {
    let scale = 10_f64.powi(digits);
    (value * scale).round() / scale
}

fn whole_seconds(at: Timestamp) -> Option<Timestamp> {
    Timestamp::from_second(at.as_second()).ok()
}
