//! One made-up batch on its way through the product's own engine, half hour by half hour.

use std::sync::Arc;

use fobwatch_core::{
    alert::{AlertRecord, Units},
    batch::Batch,
    engine::{Action, ClockSource, Event, FitRequest, Fitted, Monitor, Rules, Settings, drive},
    fit::Surroundings,
    quantity::AbsolutePressure,
    reading::{Measured, Quantity, Reading, Source},
};
use fobwatch_simulator::{Played, Scenario, Simulation, batch_toml};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

/// Length of the grid's step.
pub(crate) const HALF_HOUR: SignedDuration = SignedDuration::from_mins(30);

/// A reading on its way.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    /// When it arrives.
    pub(crate) arrival: Timestamp,
    /// What arrives.
    pub(crate) reading: Reading,
}

/// Plays a drawn scenario. Of the bottles that no score asks for only one is played, which changes nothing for the others.
pub(crate) fn played(scenario: &Scenario, seed: u64) -> Played {
    let mut lean = scenario.clone();
    lean.bottle.count = 1;
    Simulation::run(&lean, seed)
}

/// The batch as its file tells it.
pub(crate) fn batch(scenario: &Scenario) -> Batch {
    let read = Batch::from_toml(&batch_toml(scenario), "drawn");
    read.expect("the simulator writes batch files").0
}

/// The rows of a play in order of arrival.
pub(crate) fn rows(played: &Played) -> Vec<Row> {
    let rows = played.readings.iter().filter_map(|row| {
        let unit = row.unit.symbol().parse().expect("a unit of the surface");
        let quantity = row.quantity.name().parse().expect("a quantity of the surface");
        Some(Row {
            arrival: row.arrival,
            reading: Reading {
                at: row.at,
                source: Source::new(&row.source).expect("a name"),
                measured: Measured::new(quantity, row.value, unit).ok()?,
            },
        })
    });
    rows.collect()
}

/// Hours from `from` to `to`.
pub(crate) fn hours(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / 3_600.0
}

/// A number from 0 to 1 that belongs to a seed; over many seeds they lie evenly (multiples of the golden ratio), and those of
/// different `of` independently.
pub(crate) fn spread(seed: u64, of: u32) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "seeds are small")]
    let seed = seed as f64;
    (seed * [0.618_033_988_75, 0.754_877_666_25, 0.569_840_290_998][of as usize % 3]).fract()
}

/// A batch and its monitor; a clone goes a way of its own.
#[derive(Clone)]
pub(crate) struct Watched {
    monitor: Monitor,
    rows: Arc<[Row]>,
    next: usize,
    steps: i32,
}

/// What happened in half an hour.
pub(crate) struct Said {
    /// Its end, a point of the grid.
    pub(crate) at: Timestamp,
    /// The same in hours since the sealing.
    pub(crate) at_h: f64,
    /// What was fitted there; `None` while the engine's clock stands off the grid.
    pub(crate) fitted: Option<Fitted>,
    /// Transitions of alerts.
    pub(crate) alerts: Vec<AlertRecord>,
}

impl Watched {
    /// Nothing heard yet.
    pub(crate) fn new(batch: Batch, rows: Vec<Row>) -> Self {
        Self {
            monitor: Monitor::new(batch, Self::settings()),
            rows: rows.into(),
            next: 0,
            steps: 0,
        }
    }

    /// What the user of the study would have configured: nothing.
    pub(crate) fn settings() -> Settings {
        Settings {
            zone: TimeZone::UTC,
            units: Units::default(),
            surroundings: Surroundings {
                usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
            },
            clock: ClockSource::Readings,
            rules: Rules::default(),
        }
    }

    /// The monitor.
    pub(crate) fn monitor(&self) -> &Monitor {
        &self.monitor
    }

    /// When the bottles were sealed.
    pub(crate) fn sealed(&self) -> Timestamp {
        self.monitor.batch().bottled_at
    }

    /// How far it has come, hours since the sealing.
    pub(crate) fn at_h(&self) -> f64 {
        f64::from(self.steps) / 2.0
    }

    /// Changes what is still to come: `alter` gives what arrives instead of each row, or nothing.
    pub(crate) fn alter(&mut self, mut alter: impl FnMut(&Row) -> Option<Row>) {
        let (come, coming) = self.rows.split_at(self.next);
        let changed = coming.iter().filter_map(&mut alter);
        self.rows = come.iter().cloned().chain(changed).collect();
    }

    /// The last row of this quantity that has come.
    pub(crate) fn last(&self, quantity: Quantity) -> Option<&Row> {
        let come = self.rows.get(..self.next)?;
        come.iter()
            .rev()
            .find(|row| row.reading.measured.quantity() == quantity)
    }

    /// The rows that have come.
    pub(crate) fn come(&self) -> &[Row] {
        self.rows.get(..self.next).unwrap_or_default()
    }

    /// Half an hour on, every fit run as the product runs it.
    pub(crate) fn half_hour(&mut self) -> Said {
        self.half_hour_with(&mut FitRequest::run)
    }

    /// Half an hour on, `fit` answering the engine's questions.
    pub(crate) fn half_hour_with(&mut self, fit: &mut dyn FnMut(&FitRequest) -> Fitted) -> Said {
        self.steps += 1;
        let at = self.sealed() + HALF_HOUR * self.steps;
        let mut fitted = None;
        let mut keep = |request: &FitRequest| {
            let answer = fit(request);
            if request.at == at && request.of == fobwatch_core::engine::Bottles::WithSensors {
                fitted = Some(answer.clone());
            }
            answer
        };
        let mut actions = Vec::new();
        while let Some(row) = self.rows.get(self.next).filter(|row| row.arrival <= at) {
            self.next += 1;
            actions.extend(drive(
                &mut self.monitor,
                Event::Measured(row.reading.clone()),
                &mut keep,
            ));
        }
        actions.extend(drive(&mut self.monitor, Event::Tick { at }, &mut keep));
        let alerts = actions.into_iter().filter_map(|action| match action {
            Action::Alert(record) => Some(record),
            _ => None,
        });
        Said {
            at,
            at_h: self.at_h(),
            alerts: alerts.collect(),
            fitted,
        }
    }
}
