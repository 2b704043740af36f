//! Readings as they came, in their order, until many together are taken to their places by sensor and time.
//!
//! In `stretch` and `rollup` every sensor has rows of its own. Stored there at once, each reading would write two of their pages, twice: into the
//! write-ahead log and into the file. Here a commit writes the last page alone, however many sensors speak, and is as durable. Many readings of
//! few sensors in one transaction, as of an import, fill the pages that they touch and go there at once.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, Transaction, params};

use super::{
    Reader, StoreError, Writer,
    arrival::{Arrival, Arrived, Storing},
    layout,
    rollup::Rolls,
    stretch::{self, Entry, Known, Rows},
};

/// So many are taken to their places together. A look at one sensor goes over all that are not, so there may not be too many.
pub(super) const SETTLE_AT: usize = 4_000;

/// So many new readings in one transaction, and so many of each of its sensors, go straight to their places: they fill the pages that they touch, so
/// that to wait for others would spare the disk nothing.
pub(super) const STRAIGHT_FROM: usize = 100;
pub(super) const STRAIGHT_OF_EACH: usize = 32;

/// What the writer knows of readings that have no place by time yet.
#[derive(Debug, Default)]
pub(super) struct Fresh {
    count: usize,
    sensors: BTreeMap<i64, Times>,
}

/// When readings of one sensor were measured that have no place yet.
#[derive(Debug, Default)]
struct Times {
    /// Those that were the newest when they came, so they ascend.
    in_order: Vec<i64>,
    late: BTreeSet<i64>,
    /// The newest of all, settled or not: what is newer is no duplicate. `None`: nobody has looked yet.
    newest: Option<i64>,
}

impl Times {
    fn has(&self, at_us: i64) -> bool {
        self.in_order.binary_search(&at_us).is_ok() || self.late.contains(&at_us)
    }

    fn last(&self) -> Option<i64> {
        self.in_order.last().copied().max(self.late.last().copied())
    }

    fn count(&self) -> usize {
        self.in_order.len() + self.late.len()
    }

    fn take(&mut self, at_us: i64) {
        match self.in_order.last() {
            Some(last) if *last >= at_us => {
                self.late.insert(at_us);
            }
            _ => self.in_order.push(at_us),
        }
    }
}

impl Fresh {
    pub(super) fn load(connection: &Connection) -> Result<Self, StoreError> {
        let mut fresh = Self::default();
        let mut query = connection.prepare("SELECT series, at_us FROM fresh ORDER BY seq")?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            fresh.sensors.entry(row.get(0)?).or_default().take(row.get(1)?);
            fresh.count += 1;
        }
        Ok(fresh)
    }

    fn are_settled(&mut self) {
        self.count = 0;
        for times in self.sensors.values_mut() {
            times.in_order.clear();
            times.late.clear();
        }
    }
}

/// A new reading.
#[derive(Clone, Copy, Debug)]
struct Row {
    series: i64,
    entry: Entry,
}

impl Row {
    fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            series: row.get(1)?,
            entry: Entry {
                place: row.get(0)?,
                at_us: row.get(2)?,
                value: row.get(3)?,
                received_us: row.get(4)?,
            },
        })
    }
}

/// What one transaction adds.
#[derive(Debug)]
pub(super) struct Adding<'f> {
    known: &'f Fresh,
    sensors: BTreeMap<i64, Times>,
    settled: Known,
    rows: Vec<Row>,
    next: i64,
    received_us: i64,
}

/// What was added, for when it is committed.
#[derive(Debug)]
pub(super) struct Added {
    sensors: BTreeMap<i64, Times>,
    /// All have their places.
    settled: bool,
    /// The next place in the order.
    pub(super) next: i64,
}

impl<'f> Adding<'f> {
    /// The first new one takes the place `next` in the order; all arrived at one moment.
    pub(super) fn new(known: &'f Fresh, next: i64, received_us: i64) -> Self {
        Self {
            known,
            sensors: BTreeMap::new(),
            settled: Known::default(),
            rows: Vec::new(),
            next,
            received_us,
        }
    }

