//! The monitor: routes what happens to those who judge it, and keeps all state of one batch.

use std::{collections::BTreeMap, sync::Arc};

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{
    alert::{
        AlertName, Refused,
        sentence::{AtLimit, Doubt, Speaker},
    },
    batch::Batch,
    fit::{Evidence, Handling, Observed},
    quantity::{AbsolutePressure, GaugePressure},
    reading::{Measured, Quantity, Reading, Source},
};

use super::{
    Action, Bottles, ClockSource, Command, Event, FitRequest, Fitted, SetAside, SetAsideReason, Settings,
    Work,
    board::{Board, Key},
    clock::{Clock, Tick},
    evaluate::Holds,
    gauge::{Fall, GaugeWatch, Surrounds},
    health::{Checked, Health},
    intake::{Intake, Sensor, Verdicts},
    whereabouts::{Place, Seen, Whereabouts},
};

/// Sensors kept track of; more than a home has.
const MOST_SENSORS: usize = 256;
/// A note of an opening this long before a loss of pressure explains it.
pub(super) const EXPLAINS: SignedDuration = SignedDuration::from_hours(6);
/// A gauge whose newest value is older than this, and than its usual silence, is not trusted.
const FRESH: SignedDuration = SignedDuration::from_hours(3);
/// Bottles left behind are fitted anew this often; between, their last answer is carried on.
const LEFT_BEHIND_FITS: i64 = 12;

/// Watches one batch.
#[derive(Clone, Debug)]
pub struct Monitor {
    pub(super) batch: Batch,
    pub(super) settings: Settings,
    pub(super) state: State,
}

/// All that a monitor remembers; what a snapshot holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct State {
    pub(super) clock: Clock,
    pub(super) intake: Intake,
    pub(super) evidence: Arc<Evidence>,
    /// The evidence has grown since the last fit.
    pub(super) news: bool,
    pub(super) fitted: Option<Fitted>,
    pub(super) others: Option<Others>,
    /// As it was when the move to the fridge was recognised: a note may say later that some stayed.
    pub(super) before_move: Option<(Timestamp, Arc<Evidence>)>,
    /// Answers still to come, and as of when they were asked.
    awaited: Vec<(Bottles, Timestamp)>,
    fits: i64,
    pub(super) health: BTreeMap<Sensor, Health>,
    pub(super) gauges: BTreeMap<Sensor, GaugeWatch>,
    pub(super) ambient: Option<AbsolutePressure>,
    pub(super) whereabouts: Whereabouts,
    pub(super) board: Board,
    pub(super) holds: Holds,
    pub(super) counts: BTreeMap<SetAsideReason, u64>,
}

/// Bottles that stand elsewhere than the sensors, or may.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Others {
    pub(super) evidence: Arc<Evidence>,
    pub(super) news: bool,
    pub(super) fitted: Option<Fitted>,
    pub(super) count: u32,
    pub(super) why: Apart,
}

/// Why some bottles are reckoned apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Apart {
    /// A note says that they stayed in the room, or came back to it.
    Stayed,
    /// All were noted as moved, but no cooling was seen: they may all stand in the room, the sensors too.
    Unconfirmed,
}

impl Monitor {
    /// A batch with nothing heard yet; its clock stands at `bottled_at`.
    #[must_use]
    pub fn new(batch: Batch, settings: Settings) -> Self {
        let start = batch.bottled_at;
        let health = batch
            .sensors
            .iter()
            .map(|(&quantity, source)| {
                let sensor = Sensor {
                    source: source.clone(),
                    quantity,
                };
                (sensor, Health::new(quantity, start))
            })
            .collect();
        let state = State {
            clock: Clock::new(start),
            intake: Intake::default(),
            evidence: Arc::new(Evidence::new(batch.clone(), settings.surroundings.clone())),
            news: true,
            fitted: None,
            others: None,
            before_move: None,
            awaited: Vec::new(),
            fits: 0,
            health,
            gauges: BTreeMap::new(),
            ambient: None,
            whereabouts: Whereabouts::default(),
            board: Board::new(batch.name.clone()),
            holds: Holds::default(),
            counts: BTreeMap::new(),
        };
        Self {
            batch,
            settings,
            state,
        }
    }

    /// The batch.
    #[must_use]
    pub fn batch(&self) -> &Batch {
        &self.batch
    }

    /// Where the clock stands.
    #[must_use]
    pub fn clock(&self) -> Timestamp {
        self.state.clock.now()
    }

    /// The next tick that [`Monitor::step`] wants, on the grid of 5 minutes from `bottled_at`; see [`super::drive`].
    #[must_use]
    pub fn next_wake(&self) -> Timestamp {
        self.state.clock.next_tick()
    }

