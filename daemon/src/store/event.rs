//! What goes into the store and comes out of it.

use fobwatch_core::{
    alert::AlertRecord,
    batch::{Batch, BatchName, Slug},
    document::BadDocument,
    engine::{Command, SetAside},
    forecast::Forecast,
    note::Note,
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::Destination;

/// Place of an event in the one order in which everything arrived; from 1, without repeats, rising.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Sequence(pub i64);

impl Sequence {
    /// The place just before it; something may stand there or not.
    #[must_use]
    pub(crate) fn before(self) -> Self {
        Self(self.0.saturating_sub(1))
    }
}

/// A batch in the store. A name may come back after its batch has ended; this never does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct BatchId(pub i64);

/// What became of a reading that was handed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Appended {
    /// Stored, at this place in the order.
    New(Sequence),
    /// The same source, quantity and time is there already; the first value stays.
    Duplicate,
    /// Not stored: of a source that no batch names, and there are too many already.
    TurnedAway,
}

/// One event as it was stored, in order.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredEvent {
    /// Its place in the order.
    pub sequence: Sequence,
    /// When it arrived, by the wall clock (for [`StoredWhat::Clock`]: the time it tells).
    pub received_at: Timestamp,
    /// What it is.
    pub what: StoredWhat,
}

/// The kinds of stored events.
#[derive(Clone, Debug, PartialEq)]
pub enum StoredWhat {
    /// A reading; which batches use it is theirs to decide.
    Reading(Reading),
    /// A note of one batch.
    Note(BatchId, Note),
    /// What a person did to an alert of one batch.
    Command(BatchId, Command),
    /// The clock stood here; it concerns every batch.
    Clock(Timestamp),
}

/// A batch as it was added.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredBatch {
    /// Names it in the store.
    pub id: BatchId,
    /// Its name.
    pub name: BatchName,
    /// Its name in URLs and topics.
    pub slug: Slug,
    /// The text of the batch file.
    pub text: String,
    /// When it was added.
    pub added_at: Timestamp,
    /// When it was ended; `None`: live.
    pub ended_at: Option<Timestamp>,
}

impl StoredBatch {
    /// Read again from its text.
    ///
    /// # Errors
    /// A later program may refuse what an earlier one took: all problems.
    pub(crate) fn read_again(&self) -> Result<Batch, BadDocument> {
        let place = format!("the stored batch `{}`", self.name);
        Batch::from_toml(&self.text, &place).map(|(batch, _warnings)| batch)
    }
}

/// All that came of driving one batch's engine: stored in one transaction, or not at all.
#[derive(Debug)]
pub struct Outcome {
    /// Which batch.
    pub batch: BatchId,
    /// Transitions of alerts. One that is stored already (a restart went over the same events) is left as it is, and
    /// makes no second row in the outbox.
    pub alerts: Vec<AlertRecord>,
    /// Alerts to be told again, as the engine words them by now. One of the same time is there once, however often it is stored.
    pub reminders: Vec<AlertRecord>,
    /// Where each alert may go; each that wants it gets a row in the outbox.
    pub destinations: Vec<Destination>,
    /// When this is stored.
    pub now: Timestamp,
    /// Forecasts on the grid; one for the same time replaces the earlier.
    pub forecasts: Vec<Forecast>,
    /// Readings that the engine did not use: counted by sensor and reason. After a crash some are counted again.
    pub set_aside: Vec<SetAside>,
    /// The engine's state, where it is time to keep it.
    pub snapshot: Option<Snapshot>,
}

impl Outcome {
    /// Nothing came of it yet.
    pub(crate) fn empty(batch: BatchId, destinations: Vec<Destination>, now: Timestamp) -> Self {
        Self {
            batch,
            alerts: Vec::new(),
            reminders: Vec::new(),
            destinations,
            now,
            forecasts: Vec::new(),
            set_aside: Vec::new(),
            snapshot: None,
        }
    }
}

/// The state of a batch's engine.
#[derive(Clone, PartialEq, Eq)]
pub struct Snapshot {
    /// The last event that it has seen.
    pub sequence: Sequence,
    /// When it was taken.
    pub taken_at: Timestamp,
    /// The engine's own bytes.
    pub body: Vec<u8>,
}

impl std::fmt::Debug for Snapshot {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Snapshot({} bytes after {:?})", self.body.len(), self.sequence)
    }
}

/// One sensor, by what it has sent.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Its source.
    pub source: Source,
    /// Its quantity.
    pub quantity: Quantity,
    /// When its first reading was measured.
    pub first_at: Timestamp,
    /// When its last was.
    pub last_at: Timestamp,
    /// What the last showed.
    pub last: Measured,
}

/// A stretch of time of one sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// Where the stretch begins.
    pub from: Timestamp,
    /// How many readings are in it; at least 1.
    pub count: u64,
    /// The lowest.
    pub least: Measured,
    /// Their mean.
    pub mean: Measured,
    /// The highest.
    pub most: Measured,
}

/// Readings that are no longer kept as they came: only their five-minute rollups are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Thinned {
    /// How many.
    pub count: u64,
    /// The earliest reading of a rollup that stands for them.
    pub first_at: Timestamp,
    /// The latest.
    pub last_at: Timestamp,
}

/// How many readings of a sensor a batch did not use, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAsideCount {
    /// Which source.
    pub source: Source,
    /// Which quantity.
    pub quantity: Quantity,
    /// Why, by the name of the reason.
    pub reason: String,
    /// How many.
    pub count: u64,
    /// When the last of them was measured.
    pub last_at: Timestamp,
}