    /// Takes a reading, if the sensor has none of that time yet; its place in the order.
    pub(super) fn take(
        &mut self,
        transaction: &Transaction<'_>,
        series: i64,
        at_us: i64,
        value: f64,
    ) -> Result<Option<i64>, StoreError> {
        let known = self.known.sensors.get(&series);
        let times = self.sensors.entry(series).or_default();
        let newest = match times.newest.or(known.and_then(|known| known.newest)) {
            Some(newest) => newest,
            None => {
                let settled = stretch::newest(transaction, series)?;
                known.and_then(Times::last).max(settled).unwrap_or(i64::MIN)
            }
        };
        times.newest = Some(newest.max(at_us));
        if at_us <= newest
            && (times.has(at_us)
                || known.is_some_and(|known| known.has(at_us))
                || self.settled.has(transaction, series, at_us)?)
        {
            return Ok(None);
        }
        times.take(at_us);
        let place = self.next;
        self.next += 1;
        let received_us = self.received_us;
        let entry = Entry {
            at_us,
            place,
            received_us,
            value,
        };
        self.rows.push(Row { series, entry });
        Ok(Some(place))
    }

    /// Stores them: by sensor and time where they are many of each, else as they came until there are many.
    pub(super) fn store(self, transaction: &Transaction<'_>) -> Result<Added, StoreError> {
        let Self {
            known,
            sensors,
            rows,
            next,
            ..
        } = self;
        let spoke = sensors.values().filter(|times| times.count() > 0).count();
        let settled = if rows.len() >= STRAIGHT_FROM && rows.len() >= STRAIGHT_OF_EACH * spoke {
            // Those that came before keep their places before.
            if known.count > 0 {
                settle(transaction)?;
            }
            take_to_places(transaction, rows)?;
            true
        } else {
            insert(transaction, &rows)?;
            let many = known.count + rows.len() >= SETTLE_AT;
            if many {
                settle(transaction)?;
            }
            many
        };
        Ok(Added {
            sensors,
            settled,
            next,
        })
    }
}

impl Fresh {
    pub(super) fn take(&mut self, added: Added) {
        if added.settled {
            self.are_settled();
        }
        for (series, times) in added.sensors {
            let known = self.sensors.entry(series).or_default();
            known.newest = times.newest;
            if !added.settled {
                self.count += times.count();
                times.in_order.into_iter().for_each(|at_us| known.take(at_us));
                known.late.extend(times.late);
            }
        }
    }
}

/// Rows that one statement inserts, so that fewer are begun and ended.
const ROWS_AT_ONCE: usize = 50;

/// Puts rows into `fresh`, in the order given.
fn insert(transaction: &Transaction<'_>, rows: &[Row]) -> Result<(), StoreError> {
    let of_many = |count: usize| {
        format!(
            "INSERT INTO fresh (seq, series, at_us, value, received_us) VALUES {}",
            vec!["(?, ?, ?, ?, ?)"; count].join(", ")
        )
    };
    let whole = rows.chunks_exact(ROWS_AT_ONCE);
    let rest = whole.remainder();
    let bind_and_run = |rows: &[Row], statement: &str| -> Result<(), StoreError> {
        let mut statement = transaction.prepare_cached(statement)?;
        for (row, first) in rows.iter().zip((1..).step_by(5)) {
            statement.raw_bind_parameter(first, row.entry.place)?;
            statement.raw_bind_parameter(first + 1, row.series)?;
            statement.raw_bind_parameter(first + 2, row.entry.at_us)?;
            statement.raw_bind_parameter(first + 3, row.entry.value)?;
            statement.raw_bind_parameter(first + 4, row.entry.received_us)?;
        }
        statement.raw_execute()?;
        Ok(())
    };
    if rows.len() >= ROWS_AT_ONCE {
        let many = of_many(ROWS_AT_ONCE);
        for rows in whole {
            bind_and_run(rows, &many)?;
        }
    }
    let one = of_many(1);
    rest.iter()
        .try_for_each(|row| bind_and_run(std::slice::from_ref(row), &one))
}

/// Takes readings that come behind all that have a place there to the order of arrival, into their rollups and to their places by sensor and time.
fn take_to_places(transaction: &Transaction<'_>, mut rows: Vec<Row>) -> Result<(), StoreError> {
    let mut order = Storing::into(transaction, "arrival")?;
    for Row { series, entry } in &rows {
        order.take(Arrival {
            place: entry.place,
            series: *series,
            at_us: entry.at_us,
        })?;
    }
    order.store()?;
    rows.sort_unstable_by_key(|row| (row.series, row.entry.at_us));
    let mut rolls = Rolls::default();
    let mut places = Rows::of(transaction)?;
    let mut entries = Vec::new();
    for rows in rows.chunk_by(|one, other| one.series == other.series) {
        let Some(Row { series, .. }) = rows.first() else {
            continue;
        };
        entries.clear();
        entries.extend(rows.iter().map(|row| row.entry));
        for entry in &entries {
            rolls.take(transaction, *series, entry.at_us, entry.value)?;
        }
        // One that is there already must not keep all others from their places.
        places.add(*series, &entries)?;
    }
    rolls.store(transaction)
}

