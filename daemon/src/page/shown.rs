//! What the page shows of one batch.

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    batch::Batch,
    engine::{AlertView, Monitor, Place, SensorView, View},
    forecast::{Forecast, Outlook},
    note::{Note, counting},
    quantity::GaugePressure,
    reading::Measured,
};
use jiff::{SignedDuration, Timestamp};

use super::warmth::Warmth;

/// A value older than this, and than a few of its usual intervals, looks old.
const OLD: SignedDuration = SignedDuration::from_mins(30);
/// A few.
const OLD_INTERVALS: i32 = 3;

/// One batch as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Shown {
    /// The batch.
    pub batch: Batch,
    /// What the engine shows of it.
    pub view: View,
    /// Why it was set aside, if its engine failed.
    pub failed: Option<String>,
    /// More is stored of it than reckoned yet, as after a start: what is said of it is old and may calm nobody.
    pub behind: bool,
    /// What people told of it, in the order in which it arrived.
    pub notes: Vec<Note>,
    /// The notes by which others were taken back; none of these is in `notes`.
    pub taken_back: Vec<Note>,
    /// What its thermometer told, for the chart; `None`: not looked up, or none is heard.
    pub warmth: Option<Warmth>,
}

impl From<&Monitor> for Shown {
    fn from(monitor: &Monitor) -> Self {
        Self {
            batch: monitor.batch().clone(),
            view: monitor.view(),
            failed: None,
            behind: false,
            notes: Vec::new(),
            taken_back: Vec::new(),
            warmth: None,
        }
    }
}

fn stands(alert: &AlertView) -> bool {
    in_sight(alert.state, alert.present, alert.latched)
}

/// The condition is there, or only a person clears it, and nobody set it aside.
pub(super) fn in_sight(state: AlarmState, present: bool, latched: bool) -> bool {
    let aside = matches!(
        state,
        AlarmState::Shelved | AlarmState::SuppressedByDesign | AlarmState::OutOfService
    );
    (present && !aside) || latched
}

/// A person has said that it was seen.
pub(super) fn is_seen(alert: &AlertView) -> bool {
    alert.state == AlarmState::Acknowledged
}

/// The value can no longer be taken for the present one.
pub(super) fn is_old(sensor: &SensorView, now: Timestamp) -> bool {
    is_past(sensor.at, sensor.usual_interval_s, sensor.silent, now)
}

/// The same of a value that was measured at `at`.
pub(super) fn is_past(at: Option<Timestamp>, usual_interval_s: i64, silent: bool, now: Timestamp) -> bool {
    let few = SignedDuration::from_secs(usual_interval_s).saturating_mul(OLD_INTERVALS);
    silent || at.is_none_or(|at| now.duration_since(at) >= few.max(OLD))
}

/// Of the user's own limit.
pub(super) fn share_of(pascal: f64, limit: GaugePressure) -> f64 {
    let limit = limit.pascal();
    if limit > 0.0 {
        pascal / limit
    } else {
        f64::INFINITY
    }
}

impl Shown {
    /// With all that was noted of it, those that were taken back among it.
    pub(crate) fn tell(&mut self, notes: Vec<Note>) {
        let back = notes.iter().filter(|note| note.takes_back.is_some());
        self.taken_back = back.cloned().collect();
        self.notes = counting(notes);
    }

    /// The name as a sentence begins with it.
    pub(super) fn subject(&self) -> String {
        self.batch.name.at_the_start()
    }

    /// Alerts that stand in sight, most urgent first.
    pub(super) fn standing(&self) -> impl Iterator<Item = &AlertView> {
        self.view.alerts.iter().filter(|alert| stands(alert))
    }

    /// The alert, if it stands in sight.
    pub(super) fn alert(&self, alert: AlertName) -> Option<&AlertView> {
        self.standing().find(|view| view.alert == alert)
    }

    /// The alert, if a person set it aside for a time.
    pub(super) fn shelved(&self, alert: AlertName) -> Option<&AlertView> {
        let shelved = |view: &&AlertView| view.alert == alert && view.state == AlarmState::Shelved;
        self.view.alerts.iter().find(shelved)
    }

    /// The forecast of the bottles that come due first: those left in the room, if some are.
    pub(super) fn forecast(&self) -> Option<&Forecast> {
        let apart = self.view.apart.as_ref().and_then(|apart| apart.forecast.as_ref());
        apart.or(self.view.forecast.as_ref())
    }

    /// What a person told, or brought in late, is not in the figures yet: from when on it is. Readings that come as they always do say nothing.
    pub(super) fn waits_until(&self) -> Option<Timestamp> {
        let from = self.view.counts_from?;
        let reckoned = self.view.forecast.as_ref()?.at;
        let newer = |at: Option<Timestamp>| at.is_some_and(|at| at > reckoned);
        let told = self.notes.iter().any(|note| newer(Some(note.at)));
        let as_always = self.view.sensors.iter().any(|sensor| newer(sensor.at));
        (told || !as_always).then_some(from)
    }

    /// The outlook of the same bottles.
    pub(super) fn outlook(&self) -> Option<&Outlook> {
        let apart = self.view.apart.as_ref().and_then(|apart| apart.outlook.as_ref());
        apart.or(self.view.outlook.as_ref())
    }

    pub(super) fn is_chilled(&self) -> bool {
        self.view.place == Place::Fridge && self.view.apart.is_none()
    }

    /// All that were in the room were opened, broke or were given away: nobody here can move any.
    pub(super) fn is_none_left(&self) -> bool {
        !self.view.to_move && !self.is_chilled() && self.view.apart.is_none()
    }

    /// The fullest bottle may be at the limit now: an alert says so, or the 95 % estimate does.
    pub(super) fn may_be_at_limit(&self) -> bool {
        self.alert(AlertName::OverLimit).is_some() || self.full() >= Some(1.0)
    }

    /// Nobody may go near: no picture or word may then invite to move the bottles.
    pub(crate) fn is_danger(&self) -> bool {
        self.may_be_at_limit() || self.alert(AlertName::SuddenLoss).is_some() || self.view.withdrawn.is_some()
    }

    /// The most that the fullest of all bottles may hold now: the 95 % estimate, or the gauge if it reads more.
    pub(super) fn most_now(&self) -> Option<GaugePressure> {
        let most = self.view.fullest()?.now.p95;
        let read = self.gauge().map_or(most, |(_, read)| read);
        Some(if read > most { read } else { most })
    }

    /// The same as a share of the limit.
    pub(super) fn full(&self) -> Option<f64> {
        Some(share_of(
            self.most_now()?.pascal(),
            self.batch.bottle.pressure_limit,
        ))
    }

    /// The newest gauge pressure of a sensor that is heard and believed.
    pub(super) fn gauge(&self) -> Option<(Timestamp, GaugePressure)> {
        let trusted = self.view.sensors.iter().filter(|sensor| !sensor.silent);
        trusted
            .filter(|sensor| sensor.doubt.is_none())
            .filter_map(|sensor| match (sensor.at, sensor.last) {
                (Some(at), Some(Measured::Pressure(pressure))) => Some((at, pressure)),
                _ => None,
            })
            .max_by_key(|(at, _)| *at)
    }
}
