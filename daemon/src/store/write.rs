//! Writing: one connection, one thread, whole transactions; what has a place in the one order.

use std::{
    collections::{BTreeMap, BTreeSet},
    net::SocketAddr,
    path::{Path, PathBuf},
};

use fobwatch_core::{
    engine::Command,
    note::Note,
    reading::{Quantity, Reading, Source},
};
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};

use super::{
    Appended, BatchId, FILE, Reader, Sequence, StoreError, beside,
    fresh::{Adding, Fresh},
    lock::Lock,
    migration,
    series::{known_series, new_series},
    text::encode,
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
    pub(super) next: i64,
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
        migration::prepare(&mut connection)?;
        beside::unpack(folder, &connection)?;
        let mut last = 0;
        for (table, place) in [
            ("arrival", "last"),
            ("fresh", "seq"),
            ("note", "seq"),
            ("command", "seq"),
            ("clock", "seq"),
        ] {
            let query = format!("SELECT coalesce(max({place}), 0) FROM {table}");
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
        let mut adding = Adding::new(&self.fresh, self.next, received_at.as_microsecond());
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
                    let source = &reading.source;
                    let series = match known_series(&transaction, source, quantity)? {
                        Some(series) => series,
                        None if kinds >= MOST_SERIES && !self.named.contains(source) => {
                            appended.push(Appended::TurnedAway);
                            continue;
                        }
                        None => {
                            kinds += 1;
                            new_series(&transaction, source, quantity)?
                        }
                    };
                    found.entry(source.clone()).or_default().insert(quantity, series);
                    series
                }
            };
            let place = adding.take(&transaction, series, reading.at.as_microsecond(), value)?;
            appended.push(place.map_or(Appended::Duplicate, |place| Appended::New(Sequence(place))));
        }
        let added = adding.store(&transaction)?;
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
