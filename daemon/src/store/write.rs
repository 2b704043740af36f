//! Writing: one connection, one thread, whole transactions.

use std::{
    collections::{BTreeMap, BTreeSet},
    net::SocketAddr,
    path::{Path, PathBuf},
};

use fobwatch_core::{
    alert::AlertRecord,
    batch::Batch,
    engine::{Command, SetAside},
    note::Note,
    reading::{Quantity, Reading, Source},
};
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Transaction, params};

use crate::corrected::Corrected;

use super::{
    Appended, BatchId, FILE, Outcome, Reader, Sequence, Snapshot, StoreError, beside,
    fresh::{Adding, Fresh},
    layout,
    lock::Lock,
    outbox,
    text::{encode, name_of},
};

/// Kinds of readings, each a source and a quantity, of sources that no batch names: far more than a house has. What is stored of each
/// stays, so a broker to which anybody writes must not make ever more of them.
pub const MOST_SERIES: usize = 4_096;

/// Numbers of kinds of readings.
type Kinds = BTreeMap<Source, BTreeMap<Quantity, i64>>;

/// The only one who writes to a data folder. Each method is one transaction: when it answers, what it was given is
/// on the disk; when it fails, nothing of it is.
#[derive(Debug)]
pub struct Writer {
    pub(super) connection: Connection,
    next: i64,
    series: Kinds,
    /// How many the store has, loaded or not.
    kinds: usize,
    /// Sources that batches name.
    named: BTreeSet<Source>,
    pub(super) fresh: Fresh,
    folder: PathBuf,
    lock: Lock,
}

impl Writer {
    /// Opens the store in `folder`, making both where they are missing.
    ///
    /// # Errors
    /// Another process holds the folder, it cannot be used, or its file is of a later layout or damaged.
    pub fn open(folder: &Path) -> Result<Self, StoreError> {
        std::fs::create_dir_all(folder).map_err(|source| StoreError::Folder {
            folder: folder.to_owned(),
            source,
        })?;
        let lock = Lock::take(folder)?;
        let mut connection = Connection::open(folder.join(FILE))?;
        layout::prepare(&mut connection)?;
        beside::unpack(folder, &connection)?;
        let mut last = 0;
        for table in ["reading", "fresh", "note", "command", "clock"] {
            let query = format!("SELECT coalesce(max(seq), 0) FROM {table}");
            last = last.max(connection.query_row(&query, [], |row| row.get::<_, i64>(0))?);
        }
        let kinds: i64 = connection.query_row("SELECT count(*) FROM series", [], |row| row.get(0))?;
        Ok(Self {
            fresh: Fresh::load(&connection)?,
            connection,
            next: last + 1,
            series: BTreeMap::new(),
            kinds: usize::try_from(kinds).unwrap_or(usize::MAX),
            named: BTreeSet::new(),
            folder: folder.to_owned(),
            lock,
        })
    }

    /// Says beside the lock where this process can be asked, so that commands find it by its data folder.
    ///
    /// # Errors
    /// The lock's file cannot be written.
    pub fn serves(&mut self, address: SocketAddr) -> Result<(), StoreError> {
        self.lock.say(Some(address)).map_err(|source| StoreError::Folder {
            folder: self.folder.clone(),
            source,
        })
    }

    /// Sources that a batch names are always taken, however many there are.
    pub fn names(&mut self, sources: impl IntoIterator<Item = Source>) {
        self.named.extend(sources);
    }

