//! What a reading does: to the health of its sensor, to the alerts that need no forecast, to the evidence.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use crate::{
    alert::{
        AlertName,
        sentence::{AtLimit, Doubt},
    },
    fit::{Handling, Observed},
    quantity::GaugePressure,
    reading::{Measured, Reading, Source},
};

use super::{
    Action, ClockSource, Monitor, SetAside, SetAsideReason,
    board::Key,
    gauge::{Fall, Surrounds},
    health::{Checked, Health},
    intake::{Sensor, Verdicts},
    others::Apart,
    whereabouts::Seen,
};

/// A sensor's alert that ended is not raised again sooner than this, or does not end sooner: no alert changes state more than
/// twice an hour. The reckoning itself does not wait.
pub(super) const AT_MOST_EVERY: SignedDuration = SignedDuration::from_hours(1);
/// Sensors kept track of; more than a home has.
const MOST_SENSORS: usize = 256;
/// A note of an opening within this before or after a loss of pressure explains it.
pub(super) const EXPLAINS: SignedDuration = SignedDuration::from_hours(6);
/// A gauge whose newest value is older than this, and than its usual silence, is not trusted.
const FRESH: SignedDuration = SignedDuration::from_hours(3);

impl From<Measured> for Observed {
    /// What the fit makes of a reading that counts.
    fn from(measured: Measured) -> Self {
        match measured {
            Measured::Pressure(p) => Self::Gauge(p),
            Measured::AbsolutePressure(p) => Self::Absolute(p),
            Measured::AmbientPressure(p) => Self::Ambient(p),
            Measured::LiquidTemperature(t) => Self::Liquid(t),
            Measured::RoomTemperature(t) => Self::Room(t),
            Measured::Gravity(g) => Self::Gravity(g),
        }
    }
}

impl Monitor {
    pub(super) fn apply(&mut self, verdicts: Verdicts, out: &mut Vec<Action>) {
        for (reading, reason) in verdicts.set_aside {
            self.set_aside(reading, reason, out);
        }
        for reading in verdicts.used {
            self.take(reading, out);
        }
    }

    fn set_aside(&mut self, reading: Reading, reason: SetAsideReason, out: &mut Vec<Action>) {
        let count = self.state.counts.entry(reason).or_default();
        *count = count.saturating_add(1);
        let doubt = match reason {
            SetAsideReason::FromTheFuture => Some(Doubt::Clock),
            SetAsideReason::SeveralSources => {
                // Nobody chose this gauge, but a limit it reads is told all the same.
                if let Measured::Pressure(gauge) = reading.measured {
                    let at = self.time_of(&reading);
                    self.watch_limit(&Sensor::of(&reading), at, gauge, out);
                }
                Some(Doubt::SeveralSources)
            }
            _ => None,
        };
        if let Some(doubt) = doubt {
            let now = self.clock();
            if let Some(health) = self.health_of(&reading) {
                health.suspect(doubt, now);
                health.touch(now);
            }
            self.tell_doubt(&Sensor::of(&reading), out);
        }
        out.push(Action::SetAside(SetAside { reading, reason }));
    }

    /// When a reading counts as measured: nothing is measured in the future of the daemon's clock.
    fn time_of(&self, reading: &Reading) -> Timestamp {
        match self.settings.clock {
            ClockSource::Readings => reading.at,
            ClockSource::Ticks => reading.at.min(self.clock()),
        }
    }

