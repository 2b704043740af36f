//! The monitor: routes what happens to those who judge it, and keeps all state of one batch.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    alert::{Refused, sentence::Speaker},
    batch::Batch,
    culture::Lesson,
    fit::{self, Evidence, Handling, Passed},
    forecast::Odd,
    note::{Note, NoteKind, Palate, Tasting},
    quantity::AbsolutePressure,
    reading::{Quantity, Reading, Source},
};

use super::{
    Action, Bottles, ClockSource, Command, Event, FitRequest, Fitted, SetAsideReason, Settings, Work,
    astray::Astray,
    board::Board,
    clock::{Clock, Tick},
    gauge::GaugeWatch,
    health::Health,
    holds::Holds,
    intake::{Intake, Sensor},
    others::{Apart, Others},
    whereabouts::{Place, Whereabouts},
};

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
    /// The move of the sensors to the fridge: a note may say later that some bottles stayed.
    pub(super) last_move: Option<Moved>,
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
    pub(super) astray: Astray,
    /// Entries that a person says are right, whatever the readings say.
    pub(super) confirmed: BTreeSet<Odd>,
}

/// A move of the sensors to the fridge.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Moved {
    /// When it was recognised.
    pub(super) known: Timestamp,
    /// When the drink began to cool.
    pub(super) began: Timestamp,
}