    /// Stores readings in the order given. The answers stand in the same order.
    ///
    /// # Errors
    /// Nothing was stored, and nothing of it may be acknowledged.
    pub fn append_readings(
        &mut self,
        readings: &[Reading],
        received_at: Timestamp,
    ) -> Result<Vec<Appended>, StoreError> {
        let mut appended = Vec::with_capacity(readings.len());
        let transaction = self.connection.transaction()?;
        let mut found = Kinds::new();
        let mut kinds = self.kinds;
        let mut adding = Adding::new(&self.fresh, self.next);
        for reading in readings {
            let quantity = reading.measured.quantity();
            let value = reading.measured.stored_value();
            if !value.is_finite() {
                // SQLite would keep it as NULL.
                let what = format!("{quantity} of {}", reading.source);
                return Err(StoreError::NotFinite { what });
            }
            let of = |kinds: &Kinds| kinds.get(&reading.source)?.get(&quantity).copied();
            let series = match of(&self.series).or_else(|| of(&found)) {
                Some(series) => series,
                None => {
                    let key = (reading.source.clone(), quantity);
                    let series = match known_series(&transaction, &key)? {
                        Some(series) => series,
                        None if kinds >= MOST_SERIES && !self.named.contains(&key.0) => {
                            appended.push(Appended::TurnedAway);
                            continue;
                        }
                        None => {
                            kinds += 1;
                            new_series(&transaction, &key)?
                        }
                    };
                    found.entry(key.0).or_default().insert(quantity, series);
                    series
                }
            };
            let place = adding.take(&transaction, series, reading.at.as_microsecond(), value)?;
            appended.push(place.map_or(Appended::Duplicate, |place| Appended::New(Sequence(place))));
        }
        let added = adding.store(&transaction, received_at.as_microsecond())?;
        transaction.commit()?;
        self.next = added.next;
        self.fresh.take(added);
        for (source, own) in found {
            self.series.entry(source).or_default().extend(own);
        }
        self.kinds = kinds;
        Ok(appended)
    }

    /// Stores a note of a batch. The very same note again is one note, so that a file of notes may be handed in twice:
    /// the answer is its place. One that takes another back lets what was reckoned be forgotten.
    ///
    /// # Errors
    /// It was not stored.
    pub fn append_note(
        &mut self,
        batch: BatchId,
        note: &Note,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        if note.value.is_some_and(|value| !value.is_finite()) {
            let what = format!("the value of a {} note", note.kind);
            return Err(StoreError::NotFinite { what });
        }
        let body = encode(note)?;
        let known: Option<i64> = self
            .connection
            .prepare_cached("SELECT seq FROM note WHERE batch = ?1 AND body = ?2")?
            .query_row(params![batch.0, body], |row| row.get(0))
            .optional()?;
        match known {
            Some(sequence) => Ok(Sequence(sequence)),
            None if note.takes_back.is_some() => self.begin_anew(batch, note, received_at),
            None => self.append_body("note", batch, &body, received_at),
        }
    }

    /// Stores what a person did to an alert.
    ///
    /// # Errors
    /// It was not stored.
    pub fn append_command(
        &mut self,
        batch: BatchId,
        command: &Command,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        self.append_body("command", batch, &encode(command)?, received_at)
    }

    fn append_body(
        &mut self,
        table: &str,
        batch: BatchId,
        body: &str,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        let sequence = Sequence(self.next);
        self.connection.execute(
            &format!("INSERT INTO {table} (seq, batch, received_us, body) VALUES (?1, ?2, ?3, ?4)"),
            params![sequence.0, batch.0, received_at.as_microsecond(), body],
        )?;
        self.next += 1;
        Ok(sequence)
    }

    /// Stores that the clock stood at `at`, so that a restart lets the engines see the same ticks at the same places.
    ///
    /// # Errors
    /// It was not stored.
    pub fn append_clock(&mut self, at: Timestamp) -> Result<Sequence, StoreError> {
        let sequence = Sequence(self.next);
        self.connection
            .prepare_cached("INSERT INTO clock (seq, at_us) VALUES (?1, ?2)")?
            .execute(params![sequence.0, at.as_microsecond()])?;
        self.next += 1;
        Ok(sequence)
    }

    /// Adds a live batch: `text` is the batch file that `batch` was read from.
    ///
    /// # Errors
    /// A live batch has the same slug, or it was not stored.
    pub fn add_batch(&mut self, batch: &Batch, text: &str, at: Timestamp) -> Result<BatchId, StoreError> {
        let transaction = self.connection.transaction()?;
        let slug = batch.name.slug();
        let taken: bool = transaction.query_row(
            "SELECT EXISTS (SELECT 1 FROM batch WHERE slug = ?1 AND ended_us IS NULL)",
            [slug.as_str()],
            |row| row.get(0),
        )?;
        if taken {
            let name = batch.name.to_string();
            return Err(StoreError::NameTaken { name });
        }
        transaction.execute(
            "INSERT INTO batch (name, slug, text, added_us) VALUES (?1, ?2, ?3, ?4)",
            params![batch.name.as_str(), slug.as_str(), text, at.as_microsecond()],
        )?;
        let id = BatchId(transaction.last_insert_rowid());
        transaction.commit()?;
        self.names(batch.sensors.values().cloned());
        Ok(id)
    }

