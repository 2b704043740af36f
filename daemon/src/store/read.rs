//! Reading: ranges of a sensor, events in order, batches, forecasts, alerts, the outbox.

use std::{collections::BTreeMap, path::Path};

use fobwatch_core::{
    alert::AlertRecord,
    batch::{BatchName, Slug},
    forecast::Forecast,
    note::{Note, counting},
    reading::{Measured, Quantity, Reading, Source},
};
use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};

use super::{
    BatchId, FILE, Sequence, Series, SetAsideCount, Snapshot, StoreError, StoredBatch, StoredEvent,
    StoredWhat, layout,
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

    /// The last place in the order that is taken; 0 when nothing was stored.
    ///
    /// # Errors
    /// The database failed.
    pub fn last_sequence(&self) -> Result<Sequence, StoreError> {
        let fresh = match self.has_fresh()? {
            true => "SELECT max(seq) FROM fresh",
            false => "0",
        };
        // In one statement: what is settled meanwhile is in one of the two tables.
        let query = format!(
            "SELECT max(
                 coalesce((SELECT max(seq) FROM reading), 0), coalesce(({fresh}), 0), coalesce((SELECT max(seq) FROM note), 0),
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
        // Few of the sensors are in so few rows: a store may know tens of thousands.
        let mut sensors: BTreeMap<i64, (Source, Quantity)> = BTreeMap::new();
        let mut named = self
            .connection
            .prepare_cached("SELECT source, quantity FROM series WHERE id = ?1")?;
        let settled = "SELECT seq, series, at_us, value, received_us FROM reading INDEXED BY reading_by_seq WHERE seq > ?1";
        let fresh = match self.has_fresh()? {
            true => "UNION ALL SELECT seq, series, at_us, value, received_us FROM fresh WHERE seq > ?1",
            false => "",
        };
        let mut query = self
            .connection
            .prepare_cached(&format!("{settled} {fresh} ORDER BY seq LIMIT ?2"))?;
        let rows = query.query_map(params![after.0, limit], |row| {
            let series: i64 = row.get(1)?;
            let (source, quantity) = match sensors.get(&series) {
                Some(sensor) => sensor.clone(),
                None => {
                    let found = named.query_row([series], |row| Ok((source(row, 0)?, quantity(row, 1)?)))?;
                    sensors.insert(series, found.clone());
                    found
                }
            };
            Ok(StoredEvent {
                sequence: Sequence(row.get(0)?),
                received_at: time(row, 4)?,
                what: StoredWhat::Reading(Reading {
                    at: time(row, 2)?,
                    source,
                    measured: measured(row, 3, quantity)?,
                }),
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
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
            let found: Option<i64> = self
                .connection
                .prepare_cached("SELECT min(seq) FROM reading WHERE series = ?1 AND at_us >= ?2")?
                .query_row(params![series, since.as_microsecond()], |row| row.get(0))?;
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

    /// Where the past of a batch was last made another one, by other entries or a note that was taken back; `None`: never.
    ///
    /// # Errors
    /// The database failed.
    pub fn corrected(&self, batch: BatchId) -> Result<Option<Sequence>, StoreError> {
        let place: Option<i64> = self
            .connection
            .prepare_cached(
                "SELECT max(seq) FROM note WHERE batch = ?1 AND json_extract(body, '$.kind') IN ('corrected', 'taken_back')",
            )?
            .query_row([batch.0], |row| row.get(0))?;
        Ok(place.map(Sequence))
    }

    /// Readings of one sensor measured from `from` to before `until`, by time.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn readings(
        &self,
        source: &Source,
        quantity: Quantity,
        from: Timestamp,
        until: Timestamp,
    ) -> Result<Vec<Reading>, StoreError> {
        let mut readings = Vec::new();
        self.each_value(source, quantity, from, until, |at_us, measured| {
            let at = Timestamp::from_microsecond(at_us).map_err(unreadable)?;
            readings.push(Reading {
                at,
                source: source.clone(),
                measured,
            });
            Ok(())
        })?;
        Ok(readings)
    }

    /// Whether a sensor measured anything at or after `from`, as far as single readings are kept.
    ///
    /// # Errors
    /// The database failed.
    pub fn heard_since(
        &self,
        source: &Source,
        quantity: Quantity,
        from: Timestamp,
    ) -> Result<bool, StoreError> {
        let Some(series) = self.series_of(source.as_str(), quantity.name())? else {
            return Ok(false);
        };
        let settled = "EXISTS (SELECT 1 FROM reading WHERE series = ?1 AND at_us >= ?2)";
        let fresh = match self.has_fresh()? {
            true => "OR EXISTS (SELECT 1 FROM fresh WHERE series = ?1 AND at_us >= ?2)",
            false => "",
        };
        Ok(self
            .connection
            .prepare_cached(&format!("SELECT {settled} {fresh}"))?
            .query_row(params![series, from.as_microsecond()], |row| row.get(0))?)
    }

    /// The batch of that name that was added last, here or elsewhere.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub(crate) fn last_named(&self, name: &BatchName) -> Result<Option<StoredBatch>, StoreError> {
        let mut found =
            self.batches_by("WHERE name = ?1 ORDER BY id DESC LIMIT 1", params![name.as_str()])?;
        Ok(found.pop())
    }

    fn each_value(
        &self,
        source: &Source,
        quantity: Quantity,
        from: Timestamp,
        until: Timestamp,
        mut take: impl FnMut(i64, Measured) -> rusqlite::Result<()>,
    ) -> Result<(), StoreError> {
        let stretch = "WHERE series = ?1 AND at_us >= ?2 AND at_us < ?3";
        let fresh = match self.has_fresh()? {
            true => format!("UNION ALL SELECT at_us, value FROM fresh {stretch}"),
            false => String::new(),
        };
        let Some(series) = self.series_of(source.as_str(), quantity.name())? else {
            return Ok(());
        };
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT at_us, value FROM reading {stretch} {fresh} ORDER BY at_us"
        ))?;
        let mut rows = query.query(params![series, from.as_microsecond(), until.as_microsecond()])?;
        while let Some(row) = rows.next()? {
            take(row.get(0)?, measured(row, 1, quantity)?)?;
        }
        Ok(())
    }

    /// All sensors that have sent a reading, with their first and last.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn series(&self) -> Result<Vec<Series>, StoreError> {
        self.at_one_moment(Self::all_series)
    }

    fn all_series(&self) -> Result<Vec<Series>, StoreError> {
        let mut all = Vec::new();
        // The first may be kept as a rollup only.
        let first = if self.has_rollups()? {
            "SELECT first_us FROM rollup WHERE rollup.series = ?1 ORDER BY rollup.at_us LIMIT 1"
        } else {
            "SELECT min(at_us) FROM reading WHERE series = ?1"
        };
        let mut ends = self.connection.prepare_cached(&format!(
            "SELECT ({first}), at_us, value FROM reading WHERE series = ?1 ORDER BY at_us DESC LIMIT 1"
        ))?;
        let mut fresh = self.fresh_ends()?;
        for (id, (source, quantity)) in self.sensors()? {
            let settled: Option<(i64, (i64, f64))> = ends
                .query_row([id], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?))))
                .optional()?;
            let (first, last) = match (settled, fresh.remove(&id)) {
                (None, None) => continue,
                (Some(settled), None) => settled,
                (None, Some(((first, _), last))) => (first, last),
                (Some((first, last)), Some(((fresh, _), newest))) => {
                    (first.min(fresh), if newest.0 > last.0 { newest } else { last })
                }
            };
            all.push(Series {
                first_at: Timestamp::from_microsecond(first).map_err(unreadable)?,
                last_at: Timestamp::from_microsecond(last.0).map_err(unreadable)?,
                last: Measured::new(quantity, last.1, quantity.stored_unit()).map_err(unreadable)?,
                source,
                quantity,
            });
        }
        Ok(all)
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

    fn sensors(&self) -> Result<BTreeMap<i64, (Source, Quantity)>, StoreError> {
        let mut query = self
            .connection
            .prepare_cached("SELECT id, source, quantity FROM series")?;
        let rows = query.query_map([], |row| Ok((row.get(0)?, (source(row, 1)?, quantity(row, 2)?))))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// All batches that were added here, in the order in which they were added.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn batches(&self) -> Result<Vec<StoredBatch>, StoreError> {
        match self.layout()? >= layout::WITH_ELSEWHERE {
            true => self.batches_where("elsewhere IS NULL"),
            false => self.batches_where("true"),
        }
    }

    /// Batches that other fobwatch of the site watch, as far as they told of them.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn batches_elsewhere(&self) -> Result<Vec<StoredBatch>, StoreError> {
        match self.layout()? >= layout::WITH_ELSEWHERE {
            true => self.batches_where("elsewhere IS NOT NULL"),
            false => Ok(Vec::new()),
        }
    }

    fn batches_where(&self, which: &str) -> Result<Vec<StoredBatch>, StoreError> {
        self.batches_by(&format!("WHERE {which} ORDER BY id"), params![])
    }

    fn batches_by(&self, which: &str, values: impl rusqlite::Params) -> Result<Vec<StoredBatch>, StoreError> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT id, name, text, added_us, ended_us FROM batch {which}"
        ))?;
        let rows = query.query_map(values, |row| {
            let name = BatchName::new(&row.get::<_, String>(1)?).map_err(unreadable)?;
            let slug: Slug = name.slug();
            let ended: Option<i64> = row.get(4)?;
            Ok(StoredBatch {
                id: BatchId(row.get(0)?),
                name,
                slug,
                text: row.get(2)?,
                added_at: time(row, 3)?,
                ended_at: ended
                    .map(Timestamp::from_microsecond)
                    .transpose()
                    .map_err(unreadable)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Whether any batch has ended.
    ///
    /// # Errors
    /// The database failed.
    pub fn any_has_ended(&self) -> Result<bool, StoreError> {
        // Ids are never given anew, and the live ones have an index: ten thousand batches are not looked at one by one.
        let query =
            "SELECT coalesce(max(id), 0) > (SELECT count(*) FROM batch WHERE ended_us IS NULL) FROM batch";
        Ok(self
            .connection
            .prepare_cached(query)?
            .query_row([], |row| row.get(0))?)
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

    /// All transitions of alerts of a batch, in the order in which they were stored.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn alerts(&self, batch: BatchId) -> Result<Vec<AlertRecord>, StoreError> {
        self.bodies("SELECT body FROM alert WHERE batch = ?1 ORDER BY id", batch)
    }

    /// The last transition of each alert of a batch (of each sensor, for sensor alerts), the latest stored last.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn last_alerts(&self, batch: BatchId) -> Result<Vec<AlertRecord>, StoreError> {
        let query = "SELECT body FROM alert WHERE id IN
                     (SELECT max(id) FROM alert WHERE batch = ?1 GROUP BY alert, source, quantity) ORDER BY id";
        self.bodies(query, batch)
    }

    /// Forecasts of a batch on the grid, by time.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn forecasts(&self, batch: BatchId) -> Result<Vec<Forecast>, StoreError> {
        self.bodies("SELECT body FROM forecast WHERE batch = ?1 ORDER BY at_us", batch)
    }

    /// The latest forecast of a batch on the grid.
    ///
    /// # Errors
    /// The database failed, or the row does not read back.
    pub fn last_forecast(&self, batch: BatchId) -> Result<Option<Forecast>, StoreError> {
        let query = "SELECT body FROM forecast WHERE batch = ?1 ORDER BY at_us DESC LIMIT 1";
        Ok(self.bodies(query, batch)?.pop())
    }

    fn bodies<T: serde::de::DeserializeOwned>(
        &self,
        query: &str,
        batch: BatchId,
    ) -> Result<Vec<T>, StoreError> {
        let mut query = self.connection.prepare_cached(query)?;
        let rows = query.query_map([batch.0], |row| decode(&row.get::<_, String>(0)?))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The stored state of a batch's engine.
    ///
    /// # Errors
    /// The database failed.
    pub fn snapshot(&self, batch: BatchId) -> Result<Option<Snapshot>, StoreError> {
        let mut query = self
            .connection
            .prepare_cached("SELECT seq, taken_us, body FROM snapshot WHERE batch = ?1")?;
        let found = query
            .query_row([batch.0], |row| {
                Ok(Snapshot {
                    sequence: Sequence(row.get(0)?),
                    taken_at: time(row, 1)?,
                    body: row.get(2)?,
                })
            })
            .optional()?;
        Ok(found)
    }

    /// How many readings a batch did not use, by sensor and reason.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn set_aside(&self, batch: BatchId) -> Result<Vec<SetAsideCount>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT source, quantity, reason, count, last_us FROM set_aside JOIN series ON series = id
             WHERE batch = ?1 ORDER BY source, quantity, reason",
        )?;
        let rows = query.query_map([batch.0], |row| {
            Ok(SetAsideCount {
                source: source(row, 0)?,
                quantity: quantity(row, 1)?,
                reason: row.get(2)?,
                count: row.get::<_, i64>(3)?.unsigned_abs(),
                last_at: time(row, 4)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

pub(super) fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    Timestamp::from_microsecond(row.get(column)?).map_err(unreadable)
}

fn source(row: &Row<'_>, column: usize) -> rusqlite::Result<Source> {
    Source::new(&row.get::<_, String>(column)?).map_err(unreadable)
}

fn quantity(row: &Row<'_>, column: usize) -> rusqlite::Result<Quantity> {
    row.get::<_, String>(column)?.parse().map_err(unreadable)
}

fn measured(row: &Row<'_>, column: usize, quantity: Quantity) -> rusqlite::Result<Measured> {
    Measured::new(quantity, row.get(column)?, quantity.stored_unit()).map_err(unreadable)
}
