//! Reading: connections that cannot write, and the events in their one order.

use std::{collections::BTreeMap, path::Path};

use fobwatch_core::{
    note::{Note, counting},
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, Row, params};

use super::{
    BatchId, FILE, Sequence, StoreError, StoredEvent, StoredWhat,
    arrival::Arrived,
    layout,
    text::{decode, unreadable},
};

/// Reads what is committed. Each method is one short read transaction, so that the write-ahead log can be folded in.
#[derive(Debug)]
pub struct Reader<'c> {
    pub(super) connection: &'c Connection,
}

/// Opens a connection that cannot write. It needs no lock, so it works beside a running daemon.
///
/// # Errors
/// There is no store in `folder`, or it is of a later layout or damaged.
pub(super) fn open_read_only(folder: &Path) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(folder.join(FILE), flags)?;
    connection.busy_timeout(std::time::Duration::from_secs(5))?;
    let found: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    let known = layout::latest();
    if found > known {
        return Err(StoreError::LaterLayout { found, known });
    }
    Ok(connection)
}

impl<'c> Reader<'c> {
    pub(super) fn new(connection: &'c Connection) -> Self {
        Self { connection }
    }

    /// Runs `look` on the store as it stands at one moment: what is settled meanwhile is neither missed nor found twice.
    pub(super) fn at_one_moment<T>(
        &self,
        look: impl FnOnce(&Self) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        if !self.connection.is_autocommit() {
            return look(self);
        }
        // Ended, without a change, when it is dropped.
        let _moment = self.connection.unchecked_transaction()?;
        look(self)
    }