    /// Where the clock will stand once `event` is taken: ticks before it come first.
    #[must_use]
    pub fn reaches(&self, event: &Event) -> Timestamp {
        let now = self.clock();
        match (event, self.settings.clock) {
            (Event::Measured(reading), ClockSource::Readings) => self.state.intake.reaches(reading, now),
            (Event::Noted(note), ClockSource::Readings) => now.max(note.at),
            (Event::Measured(_) | Event::Noted(_), ClockSource::Ticks) | (Event::Fitted(_), _) => now,
            (Event::Tick { at }, _) => now.max(*at),
            (Event::Commanded(command), _) => now.max(command.at),
        }
    }

    /// Takes one event. Same state and event give the same actions. Its ticks come first: see [`super::drive`].
    #[must_use]
    pub fn step(&mut self, event: Event) -> Vec<Action> {
        let mut out = Vec::new();
        match event {
            Event::Measured(reading) => {
                let now = self.clock();
                let verdicts = self.state.intake.take(&self.batch, reading, now);
                self.apply(verdicts, &mut out);
            }
            Event::Noted(note) => self.on_note(&note, &mut out),
            Event::Tick { at } => self.on_tick(at, &mut out),
            Event::Fitted(fitted) => self.on_fitted(*fitted, &mut out),
            Event::Commanded(command) => self.on_command(command, &mut out),
        }
        out
    }

    /// No row comes after this: what is held as too far ahead of the clock is set aside.
    #[must_use]
    pub fn close(&mut self) -> Vec<Action> {
        let mut out = Vec::new();
        let verdicts = self.state.intake.close();
        self.apply(verdicts, &mut out);
        out
    }

    /// Whether a command would be obeyed.
    ///
    /// # Errors
    /// Why it would not: see [`Refused`].
    pub fn permits(&self, command: &Command) -> Result<(), Refused> {
        self.state.board.permits(command, self.clock())
    }

    /// What to run for a forecast as of `at`, not before the clock. It leaves no trace.
    #[must_use]
    pub fn forecast_request(&self, at: Timestamp) -> FitRequest {
        self.request(at.max(self.clock()), self.work_on_hand())
    }

    fn work_on_hand(&self) -> Work {
        if self.state.news || self.state.fitted.is_none() {
            Work::Fit
        } else {
            Work::CarryOn
        }
    }

    fn request(&self, at: Timestamp, work: Work) -> FitRequest {
        FitRequest {
            evidence: Arc::clone(&self.state.evidence),
            work,
            of: Bottles::WithSensors,
            warm: self
                .state
                .fitted
                .as_ref()
                .map(|fitted| Arc::clone(&fitted.posterior)),
            at,
        }
    }