    fn take(&mut self, reading: Reading, out: &mut Vec<Action>) {
        let far_ahead = reading.at.duration_since(self.clock()) > SignedDuration::from_hours(24);
        let misdated = far_ahead && self.settings.clock == ClockSource::Ticks;
        if self.settings.clock == ClockSource::Readings {
            self.state.clock.advance(reading.at);
        }
        let at = self.time_of(&reading);
        let now = self.clock();
        self.state.clock.hear();
        let sensor = Sensor::of(&reading);
        let measured = reading.measured;
        let rules = self.settings.rules.clone();
        let Some(health) = self.health_of(&reading) else {
            return self.set_aside(reading, SetAsideReason::OtherSource, out);
        };
        let checked = health.hear(at, measured, now, &rules);
        if misdated {
            health.suspect(Doubt::Clock, now);
        }
        let heard = Key {
            alert: AlertName::SensorSilent,
            sensor: Some(sensor.clone()),
        };
        let well = self.speaker().sensor_well((&sensor.source, sensor.quantity));
        self.state.board.ends(&heard, now, well, out);
        if let Some(gauge) = self.gauge_of(&measured) {
            self.watch_limit(&sensor, at, gauge, out);
        }
        self.tell_doubt(&sensor, out);
        self.end_doubt(&sensor, at, out);
        if checked == Checked::Impossible {
            return self.set_aside(reading, SetAsideReason::Impossible, out);
        }
        if let Measured::AmbientPressure(air) = measured {
            self.state.ambient = Some(air);
        }
        self.observe(at, measured.into());
        if let Measured::LiquidTemperature(liquid) = measured {
            let fridge = self.batch.target.fridge;
            match self.state.whereabouts.feel(at, liquid, fridge) {
                Some(Seen::Chilled) => self.saw_cooling(at),
                Some(Seen::Warmed) => self.saw_warming(at),
                None => {}
            }
        }
    }

    pub(super) fn observe(&mut self, at: Timestamp, observed: Observed) {
        Arc::make_mut(&mut self.state.evidence).observe(at, observed);
        self.state.news = true;
        if let Some(others) = &mut self.state.others {
            let theirs = match others.why {
                Apart::Unconfirmed => true,
                Apart::Stayed => matches!(observed, Observed::Room(_) | Observed::Ambient(_)),
            };
            if theirs {
                Arc::make_mut(&mut others.evidence).observe(at, observed);
                others.news = true;
            }
        }
    }

    fn health_of(&mut self, reading: &Reading) -> Option<&mut Health> {
        let sensor = Sensor::of(reading);
        if !self.state.health.contains_key(&sensor) {
            if self.state.health.len() >= MOST_SENSORS {
                return None;
            }
            let fresh = Health::new(sensor.quantity, self.clock());
            self.state.health.insert(sensor.clone(), fresh);
        }
        self.state.health.get_mut(&sensor)
    }

    fn gauge_of(&self, measured: &Measured) -> Option<GaugePressure> {
        match measured {
            Measured::Pressure(gauge) => Some(*gauge),
            Measured::AbsolutePressure(pressure) => {
                let air = self
                    .state
                    .ambient
                    .unwrap_or(self.settings.surroundings.usual_ambient);
                pressure.to_gauge(air).ok()
            }
            _ => None,
        }
    }

    /// The raw gauge: a limit reached or a pressure lost.
    pub(super) fn watch_limit(
        &mut self,
        sensor: &Sensor,
        at: Timestamp,
        reading: GaugePressure,
        out: &mut Vec<Action>,
    ) {
        if self.state.gauges.len() >= MOST_SENSORS && !self.state.gauges.contains_key(sensor) {
            return;
        }
        let around = Surrounds {
            limit: self.batch.bottle.pressure_limit,
            leap: self.settings.rules.leap,
            expected: self
                .state
                .fitted
                .as_ref()
                .map(|fitted| fitted.outlook.expected_gauge.p95),
            interval: self
                .state
                .health
                .get(sensor)
                .map_or(SignedDuration::ZERO, Health::usual_interval),
        };
        let watch = self.state.gauges.entry(sensor.clone()).or_default();
        let findings = watch.read(at, reading, around);
        if findings.at_limit {
            let source = sensor.source.clone();
            let now = self.clock();
            let mut message = self.speaker().over_limit(&AtLimit::Gauge {
                source: &source,
                reading,
                at,
            });
            self.remember_those_given_away(&mut message);
            self.state
                .board
                .begins(AlertName::OverLimit.into(), now, message, out);
            self.withhold_moves(now, out);
        }
        if let Some(fall) = findings.lost {
            self.lost_pressure(sensor, fall, out);
        }
        if let Some(fall) = findings.back {
            self.doubt_gauge(fall.high_at, Some(at));
        }
    }

    fn lost_pressure(&mut self, sensor: &Sensor, fall: Fall, out: &mut Vec<Action>) {
        let explained = self
            .state
            .whereabouts
            .let_off
            .is_some_and(|noted| fall.low_at.duration_since(noted).abs() <= EXPLAINS);
        if explained || self.state.whereabouts.opened {
            let handling = if self.state.whereabouts.opened {
                Handling::Opened
            } else {
                Handling::Vented
            };
            self.handle(fall.low_at, handling);
            if let Some(watch) = self.state.gauges.get_mut(sensor) {
                watch.lost = None;
            }
            return;
        }
        self.doubt_gauge(fall.high_at, None);
        let now = self.clock();
        let message = self.speaker().sudden_loss(fall.from, fall.low_at);
        self.state
            .board
            .begins(AlertName::SuddenLoss.into(), now, message, out);
        self.withhold_moves(now, out);
    }