    /// Ends a live batch.
    ///
    /// # Errors
    /// No live batch has that name, or it was not stored.
    pub fn end_batch(&mut self, name: &str, at: Timestamp) -> Result<BatchId, StoreError> {
        let id = self
            .connection
            .query_row(
                "UPDATE batch SET ended_us = ?2 WHERE name = ?1 AND ended_us IS NULL RETURNING id",
                params![name, at.as_microsecond()],
                |row| row.get(0),
            )
            .optional()?;
        id.map(BatchId).ok_or_else(|| StoreError::NoSuchBatch {
            name: name.to_owned(),
        })
    }

    /// Corrects the entries of a live batch: they hold from here on, and did since the sealing, so what was reckoned with the others is forgotten; what
    /// was told stays told. Answers with the place of the note that says who did it.
    ///
    /// # Errors
    /// It is not live, or its entries are not those that were corrected; or nothing of it was stored.
    pub(crate) fn correct_batch(
        &mut self,
        id: BatchId,
        corrected: &Corrected,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        let name = || corrected.batch.name.to_string();
        let body = encode(&corrected.note)?;
        let sequence = Sequence(self.next);
        let transaction = self.connection.transaction()?;
        let live: Option<String> = transaction
            .query_row(
                "SELECT text FROM batch WHERE id = ?1 AND ended_us IS NULL",
                [id.0],
                |row| row.get(0),
            )
            .optional()?;
        match live {
            None => return Err(StoreError::NoSuchBatch { name: name() }),
            Some(text) if text != corrected.before => return Err(StoreError::Changed { name: name() }),
            Some(_) => {}
        }
        transaction.execute(
            "UPDATE batch SET text = ?2 WHERE id = ?1",
            params![id.0, corrected.text],
        )?;
        reckoned_anew(&transaction, id, (sequence, received_at, &body))?;
        transaction.commit()?;
        self.next += 1;
        self.names(corrected.batch.sensors.values().cloned());
        Ok(sequence)
    }

    /// As if the entries of a batch had been corrected, where something else than they says that its past was reckoned wrongly: `note` says what.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub(crate) fn begin_anew(
        &mut self,
        id: BatchId,
        note: &Note,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        let body = encode(note)?;
        let sequence = Sequence(self.next);
        let transaction = self.connection.transaction()?;
        reckoned_anew(&transaction, id, (sequence, received_at, &body))?;
        transaction.commit()?;
        self.next += 1;
        Ok(sequence)
    }

    /// Stores all that came of driving a batch. Answers with the alerts that were not there yet, in order.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn record(&mut self, outcome: &Outcome) -> Result<Vec<AlertRecord>, StoreError> {
        let transaction = self.connection.transaction()?;
        let batch = outcome.batch;
        let mut fresh = Vec::new();
        for alert in &outcome.alerts {
            if insert_alert(&transaction, batch, alert, outcome)? {
                fresh.push(alert.clone());
            }
        }
        for reminder in &outcome.reminders {
            outbox::put_reminder(&transaction, batch, reminder, outcome)?;
        }
        for forecast in &outcome.forecasts {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO forecast (batch, at_us, body) VALUES (?1, ?2, ?3)")?
                .execute(params![batch.0, forecast.at.as_microsecond(), encode(forecast)?])?;
        }
        for set_aside in &outcome.set_aside {
            count_set_aside(&transaction, batch, set_aside)?;
        }
        if let Some(snapshot) = &outcome.snapshot {
            put_snapshot(&transaction, batch, snapshot)?;
        }
        transaction.commit()?;
        Ok(fresh)
    }

    /// Stores the states of many batches together, as at a stop.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn keep_snapshots(&mut self, snapshots: &[(BatchId, Snapshot)]) -> Result<(), StoreError> {
        let transaction = self.connection.transaction()?;
        for (batch, snapshot) in snapshots {
            put_snapshot(&transaction, *batch, snapshot)?;
        }
        transaction.commit()?;
        Ok(())
    }

    /// Reads through the writing connection: sees the last commit, waits for nobody.
    #[must_use]
    pub fn reader(&self) -> Reader<'_> {
        Reader::new(&self.connection)
    }

    /// Moves the write-ahead log into the file and closes it.
    ///
    /// # Errors
    /// The file could not be closed in order; what was committed is safe all the same.
    pub fn close(mut self) -> Result<(), StoreError> {
        // Left where they are on a full or read-only disk, too.
        self.settle().ok();
        // It makes later questions faster, and is left on a full or read-only disk.
        self.connection.execute_batch("PRAGMA optimize").ok();
        self.connection
            .close()
            .map_err(|(_, error)| StoreError::from(error))
    }

    #[cfg(test)]
    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }
}

