//! What of a batch decides its place among thousands of others, without a sentence: [`View`] writes those, and takes a hundred times as long.

use jiff::Timestamp;

use crate::{
    alert::{AlarmState, AlertName},
    quantity::GaugePressure,
    reading::Measured,
};

use super::{Monitor, View, view::is_shown, whereabouts::Place};

/// One batch, looked at in passing: the same facts as in its [`View`].
#[derive(Clone, Debug, PartialEq)]
pub struct Glance {
    /// As of when.
    pub at: Timestamp,
    /// The user's own limit.
    pub limit: GaugePressure,
    /// The bottle with the sensors stands in the fridge, and none is reckoned apart.
    pub chilled: bool,
    /// Some are reckoned apart from the sensors.
    pub apart: bool,
    /// A bottle stands in the room, or may, that a person here can move.
    pub to_move: bool,
    /// How many questions wait for a person.
    pub questions: usize,
    /// As of when the bottles that come due first are reckoned; `None`: not yet.
    pub reckoned_at: Option<Timestamp>,
    /// When those are to be moved, at the median.
    pub move_at: Option<Timestamp>,
    /// The 95 % estimate of the fullest bottle now; `None`: nothing is reckoned yet.
    pub fullest: Option<GaugePressure>,
    /// The newest gauge pressure of a sensor that is heard and believed.
    pub gauge: Option<GaugePressure>,
    /// Alerts that stand, or wait to be seen; in no order that means anything.
    pub alerts: Vec<AlertGlance>,
    /// The sensors.
    pub sensors: Vec<SensorGlance>,
}

/// One alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct AlertGlance {
    /// Which.
    pub alert: AlertName,
    /// Since when the condition is, or was, there.
    pub since: Timestamp,
    /// Its state after ISA-18.2.
    pub state: AlarmState,
    /// The condition is there at this moment.
    pub present: bool,
    /// Only a person clears it, with a reason.
    pub latched: bool,
}

/// One quantity of one source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SensorGlance {
    /// When its newest value was measured.
    pub at: Option<Timestamp>,
    /// Usual seconds between readings.
    pub usual_interval_s: i64,
    /// Nothing is heard of it.
    pub silent: bool,
}

/// The newest by its own time; of two of the same moment the later in the list.
fn newest(gauges: impl Iterator<Item = (Timestamp, GaugePressure)>) -> Option<GaugePressure> {
    gauges.max_by_key(|(at, _)| *at).map(|(_, pressure)| pressure)
}

impl From<&View> for Glance {
    fn from(view: &View) -> Self {
        let apart = view.apart.as_ref();
        let forecast = apart
            .and_then(|apart| apart.forecast.as_ref())
            .or(view.forecast.as_ref());
        let outlook = apart
            .and_then(|apart| apart.outlook.as_ref())
            .or(view.outlook.as_ref());
        let gauges = view.sensors.iter().filter_map(|sensor| {
            let believed = !sensor.silent && sensor.doubt.is_none();
            match (sensor.at, sensor.last) {
                (Some(at), Some(Measured::Pressure(pressure))) if believed => Some((at, pressure)),
                _ => None,
            }
        });
        Self {
            at: view.at,
            limit: view.limit,
            chilled: view.place == Place::Fridge && view.apart.is_none(),
            apart: view.apart.is_some(),
            to_move: view.to_move,
            questions: view.questions.len(),
            reckoned_at: outlook.map(|outlook| outlook.at),
            move_at: forecast.and_then(|forecast| forecast.move_at?.p50),
            fullest: view.fullest().map(|fullest| fullest.now.p95),
            gauge: newest(gauges),
            alerts: view
                .alerts
                .iter()
                .map(|alert| AlertGlance {
                    alert: alert.alert,
                    since: alert.since,
                    state: alert.state,
                    present: alert.present,
                    latched: alert.latched,
                })
                .collect(),
            sensors: view
                .sensors
                .iter()
                .map(|sensor| SensorGlance {
                    at: sensor.at,
                    usual_interval_s: sensor.usual_interval_s,
                    silent: sensor.silent,
                })
                .collect(),
        }
    }
}

impl Monitor {
    /// What decides the batch's place among others.
    #[must_use]
    pub fn glance(&self) -> Glance {
        let now = self.clock();
        let (own, others) = (self.state.fitted.as_ref(), self.state.others.as_ref());
        let apart = others.is_some() && !self.only_given_away_are_apart();
        let first = self.apart_fitted().filter(|_| apart).or(own);
        // Bottles given away stand as those apart do, or as the others: no further outlook comes of them.
        let given_warm = self.state.whereabouts.given_away_warm(&self.batch) > 0;
        let apart_outlook = self.apart_fitted().filter(|_| apart || given_warm);
        let fullest = own
            .into_iter()
            .chain(apart_outlook)
            .map(|fitted| fitted.outlook.worst_bottle_now.p95)
            .reduce(|a, b| if b > a { b } else { a });
        let rules = &self.settings.rules;
        let gauges = self.state.health.values().filter_map(|health| match health.last {
            Some((at, Measured::Pressure(pressure)))
                if health.doubt.is_none() && !health.is_silent(now, rules) =>
            {
                Some((at, pressure))
            }
            _ => None,
        });
        Glance {
            at: now,
            limit: self.batch.bottle.pressure_limit,
            chilled: self.state.whereabouts.sensors == Place::Fridge && !apart,
            apart,
            to_move: self.some_are_to_move(),
            questions: self.asked().count(),
            reckoned_at: first.map(|fitted| fitted.outlook.at),
            move_at: first.and_then(|fitted| fitted.forecast.move_at?.p50),
            fullest,
            gauge: newest(gauges),
            alerts: self
                .state
                .board
                .slots()
                .filter(|(_, slot)| is_shown(slot))
                .map(|(key, slot)| AlertGlance {
                    alert: key.alert,
                    since: slot.since,
                    state: slot.standing.state,
                    present: slot.standing.present,
                    latched: slot.standing.latched,
                })
                .collect(),
            sensors: self
                .state
                .health
                .values()
                .map(|health| SensorGlance {
                    at: health.last.as_ref().map(|(at, _)| *at),
                    usual_interval_s: health.usual_interval().as_secs(),
                    silent: health.is_silent(now, rules),
                })
                .collect(),
        }
    }
}