    /// Gauge readings after `from` do not count, until `until`.
    pub(super) fn doubt_gauge(&mut self, from: Timestamp, until: Option<Timestamp>) {
        let from = from
            .saturating_add(SignedDuration::from_micros(1))
            .unwrap_or(from);
        Arc::make_mut(&mut self.state.evidence).doubt_gauge(from, until);
        self.state.news = true;
        if let Some(others) = &mut self.state.others {
            Arc::make_mut(&mut others.evidence).doubt_gauge(from, until);
            others.news = true;
        }
    }

    /// Raises the doubt about a sensor, if there is one.
    pub(super) fn tell_doubt(&mut self, sensor: &Sensor, out: &mut Vec<Action>) {
        let Some(health) = self.state.health.get(sensor) else {
            return;
        };
        let Some((doubt, since)) = health.doubt else {
            return;
        };
        let key = Key {
            alert: AlertName::SensorSuspect,
            sensor: Some(sensor.clone()),
        };
        if self.state.board.is_present(&key) {
            return;
        }
        let shown = health.last.as_ref().map(|(_, measured)| measured);
        let message = self
            .speaker()
            .sensor_suspect((&sensor.source, sensor.quantity), doubt, since, shown);
        let now = self.clock();
        let of_gauge = sensor.quantity.is_gauge() && of_no_use(doubt);
        self.state.board.begins(key, now, message, out);
        if of_gauge {
            self.doubt_gauge(since, None);
        }
    }

    fn end_doubt(&mut self, sensor: &Sensor, at: Timestamp, out: &mut Vec<Action>) {
        let key = Key {
            alert: AlertName::SensorSuspect,
            sensor: Some(sensor.clone()),
        };
        let now = self.clock();
        let fresh = self.state.board.is_present(&key)
            && self
                .state
                .board
                .unchanged_for(&key, now)
                .is_some_and(|stood| stood < AT_MOST_EVERY);
        if fresh {
            return;
        }
        let recovered = self.state.health.get_mut(sensor).and_then(Health::recovers);
        let Some((doubt, since)) = recovered else { return };
        let well = self.speaker().sensor_well((&sensor.source, sensor.quantity));
        self.state.board.ends(&key, now, well, out);
        if sensor.quantity.is_gauge() && of_no_use(doubt) {
            self.doubt_gauge(since, Some(at));
        }
    }

    /// A gauge that can be believed is heard at `now`.
    pub(super) fn hears_a_gauge(&self, now: Timestamp) -> bool {
        if self.state.whereabouts.opened || self.state.astray.leak.is_some() {
            return false;
        }
        self.state.health.iter().any(|(sensor, health)| {
            let lost = self
                .state
                .gauges
                .get(sensor)
                .is_some_and(|watch| watch.lost.is_some());
            let fresh = health.last.as_ref().is_some_and(|(at, _)| {
                now.duration_since(*at) <= health.patience(&self.settings.rules).max(FRESH)
            });
            sensor.quantity.is_gauge()
                && fresh
                && !lost
                && health.doubt.is_none()
                && !health.is_silent(now, &self.settings.rules)
        })
    }

    /// A gauge is expected that has not spoken yet, and is not overdue: no reason yet to reckon as if there were none.
    pub(super) fn awaits_a_gauge(&self, now: Timestamp) -> bool {
        let waiting = self.state.health.iter().any(|(sensor, health)| {
            sensor.quantity.is_gauge()
                && health.last.is_none()
                && health.doubt.is_none()
                && !health.is_silent(now, &self.settings.rules)
        });
        waiting && !self.state.whereabouts.opened
    }
}

/// The source under which a gauge read by eye is kept.
pub(super) fn by_eye() -> Option<Source> {
    Source::new("read by eye").ok()
}

/// What a gauge shows under this doubt does not count.
fn of_no_use(doubt: Doubt) -> bool {
    matches!(doubt, Doubt::Stuck | Doubt::Jumping | Doubt::Creeping)
}
