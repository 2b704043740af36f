//! What a worker stores: what came of the events, and its state now and then.

use std::{mem, sync::Arc, time::Duration};

use tracing::error;

use super::Worker;
use crate::{
    incoming::Backoff,
    store::{Outcome, Snapshot},
    watch::log,
};

/// A snapshot is kept after so many fits, which take long to make again ...
const SNAPSHOT_FITS: u32 = 4;
/// ... or events, which do not ...
const SNAPSHOT_EVENTS: u64 = 10_000;
/// ... but not more often than this: it is a hundred kilobytes, and flash cards wear.
const SNAPSHOT_AT_MOST: Duration = Duration::from_secs(5);

impl Worker {
    /// Stores what came of it; false: not yet, and it is kept.
    pub(super) fn record(&mut self) -> bool {
        let nothing = self.outcome.alerts.is_empty()
            && self.outcome.reminders.is_empty()
            && self.outcome.forecasts.is_empty()
            && self.outcome.set_aside.is_empty()
            && self.outcome.snapshot.is_none();
        if nothing || self.unstored.is_some() {
            return self.unstored.is_none();
        }
        // It was begun when the one before was stored, maybe long ago: who is told, and from when on, holds as of now.
        let outcome = Outcome {
            alerts: mem::take(&mut self.outcome.alerts),
            reminders: mem::take(&mut self.outcome.reminders),
            forecasts: mem::take(&mut self.outcome.forecasts),
            set_aside: mem::take(&mut self.outcome.set_aside),
            snapshot: self.outcome.snapshot.take(),
            ..self.house.empty_outcome(self.live.id)
        };
        self.unstored = Some(Arc::new(outcome));
        self.store_again()
    }

    /// Stores what waits for it; false: it cannot be stored yet. A batch whose outcome is refused keeps no other waiting. What is not
    /// stored when it is time to stop is made again by a restart, which goes over the same events.
    pub(super) fn store_again(&mut self) -> bool {
        let Some(outcome) = &self.unstored else {
            return true;
        };
        let attempt = Arc::clone(outcome);
        let stored = self
            .runtime
            .block_on(self.house.store.write(move |writer| writer.record(&attempt)));
        match stored {
            Ok(fresh) => {
                for alert in &fresh {
                    log::tell(alert);
                }
                if !fresh.is_empty() || !outcome.reminders.is_empty() {
                    self.house.alerts.send_modify(|count| *count += 1);
                }
                self.unstored = None;
                self.backoff = Backoff::default();
                true
            }
            Err(error) => {
                for alert in &outcome.alerts {
                    // Not stored, but a person must hear of it.
                    log::tell(alert);
                }
                error!(batch = %self.live.batch.name, "What came of {} could not be stored: {error}.", self.live.batch.name);
                false
            }
        }
    }

    pub(super) fn keep_snapshot_if_due(&mut self) {
        let many = self.fits_since_snapshot >= SNAPSHOT_FITS || self.since_snapshot >= SNAPSHOT_EVENTS;
        let waited = self.house.clock.gone().saturating_sub(self.snapshot_at);
        if many && waited >= SNAPSHOT_AT_MOST {
            self.keep_snapshot();
        }
    }

    pub(super) fn keep_snapshot(&mut self) {
        let nothing = self.since_snapshot == 0 && self.fits_since_snapshot == 0;
        if nothing || self.first.is_some() {
            return;
        }
        self.since_snapshot = 0;
        self.fits_since_snapshot = 0;
        self.snapshot_at = self.house.clock.gone();
        self.outcome.snapshot = Some(Snapshot {
            sequence: self.seen,
            taken_at: self.house.clock.now(),
            body: self.monitor.snapshot(),
        });
    }
}
