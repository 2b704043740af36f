//! What is counted over all inputs, for the metrics.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

use super::{Meter, MeterState};
use crate::store::Appended;

/// What readings came over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A broker.
    Mqtt,
    /// A serial port.
    Serial,
    /// Posted or imported.
    Api,
    /// The demonstration.
    Demo,
}

impl Kind {
    /// As metrics name it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Mqtt => "mqtt",
            Self::Serial => "serial",
            Self::Api => "api",
            Self::Demo => "demo",
        }
    }
}

/// Counts since the start.
#[derive(Debug, Default)]
pub(crate) struct Counted(Mutex<Counts>);

/// See [`Counted`].
#[derive(Debug, Default)]
struct Counts {
    stored: BTreeMap<Kind, Stored>,
    /// Those of inputs that have ended stay: a count never falls.
    meters: Vec<(Kind, Arc<Meter>)>,
    fits: u64,
    fitting: Duration,
}

/// Readings of one kind of input.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Stored {
    pub(crate) new: u64,
    pub(crate) duplicate: u64,
    pub(crate) turned_away: u64,
}

impl Counted {
    pub(crate) fn stored<'a>(&self, kind: Kind, answers: impl Iterator<Item = &'a Appended>) {
        let mut counts = self.lock();
        let stored = counts.stored.entry(kind).or_default();
        for answer in answers {
            match answer {
                Appended::New(_) => stored.new += 1,
                Appended::Duplicate => stored.duplicate += 1,
                Appended::TurnedAway => stored.turned_away += 1,
            }
        }
    }

    pub(crate) fn meter(&self, kind: Kind, meter: &Arc<Meter>) {
        self.lock().meters.push((kind, Arc::clone(meter)));
    }

    /// Answers what `fit` does; one that leaves the question open is not counted.
    pub(crate) fn timed<T>(&self, fit: impl FnOnce() -> Option<T>) -> Option<T> {
        let began = Instant::now();
        let answer = fit()?;
        let mut counts = self.lock();
        counts.fits += 1;
        counts.fitting += began.elapsed();
        Some(answer)
    }

    pub(crate) fn by_kind(&self) -> BTreeMap<Kind, Stored> {
        self.lock().stored.clone()
    }

    pub(crate) fn meters(&self) -> Vec<(Kind, MeterState)> {
        let meters = self.lock().meters.clone();
        meters
            .iter()
            .map(|(kind, meter)| (*kind, meter.state()))
            .collect()
    }

    /// How many fits, and how long they took together.
    pub(crate) fn fits(&self) -> (u64, Duration) {
        let counts = self.lock();
        (counts.fits, counts.fitting)
    }

    fn lock(&self) -> MutexGuard<'_, Counts> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