fn settle(transaction: &Transaction<'_>) -> Result<(), StoreError> {
    let rows = {
        let mut query = transaction
            .prepare_cached("SELECT seq, series, at_us, value, received_us FROM fresh ORDER BY seq")?;
        let rows = query.query_map([], Row::read)?;
        rows.collect::<Result<Vec<_>, _>>()?
    };
    take_to_places(transaction, rows)?;
    transaction.prepare_cached("DELETE FROM fresh")?.execute([])?;
    Ok(())
}

impl Writer {
    /// Takes the readings that came last to their places by sensor and time, as it is done by itself once they are many.
    ///
    /// # Errors
    /// They stay where they are, and are there all the same.
    pub fn settle(&mut self) -> Result<(), StoreError> {
        if self.fresh.count == 0 {
            return Ok(());
        }
        let transaction = self.connection.transaction()?;
        settle(&transaction)?;
        transaction.commit()?;
        self.fresh.are_settled();
        Ok(())
    }
}

/// A reading that has no place by time yet: when it was measured, and its value.
type Value = (i64, f64);

impl Reader<'_> {
    /// Hands at most `limit` of them behind `after` to `take`, in their order.
    pub(super) fn fresh_after(
        &self,
        after: i64,
        limit: u32,
        mut take: impl FnMut(Arrived) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        if limit == 0 || !self.has_fresh()? {
            return Ok(());
        }
        let mut query = self.connection.prepare_cached(
            "SELECT seq, series, at_us, value, received_us FROM fresh WHERE seq > ?1 ORDER BY seq LIMIT ?2",
        )?;
        let mut rows = query.query(params![after, limit])?;
        while let Some(row) = rows.next()? {
            let Row { series, entry } = Row::read(row)?;
            take(Arrived { series, entry })?;
        }
        Ok(())
    }

    /// Whether the file has them: one of an earlier layout that nobody wrote to since has none.
    pub(super) fn has_fresh(&self) -> Result<bool, StoreError> {
        Ok(self.layout()? >= layout::WITH_FRESH)
    }

    /// Those of one sensor from `from` to before `until`, in the order in which they came.
    pub(super) fn fresh_values(
        &self,
        series: Option<i64>,
        from: i64,
        until: i64,
    ) -> Result<Vec<Value>, StoreError> {
        let Some(series) = series.filter(|_| matches!(self.has_fresh(), Ok(true))) else {
            return Ok(Vec::new());
        };
        let mut query = self.connection.prepare_cached(
            "SELECT at_us, value FROM fresh WHERE series = ?1 AND at_us >= ?2 AND at_us < ?3 ORDER BY seq",
        )?;
        let rows = query.query_map(params![series, from, until], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Whether a sensor has some that were measured at or after `from`.
    pub(super) fn is_fresh_since(&self, series: i64, from: i64) -> Result<bool, StoreError> {
        if !self.has_fresh()? {
            return Ok(false);
        }
        let query = "SELECT 1 FROM fresh WHERE series = ?1 AND at_us >= ?2";
        Ok(self
            .connection
            .prepare_cached(query)?
            .exists(params![series, from])?)
    }

    /// The first of each sensor by time, and the last.
    pub(super) fn fresh_ends(&self) -> Result<BTreeMap<i64, (Value, Value)>, StoreError> {
        let mut ends: BTreeMap<i64, (Value, Value)> = BTreeMap::new();
        if !self.has_fresh()? {
            return Ok(ends);
        }
        let mut query = self
            .connection
            .prepare_cached("SELECT series, at_us, value FROM fresh")?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            let value: Value = (row.get(1)?, row.get(2)?);
            let (first, last) = ends.entry(row.get(0)?).or_insert((value, value));
            if value.0 < first.0 {
                *first = value;
            }
            if value.0 > last.0 {
                *last = value;
            }
        }
        Ok(ends)
    }
}