    pub(super) fn speaker(&self) -> Speaker<'_> {
        Speaker {
            batch: &self.batch,
            zone: &self.settings.zone,
            units: self.settings.units,
        }
    }

    fn apply(&mut self, verdicts: Verdicts, out: &mut Vec<Action>) {
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
        self.observe(at, observed(&measured));
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
            let message = self.speaker().over_limit(&AtLimit::Gauge {
                source: &source,
                reading,
                at,
            });
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
            .is_some_and(|noted| fall.low_at.duration_since(noted) <= EXPLAINS);
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

    pub(super) fn handle(&mut self, at: Timestamp, handling: Handling) {
        Arc::make_mut(&mut self.state.evidence).handle(at, handling);
        self.state.news = true;
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
        let of_gauge = is_gauge(sensor.quantity) && matches!(doubt, Doubt::Stuck | Doubt::Jumping);
        self.state.board.begins(key, now, message, out);
        if of_gauge {
            self.doubt_gauge(since, None);
        }
    }

    fn end_doubt(&mut self, sensor: &Sensor, at: Timestamp, out: &mut Vec<Action>) {
        let recovered = self.state.health.get_mut(sensor).and_then(Health::recovers);
        let Some((doubt, since)) = recovered else { return };
        let key = Key {
            alert: AlertName::SensorSuspect,
            sensor: Some(sensor.clone()),
        };
        let now = self.clock();
        let well = self.speaker().sensor_well((&sensor.source, sensor.quantity));
        self.state.board.ends(&key, now, well, out);
        if is_gauge(sensor.quantity) && matches!(doubt, Doubt::Stuck | Doubt::Jumping) {
            self.doubt_gauge(since, Some(at));
        }
    }

    fn on_tick(&mut self, at: Timestamp, out: &mut Vec<Action>) {
        let tick = self.state.clock.tick(at);
        self.state.clock.advance(at);
        let Some(tick) = tick else { return };
        let now = self.clock();
        let verdicts = self.state.intake.caught_up(&self.batch, now);
        self.apply(verdicts, out);
        self.state.board.tick(now, &self.settings.rules, out);
        self.look_after_sensors(now, out);
        self.doubt_the_move(now);
        if tick == Tick::WithFit {
            self.ask_for_fits(now, out);
        }
    }

    fn look_after_sensors(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let silent: Vec<(Sensor, Option<Timestamp>)> = self
            .state
            .health
            .iter()
            .filter(|(_, health)| health.is_silent(now, &self.settings.rules))
            .map(|(sensor, health)| (sensor.clone(), health.last.as_ref().map(|(at, _)| *at)))
            .collect();
        for (sensor, last) in silent {
            let key = Key {
                alert: AlertName::SensorSilent,
                sensor: Some(sensor.clone()),
            };
            if !self.state.board.is_present(&key) {
                let message = self
                    .speaker()
                    .sensor_silent((&sensor.source, sensor.quantity), last);
                self.state.board.begins(key, now, message, out);
            }
        }
    }

    fn ask_for_fits(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        self.state.awaited.clear();
        let due = self.state.fits % LEFT_BEHIND_FITS == 0;
        self.state.fits += 1;
        if let Some(others) = &self.state.others {
            let due = due || others.why == Apart::Unconfirmed;
            let work = if others.fitted.is_none() || (others.news && due) {
                Work::Fit
            } else {
                Work::CarryOn
            };
            let warm = others.fitted.as_ref().or(self.state.fitted.as_ref());
            out.push(Action::Fit(FitRequest {
                evidence: Arc::clone(&others.evidence),
                work,
                of: Bottles::LeftBehind,
                warm: warm.map(|fitted| Arc::clone(&fitted.posterior)),
                at: now,
            }));
            self.state.awaited.push((Bottles::LeftBehind, now));
        }
        out.push(Action::Fit(self.request(now, self.work_on_hand())));
        self.state.awaited.push((Bottles::WithSensors, now));
        self.state.news = false;
        if let Some(others) = &mut self.state.others {
            others.news = others.news && !due;
        }
    }

    fn on_fitted(&mut self, fitted: Fitted, out: &mut Vec<Action>) {
        let asked = (fitted.of, fitted.at);
        let Some(place) = self.state.awaited.iter().position(|awaited| *awaited == asked) else {
            // An answer to a question that a later one has replaced.
            return;
        };
        self.state.awaited.remove(place);
        match fitted.of {
            Bottles::WithSensors => {
                out.push(Action::Forecast(Box::new(fitted.forecast.clone())));
                self.state.fitted = Some(fitted);
            }
            Bottles::LeftBehind => {
                if let Some(others) = &mut self.state.others {
                    others.fitted = Some(fitted);
                }
            }
        }
        if self.state.awaited.is_empty() {
            self.evaluate(asked.1, out);
        }
    }

    fn on_command(&mut self, command: Command, out: &mut Vec<Action>) {
        let now = self.clock().max(command.at);
        self.state.clock.advance(now);
        match self.permits(&command) {
            Ok(()) => {
                self.state.board.obey(&command, now, &self.settings.zone, out);
                self.release_moves(now, out);
            }
            Err(why) => out.push(Action::Refused { command, why }),
        }
    }

    /// A gauge that can be believed is heard at `now`.
    pub(super) fn hears_a_gauge(&self, now: Timestamp) -> bool {
        if self.state.whereabouts.opened {
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
            is_gauge(sensor.quantity)
                && fresh
                && !lost
                && health.doubt.is_none()
                && !health.is_silent(now, &self.settings.rules)
        })
    }

    /// A gauge is expected that has not spoken yet, and is not overdue: no reason yet to reckon as if there were none.
    pub(super) fn awaits_a_gauge(&self, now: Timestamp) -> bool {
        let waiting = self.state.health.iter().any(|(sensor, health)| {
            is_gauge(sensor.quantity)
                && health.last.is_none()
                && health.doubt.is_none()
                && !health.is_silent(now, &self.settings.rules)
        });
        waiting && !self.state.whereabouts.opened
    }

    /// The last answer about the bottles reckoned apart.
    pub(super) fn apart_fitted(&self) -> Option<&Fitted> {
        self.state.others.as_ref()?.fitted.as_ref()
    }

    /// The bottle with the sensors is in the fridge, and every other bottle, too.
    pub(super) fn all_chilled(&self) -> bool {
        self.state.whereabouts.sensors == Place::Fridge && self.state.others.is_none()
    }
}

/// The source under which a gauge read by eye is kept.
pub(super) fn by_eye() -> Option<Source> {
    Source::new("read by eye").ok()
}

pub(super) fn is_gauge(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Pressure | Quantity::AbsolutePressure)
}

fn observed(measured: &Measured) -> Observed {
    match *measured {
        Measured::Pressure(p) => Observed::Gauge(p),
        Measured::AbsolutePressure(p) => Observed::Absolute(p),
        Measured::AmbientPressure(p) => Observed::Ambient(p),
        Measured::LiquidTemperature(t) => Observed::Liquid(t),
        Measured::RoomTemperature(t) => Observed::Room(t),
        Measured::Gravity(g) => Observed::Gravity(g),
    }
}