/// Forgets what was reckoned of a batch, and keeps the note that says why, as it is stored, at its place. What was told stays told.
fn reckoned_anew(
    transaction: &Transaction<'_>,
    batch: BatchId,
    (sequence, received_at, note): (Sequence, Timestamp, &str),
) -> Result<(), StoreError> {
    for table in ["snapshot", "forecast", "set_aside"] {
        transaction.execute(&format!("DELETE FROM {table} WHERE batch = ?1"), [batch.0])?;
    }
    transaction.execute(
        "INSERT INTO note (seq, batch, received_us, body) VALUES (?1, ?2, ?3, ?4)",
        params![sequence.0, batch.0, received_at.as_microsecond(), note],
    )?;
    Ok(())
}

fn series_id(transaction: &Transaction<'_>, key: &(Source, Quantity)) -> Result<i64, StoreError> {
    match known_series(transaction, key)? {
        Some(series) => Ok(series),
        None => new_series(transaction, key),
    }
}

fn known_series(
    transaction: &Transaction<'_>,
    (source, quantity): &(Source, Quantity),
) -> Result<Option<i64>, StoreError> {
    let mut query =
        transaction.prepare_cached("SELECT id FROM series WHERE source = ?1 AND quantity = ?2")?;
    let known = query.query_row(params![source.as_str(), quantity.name()], |row| row.get(0));
    Ok(known.optional()?)
}

fn new_series(
    transaction: &Transaction<'_>,
    (source, quantity): &(Source, Quantity),
) -> Result<i64, StoreError> {
    transaction
        .prepare_cached("INSERT INTO series (source, quantity) VALUES (?1, ?2)")?
        .execute(params![source.as_str(), quantity.name()])?;
    Ok(transaction.last_insert_rowid())
}

fn insert_alert(
    transaction: &Transaction<'_>,
    batch: BatchId,
    alert: &AlertRecord,
    outcome: &Outcome,
) -> Result<bool, StoreError> {
    let inserted = transaction
        .prepare_cached(
            "INSERT INTO alert (batch, alert, state, at_us, source, quantity, body)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            batch.0,
            alert.alert.name(),
            name_of(&alert.state)?,
            alert.at.as_microsecond(),
            alert.source.as_ref().map_or("", Source::as_str),
            alert.quantity.map_or("", Quantity::name),
            encode(alert)?,
        ])?;
    if inserted == 0 {
        return Ok(false);
    }
    outbox::put_alert(transaction, transaction.last_insert_rowid(), alert, outcome)?;
    Ok(true)
}

fn put_snapshot(
    transaction: &Transaction<'_>,
    batch: BatchId,
    snapshot: &Snapshot,
) -> Result<(), StoreError> {
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO snapshot (batch, seq, taken_us, body) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![
            batch.0,
            snapshot.sequence.0,
            snapshot.taken_at.as_microsecond(),
            snapshot.body
        ])?;
    Ok(())
}

fn count_set_aside(
    transaction: &Transaction<'_>,
    batch: BatchId,
    set_aside: &SetAside,
) -> Result<(), StoreError> {
    let reading = &set_aside.reading;
    let series = series_id(
        transaction,
        &(reading.source.clone(), reading.measured.quantity()),
    )?;
    transaction
        .prepare_cached(
            "INSERT INTO set_aside (batch, series, reason, count, last_us) VALUES (?1, ?2, ?3, 1, ?4)
             ON CONFLICT DO UPDATE SET count = count + 1, last_us = max(last_us, excluded.last_us)",
        )?
        .execute(params![
            batch.0,
            series,
            name_of(&set_aside.reason)?,
            reading.at.as_microsecond()
        ])?;
    Ok(())
}
