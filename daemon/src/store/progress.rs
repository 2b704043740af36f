//! How far a step is that goes over all readings of the store, told while it goes on.

use std::time::{Duration, Instant};

use rusqlite::Transaction;
use tracing::info;

use super::StoreError;

/// How often is told how far a long step is.
const TELL_EVERY: Duration = Duration::from_secs(3);

/// How far a step is that goes over all readings of the store.
pub(super) struct Progress {
    all: i64,
    done: i64,
    told: Instant,
}

impl Progress {
    pub(super) fn begin(transaction: &Transaction<'_>) -> Result<Self, StoreError> {
        Ok(Self {
            all: transaction.query_row("SELECT count(*) FROM reading", [], |row| row.get(0))?,
            done: 0,
            told: Instant::now(),
        })
    }

    /// So many more were gone over, or a few less.
    pub(super) fn more(&mut self, count: i64) {
        self.done = self.all.min(self.done + count);
        if self.told.elapsed() >= TELL_EVERY {
            self.told = Instant::now();
            info!(
                "The store is brought to the layout of this fobwatch: {} of {} readings gone over.",
                self.done, self.all
            );
        }
    }
}