    /// The last place in the order that is taken; 0 when nothing was stored.
    ///
    /// # Errors
    /// The database failed.
    pub fn last_sequence(&self) -> Result<Sequence, StoreError> {
        let fresh = match self.has_fresh()? {
            true => "SELECT max(seq) FROM fresh",
            false => "0",
        };
        let settled = self.last_settled()?;
        // In one statement: what is settled meanwhile is in one of the two tables.
        let query = format!(
            "SELECT max(
                 coalesce(({settled}), 0), coalesce(({fresh}), 0), coalesce((SELECT max(seq) FROM note), 0),
                 coalesce((SELECT max(seq) FROM command), 0), coalesce((SELECT max(seq) FROM clock), 0))"
        );
        let last = self
            .connection
            .prepare_cached(&query)?
            .query_row([], |row| row.get(0))?;
        Ok(Sequence(last))
    }

    /// At most `limit` events after `after`, in the order in which they were stored: readings of all sensors, notes and
    /// commands of all batches, ticks of the clock. An empty answer is the end.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn events_after(&self, after: Sequence, limit: u32) -> Result<Vec<StoredEvent>, StoreError> {
        self.at_one_moment(|reader| reader.all_events_after(after, limit))
    }

    fn all_events_after(&self, after: Sequence, limit: u32) -> Result<Vec<StoredEvent>, StoreError> {
        let mut events = self.readings_after(after, limit)?;
        self.bodies_after("note", after, limit, &mut events, |batch, body| {
            Ok(StoredWhat::Note(batch, decode::<Note>(body)?))
        })?;
        self.bodies_after("command", after, limit, &mut events, |batch, body| {
            Ok(StoredWhat::Command(batch, decode(body)?))
        })?;
        let mut clock = self
            .connection
            .prepare_cached("SELECT seq, at_us FROM clock WHERE seq > ?1 ORDER BY seq LIMIT ?2")?;
        let ticks = clock.query_map(params![after.0, limit], |row| {
            let at = time(row, 1)?;
            Ok(StoredEvent {
                sequence: Sequence(row.get(0)?),
                received_at: at,
                what: StoredWhat::Clock(at),
            })
        })?;
        for tick in ticks {
            events.push(tick?);
        }
        // Each kind gave its first `limit`, so the first `limit` of all are among them.
        events.sort_by_key(|event| event.sequence);
        events.truncate(usize::try_from(limit).unwrap_or(usize::MAX));
        Ok(events)
    }

    /// At most `limit` readings after `after`, in the order in which they arrived; an empty answer is the end.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn readings_after(&self, after: Sequence, limit: u32) -> Result<Vec<StoredEvent>, StoreError> {
        self.at_one_moment(|reader| reader.next_readings(after, limit))
    }

    fn next_readings(&self, after: Sequence, limit: u32) -> Result<Vec<StoredEvent>, StoreError> {
        // Few of the sensors are in so few rows: a store may know tens of thousands.
        let mut sensors: BTreeMap<i64, (Source, Quantity)> = BTreeMap::new();
        let mut named = self
            .connection
            .prepare_cached("SELECT source, quantity FROM series WHERE id = ?1")?;
        let mut readings = Vec::new();
        let mut take = |arrived: Arrived| {
            let Arrived { series, entry } = arrived;
            let (source, quantity) = match sensors.get(&series) {
                Some(sensor) => sensor.clone(),
                None => {
                    let found = named.query_row([series], |row| Ok((source(row, 0)?, quantity(row, 1)?)))?;
                    sensors.insert(series, found.clone());
                    found
                }
            };
            readings.push(StoredEvent {
                sequence: Sequence(entry.place),
                received_at: moment(entry.received_us)?,
                what: StoredWhat::Reading(Reading {
                    at: moment(entry.at_us)?,
                    source,
                    measured: measured(entry.value, quantity)?,
                }),
            });
            Ok(())
        };
        // All that are fresh came behind all that are not.
        let left = self.settled_after(after.0, limit, &mut take)?;
        self.fresh_after(after.0, left, &mut take)?;
        Ok(readings)
    }

    fn bodies_after(
        &self,
        table: &str,
        after: Sequence,
        limit: u32,
        events: &mut Vec<StoredEvent>,
        read: impl Fn(BatchId, &str) -> rusqlite::Result<StoredWhat>,
    ) -> Result<(), StoreError> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT seq, batch, received_us, body FROM {table} WHERE seq > ?1 ORDER BY seq LIMIT ?2"
        ))?;
        let rows = query.query_map(params![after.0, limit], |row| {
            let body: String = row.get(3)?;
            Ok(StoredEvent {
                sequence: Sequence(row.get(0)?),
                received_at: time(row, 2)?,
                what: read(BatchId(row.get(1)?), &body)?,
            })
        })?;
        for event in rows {
            events.push(event?);
        }
        Ok(())
    }

    /// Where a batch sealed at `since` has to begin when it is added late: all readings measured at or after `since`, and
    /// all notes and commands of the batch, come after this place. The last place taken, when there is none.
    ///
    /// # Errors
    /// The database failed.
    pub fn sequence_before(&self, batch: BatchId, since: Timestamp) -> Result<Sequence, StoreError> {
        self.at_one_moment(|reader| reader.place_before(batch, since))
    }

    fn place_before(&self, batch: BatchId, since: Timestamp) -> Result<Sequence, StoreError> {
        let mut first = self.last_sequence()?.0 + 1;
        for table in ["note", "command"] {
            let query = format!("SELECT min(seq) FROM {table} WHERE batch = ?1");
            let found: Option<i64> = self
                .connection
                .prepare_cached(&query)?
                .query_row([batch.0], |row| row.get(0))?;
            first = found.map_or(first, |found| first.min(found));
        }
        for series in self.sensors()?.keys() {
            let found = self.first_settled_since(*series, since.as_microsecond())?;
            first = found.map_or(first, |found| first.min(found));
        }
        if self.has_fresh()? {
            let found: Option<i64> = self
                .connection
                .prepare_cached("SELECT min(seq) FROM fresh WHERE at_us >= ?1")?
                .query_row([since.as_microsecond()], |row| row.get(0))?;
            first = found.map_or(first, |found| first.min(found));
        }
        Ok(Sequence(first - 1))
    }

    /// Whether the file has rollups: one of an earlier layout that nobody wrote to since has none.
    pub(super) fn has_rollups(&self) -> Result<bool, StoreError> {
        Ok(self.layout()? >= layout::WITH_ROLLUPS)
    }

    pub(super) fn layout(&self) -> Result<i64, StoreError> {
        Ok(self
            .connection
            .pragma_query_value(None, "user_version", |row| row.get(0))?)
    }

    /// Notes of a batch that count, in the order in which they arrived.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn notes(&self, batch: BatchId) -> Result<Vec<Note>, StoreError> {
        self.all_notes(batch).map(counting)
    }

    /// The same with those that were taken back, and the words that did it.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn all_notes(&self, batch: BatchId) -> Result<Vec<Note>, StoreError> {
        self.bodies("SELECT body FROM note WHERE batch = ?1 ORDER BY seq", batch)
    }

    /// Notes of a batch that count as never said.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn taken_back(&self, batch: BatchId) -> Result<Vec<Note>, StoreError> {
        let query = "SELECT body FROM note WHERE batch = ?1 AND json_extract(body, '$.kind') = 'taken_back' ORDER BY seq";
        let said: Vec<Note> = self.bodies(query, batch)?;
        Ok(said
            .into_iter()
            .filter_map(|note| note.takes_back)
            .map(|note| *note)
            .collect())
    }

    pub(super) fn bodies<T: serde::de::DeserializeOwned>(
        &self,
        query: &str,
        batch: BatchId,
    ) -> Result<Vec<T>, StoreError> {
        let mut query = self.connection.prepare_cached(query)?;
        let rows = query.query_map([batch.0], |row| decode(&row.get::<_, String>(0)?))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

pub(super) fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    moment(row.get(column)?)
}

fn moment(at_us: i64) -> rusqlite::Result<Timestamp> {
    Timestamp::from_microsecond(at_us).map_err(unreadable)
}

pub(super) fn source(row: &Row<'_>, column: usize) -> rusqlite::Result<Source> {
    Source::new(&row.get::<_, String>(column)?).map_err(unreadable)
}

pub(super) fn quantity(row: &Row<'_>, column: usize) -> rusqlite::Result<Quantity> {
    row.get::<_, String>(column)?.parse().map_err(unreadable)
}

pub(super) fn measured(value: f64, quantity: Quantity) -> rusqlite::Result<Measured> {
    Measured::new(quantity, value, quantity.stored_unit()).map_err(unreadable)
}
