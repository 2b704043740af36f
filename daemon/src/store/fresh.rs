//! Readings as they came, in their order, until many together are taken to their places by sensor and time.
//!
//! In `reading` and `rollup` every sensor has pages of its own. Stored there at once, each reading would write three of them, twice: into the
//! write-ahead log and into the file. Here a commit writes the last page alone, however many sensors speak, and is as durable.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::{Reader, StoreError, Writer, layout, rollup::Rolls};

/// So many are taken to their places together. A look at one sensor goes over all that are not, so there may not be too many.
pub(super) const SETTLE_AT: usize = 4_000;

/// What the writer knows of readings that have no place by time yet.
#[derive(Debug, Default)]
pub(super) struct Fresh {
    keys: BTreeSet<(i64, i64)>,
    /// When the newest of a sensor was measured, settled or not: what is newer is no duplicate.
    newest: BTreeMap<i64, i64>,
}

impl Fresh {
    pub(super) fn load(connection: &Connection) -> Result<Self, StoreError> {
        let mut query = connection.prepare("SELECT series, at_us FROM fresh")?;
        let rows = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(Self {
            keys: rows.collect::<Result<_, _>>()?,
            newest: BTreeMap::new(),
        })
    }
}

/// What one transaction adds.
#[derive(Debug)]
pub(super) struct Adding<'f> {
    known: &'f Fresh,
    keys: BTreeSet<(i64, i64)>,
    newest: BTreeMap<i64, i64>,
}

/// What was added, for when it is committed.
#[derive(Debug)]
pub(super) struct Added {
    keys: BTreeSet<(i64, i64)>,
    newest: BTreeMap<i64, i64>,
    settled: bool,
}

impl<'f> Adding<'f> {
    pub(super) fn new(known: &'f Fresh) -> Self {
        Self {
            known,
            keys: BTreeSet::new(),
            newest: BTreeMap::new(),
        }
    }

    /// Whether the sensor has no reading of that time yet; it has one then.
    pub(super) fn is_new(
        &mut self,
        transaction: &Transaction<'_>,
        series: i64,
        at_us: i64,
    ) -> Result<bool, StoreError> {
        let newest = match self
            .newest
            .get(&series)
            .or_else(|| self.known.newest.get(&series))
        {
            Some(newest) => *newest,
            None => newest(transaction, series)?,
        };
        let key = (series, at_us);
        if at_us <= newest
            && (self.keys.contains(&key)
                || self.known.keys.contains(&key)
                || transaction
                    .prepare_cached("SELECT 1 FROM reading WHERE series = ?1 AND at_us = ?2")?
                    .exists(params![series, at_us])?)
        {
            return Ok(false);
        }
        self.newest.insert(series, newest.max(at_us));
        self.keys.insert(key);
        Ok(true)
    }

    /// Takes all to their places if they are many.
    pub(super) fn finish(self, transaction: &Transaction<'_>) -> Result<Added, StoreError> {
        let settled = self.known.keys.len() + self.keys.len() >= SETTLE_AT;
        if settled {
            settle(transaction)?;
        }
        Ok(Added {
            keys: self.keys,
            newest: self.newest,
            settled,
        })
    }
}

impl Fresh {
    pub(super) fn take(&mut self, added: Added) {
        let Added {
            keys,
            newest,
            settled,
        } = added;
        self.newest.extend(newest);
        if settled {
            self.keys.clear();
        } else {
            // Not `append`, which makes the whole set anew.
            self.keys.extend(keys);
        }
    }
}

/// When the newest reading of a sensor was measured; before all times, where it has none.
fn newest(connection: &Connection, series: i64) -> Result<i64, StoreError> {
    let settled: Option<i64> = connection
        .prepare_cached("SELECT max(at_us) FROM reading WHERE series = ?1")?
        .query_row([series], |row| row.get(0))?;
    let fresh: Option<i64> = connection
        .prepare_cached("SELECT max(at_us) FROM fresh WHERE series = ?1")?
        .query_row([series], |row| row.get(0))?;
    Ok(settled.max(fresh).unwrap_or(i64::MIN))
}

fn settle(transaction: &Transaction<'_>) -> Result<(), StoreError> {
    let mut rolls = Rolls::default();
    {
        let mut query = transaction.prepare_cached("SELECT series, at_us, value FROM fresh ORDER BY seq")?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            rolls.take(transaction, row.get(0)?, row.get(1)?, row.get(2)?)?;
        }
    }
    rolls.store(transaction)?;
    transaction
        .prepare_cached(
            "INSERT OR IGNORE INTO reading (series, at_us, value, seq, received_us)
             SELECT series, at_us, value, seq, received_us FROM fresh ORDER BY series, at_us",
        )?
        .execute([])?;
    transaction.prepare_cached("DELETE FROM fresh")?.execute([])?;
    Ok(())
}

impl Writer {
    /// Takes the readings that came last to their places by sensor and time, as it is done by itself once they are many.
    ///
    /// # Errors
    /// They stay where they are, and are there all the same.
    pub fn settle(&mut self) -> Result<(), StoreError> {
        if self.fresh.keys.is_empty() {
            return Ok(());
        }
        let transaction = self.connection.transaction()?;
        settle(&transaction)?;
        transaction.commit()?;
        self.fresh.keys.clear();
        Ok(())
    }
}

/// A reading that has no place by time yet: when it was measured, and its value.
type Value = (i64, f64);

impl Reader<'_> {
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

    pub(super) fn series_of(&self, source: &str, quantity: &str) -> Result<Option<i64>, StoreError> {
        Ok(self
            .connection
            .prepare_cached("SELECT id FROM series WHERE source = ?1 AND quantity = ?2")?
            .query_row(params![source, quantity], |row| row.get(0))
            .optional()?)
    }
}
