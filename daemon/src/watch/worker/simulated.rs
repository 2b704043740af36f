//! How a worker stands, for the simulation of faults.

use fobwatch_core::engine::Monitor;
use jiff::Timestamp;

use super::Worker;
use crate::store::{BatchId, Outcome, Sequence};

impl Worker {
    /// The engine, and whether something that came of it is not stored.
    pub(in crate::watch) fn stands(&self) -> (BatchId, Monitor, bool) {
        let Outcome {
            alerts,
            reminders,
            forecasts,
            ..
        } = &self.outcome;
        let nothing = alerts.is_empty() && reminders.is_empty() && forecasts.is_empty();
        (
            self.live.id,
            self.monitor.clone(),
            !nothing || self.unstored.is_some(),
        )
    }

    /// How far it has come.
    pub(in crate::watch) fn progress(&self) -> (Sequence, Timestamp) {
        (self.seen, self.monitor.clock())
    }

    /// The engine failed, and the batch is set aside.
    pub(in crate::watch) fn has_failed(&self) -> bool {
        self.aside.is_some()
    }
}
