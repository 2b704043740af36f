//! What the page shows of one batch.

use fobwatch_core::{
    alert::{AlarmState, AlertName, AlertRecord},
    batch::Batch,
    forecast::{Forecast, Outlook},
    quantity::GaugePressure,
    reading::{Measured, Quantity, Source},
};
use jiff::Timestamp;

/// One batch as it stands.
#[derive(Clone, Debug)]
pub struct Shown {
    /// The batch.
    pub batch: Batch,
    /// The last forecast; `None`: none was made yet.
    pub forecast: Option<Forecast>,
    /// What belongs to the forecast.
    pub outlook: Option<Outlook>,
    /// Where the bottles are.
    pub place: Place,
    /// Alerts that are not at rest.
    pub alerts: Vec<Standing>,
    /// The last value of every sensor.
    pub heard: Vec<Heard>,
    /// Why the batch was set aside, if it was.
    pub set_aside: Option<String>,
}

/// Where the bottles of a batch are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// All in the room.
    Room,
    /// In the fridge, since when if known.
    Fridge {
        /// Since when.
        since: Option<Timestamp>,
        /// Bottles that stayed in the room.
        left_behind: u32,
    },
}

/// An alert with the state in which it stands.
#[derive(Clone, Debug)]
pub struct Standing {
    /// Its last transition, with the message.
    pub record: AlertRecord,
    /// Its state.
    pub state: AlarmState,
    /// Since when the condition is there.
    pub since: Timestamp,
}

/// What a sensor said last.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Which sensor.
    pub source: Source,
    /// What it showed.
    pub measured: Measured,
    /// When.
    pub at: Timestamp,
}

impl Standing {
    /// A person is to hear of it: not shelved, explained by another or out of service.
    pub(super) fn speaks(&self) -> bool {
        matches!(
            self.state,
            AlarmState::Unacknowledged | AlarmState::Acknowledged | AlarmState::ReturnedUnacknowledged
        )
    }

    pub(super) fn is_seen(&self) -> bool {
        self.state == AlarmState::Acknowledged
    }

    pub(super) fn is_of_sensor(&self) -> bool {
        matches!(
            self.record.alert,
            AlertName::SensorSilent | AlertName::SensorSuspect
        )
    }
}

impl Shown {
    /// The name as a sentence begins with it.
    pub(super) fn subject(&self) -> String {
        super::amount::capital(self.batch.name.as_str())
    }

    pub(super) fn speaking(&self) -> impl Iterator<Item = &Standing> {
        self.alerts.iter().filter(|alert| alert.speaks())
    }

    pub(super) fn stands(&self, alert: AlertName) -> Option<&Standing> {
        self.speaking().find(|standing| standing.record.alert == alert)
    }

    /// The fullest bottle may be at the limit now: an alert says so, or the 95 % estimate does.
    pub(super) fn may_be_at_limit(&self) -> bool {
        self.stands(AlertName::OverLimit).is_some() || self.full() >= Some(1.0)
    }

    /// The 95 % estimate of the fullest bottle now, as a share of the limit.
    pub(super) fn full(&self) -> Option<f64> {
        let most = self.outlook.as_ref()?.worst_bottle_now.p95.pascal();
        let read = self.gauge().map_or(most, |(_, read)| read.pascal().max(most));
        let limit = self.batch.bottle.pressure_limit.pascal();
        Some(if limit > 0.0 { read / limit } else { f64::INFINITY })
    }

    /// The last gauge pressure that a trusted sensor read.
    pub(super) fn gauge(&self) -> Option<(Timestamp, GaugePressure)> {
        let of_gauge = |heard: &&Heard| matches!(heard.measured, Measured::Pressure(_));
        let newest = self
            .heard
            .iter()
            .filter(of_gauge)
            .filter(|heard| self.doubt_of(&heard.source, Quantity::Pressure).is_none())
            .max_by_key(|heard| heard.at)?;
        match newest.measured {
            Measured::Pressure(pressure) => Some((newest.at, pressure)),
            _ => None,
        }
    }

    /// The sensor alert that stands against this sensor.
    pub(super) fn doubt_of(&self, source: &Source, quantity: Quantity) -> Option<AlertName> {
        self.alerts
            .iter()
            .filter(|alert| alert.is_of_sensor() && alert.state != AlarmState::Normal)
            .filter(|alert| alert.state != AlarmState::ReturnedUnacknowledged)
            .find(|alert| {
                alert.record.source.as_ref() == Some(source) && alert.record.quantity == Some(quantity)
            })
            .map(|alert| alert.record.alert)
    }
}