impl Monitor {
    /// A batch with nothing heard yet; its clock stands at `bottled_at`.
    #[must_use]
    pub fn new(batch: Batch, settings: Settings) -> Self {
        let start = batch.bottled_at;
        let health = batch
            .sensors
            .iter()
            .filter(|(_, source)| !source.is_nobody())
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
            last_move: None,
            awaited: Vec::new(),
            fits: 0,
            health,
            gauges: BTreeMap::new(),
            ambient: None,
            whereabouts: Whereabouts::default(),
            board: Board::new(batch.name.clone()),
            holds: Holds::default(),
            counts: BTreeMap::new(),
            astray: Astray::new(start),
            confirmed: BTreeSet::new(),
        };
        Self {
            batch,
            settings,
            state,
        }
    }

    /// The same, its culture known from the lessons of earlier batches ([`Evidence::with_history`]). For a monitor that has heard
    /// nothing yet.
    #[must_use]
    pub fn with_history(mut self, lessons: &[Lesson]) -> Self {
        let evidence = Arc::unwrap_or_clone(self.state.evidence).with_history(lessons);
        self.state.evidence = Arc::new(evidence);
        self
    }

    /// The same, with what the household's words for fizz were found to mean. For a monitor that has heard nothing yet.
    #[must_use]
    pub fn with_palate(mut self, palate: Palate) -> Self {
        let evidence = Arc::unwrap_or_clone(self.state.evidence).with_palate(palate);
        self.state.evidence = Arc::new(evidence);
        self
    }

    /// Those of its notes that calibrate words; see [`fit::tastings`]. Each takes about as long as a first fit.
    #[must_use]
    pub fn tastings(&self, notes: &[Note]) -> Vec<Tasting> {
        fit::tastings(&self.state.evidence, self.clock(), notes)
    }

    /// How many earlier batches of the culture inform this one.
    #[must_use]
    pub fn earlier_batches(&self) -> u32 {
        self.state.evidence.expectation().map_or(0, |known| known.batches)
    }

    /// What the batch has taught about its culture so far; see [`fit::lesson`]. It takes about as long as a first fit.
    #[must_use]
    pub fn lesson(&self) -> Option<Lesson> {
        fit::lesson(&self.state.evidence, self.clock())
    }

    /// The same with the batch's liveliness, for comparisons; see [`fit::liveliness`]. It takes a dozen fits.
    #[must_use]
    pub fn lively_lesson(&self) -> Option<Lesson> {
        Some(Lesson {
            liveliness: fit::liveliness(&self.state.evidence, self.clock()),
            ..self.lesson()?
        })
    }

    /// The way it has come so far; see [`fit::past`]. It takes about as long as a first fit.
    #[must_use]
    pub fn past(&self) -> Vec<Passed> {
        fit::past(&self.state.evidence, self.clock())
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

    /// The next tick that [`Monitor::step`] wants, on the grid of 5 minutes from `bottled_at`; see [`super::drive()`].
    #[must_use]
    pub fn next_wake(&self) -> Timestamp {
        self.state.clock.next_tick()
    }

    /// Where the clock will stand once `event` is taken: ticks before it come first.
    #[must_use]
    pub fn reaches(&self, event: &Event) -> Timestamp {
        let now = self.clock();
        match (event, self.settings.clock) {
            (Event::Measured(reading) | Event::OfAnother(reading), ClockSource::Readings) => {
                self.state.intake.reaches(reading, now)
            }
            // The engine knows the batch as it was corrected, and no other.
            (Event::Noted(note), _) if is_of_the_past(note) => now,
            (Event::Noted(note), ClockSource::Readings) => now.max(note.at),
            (Event::Measured(_) | Event::OfAnother(_) | Event::Noted(_), ClockSource::Ticks)
            | (Event::Fitted(_), _) => now,
            (Event::Tick { at }, _) => now.max(*at),
            (Event::Commanded(command), _) => now.max(command.at),
        }
    }

    /// Whether [`Monitor::next_wake`] is on the grid of fits: the step there asks for one.
    #[must_use]
    pub fn wakes_with_fit(&self) -> bool {
        self.state.clock.next_is_with_fit()
    }

    /// The one source that it takes a quantity from. `None`: any may matter.
    ///
    /// A reading of another one would be set aside and leave no trace but a count, so a driver with many batches need not
    /// step with it, unless it moves the clock ([`Monitor::is_moved_by`]): [`Monitor::passed_by`] counts it.
    #[must_use]
    pub fn only_source_of(&self, quantity: Quantity) -> Option<&Source> {
        self.batch.sensors.get(&quantity)
    }

    /// Whether a reading does more than to be counted, whoever sent it: where readings are the clock, ticks come before it, or it decides on
    /// one from far ahead.
    #[must_use]
    pub fn is_moved_by(&self, reading: &Reading) -> bool {
        match self.settings.clock {
            ClockSource::Ticks => false,
            ClockSource::Readings => {
                reading.at > self.next_wake() || self.state.intake.decides(reading, self.clock())
            }
        }
    }

    /// Readings of quantities that the batch takes from another source ([`Monitor::only_source_of`]) came in: they are counted as set
    /// aside.
    pub fn passed_by(&mut self, readings: u64) {
        if readings > 0 {
            let count = self.state.counts.entry(SetAsideReason::OtherSource).or_default();
            *count = count.saturating_add(readings);
        }
    }

    /// What it took, or looked at, without having been told to: sources of quantities that the batch does not list. A driver that
    /// learns later that one of them is another batch's begins anew, and hands those readings in as [`Event::OfAnother`].
    pub fn found_by_itself(&self) -> impl Iterator<Item = (Quantity, &Source)> {
        let senders = self.state.intake.senders();
        senders.filter(|(quantity, _)| !self.batch.sensors.contains_key(quantity))
    }

    /// Takes one event. Same state and event give the same actions. Its ticks come first: see [`super::drive()`].
    #[must_use]
    pub fn step(&mut self, event: Event) -> Vec<Action> {
        let mut out = Vec::new();
        match event {
            Event::Measured(reading) => {
                let now = self.clock();
                let verdicts = self.state.intake.take(&self.batch, reading, now);
                self.apply(verdicts, &mut out);
            }
            Event::OfAnother(reading) => {
                let now = self.clock();
                if self.settings.clock == ClockSource::Readings {
                    self.state.clock.advance(self.state.intake.reaches(&reading, now));
                }
                let verdicts = self.state.intake.pass(&self.batch, reading);
                self.apply(verdicts, &mut out);
            }
            Event::Noted(note) if is_of_the_past(&note) => {}
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

    pub(super) fn handle(&mut self, at: Timestamp, handling: Handling) {
        Arc::make_mut(&mut self.state.evidence).handle(at, handling);
        self.state.news = true;
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

    /// The last answer about the bottles reckoned apart.
    pub(super) fn apart_fitted(&self) -> Option<&Fitted> {
        self.state.others.as_ref()?.fitted.as_ref()
    }

    /// The bottle with the sensors is in the fridge, and every other bottle that is here, too.
    pub(super) fn all_chilled(&self) -> bool {
        let none_apart = self.state.others.is_none() || self.only_given_away_are_apart();
        self.state.whereabouts.sensors == Place::Fridge && none_apart
    }
}

/// Corrections and notes taken back say how the past is to be read: the engine begins anew with it, and hears of nothing else.
fn is_of_the_past(note: &Note) -> bool {
    matches!(note.kind, NoteKind::Corrected | NoteKind::TakenBack)
}
