//! Kinds of readings, each a source and a quantity: their numbers in the store, and what they sent, by its time.

use std::collections::BTreeMap;

use fobwatch_core::reading::{Measured, Quantity, Reading, Source};
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Transaction, params};

use super::{
    Reader, Series, StoreError,
    read::{measured, quantity, source},
    text::unreadable,
};

impl Reader<'_> {
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
        let Some(series) = self.series_of(source, quantity)? else {
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
        let Some(series) = self.series_of(source, quantity)? else {
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

    pub(super) fn sensors(&self) -> Result<BTreeMap<i64, (Source, Quantity)>, StoreError> {
        let mut query = self
            .connection
            .prepare_cached("SELECT id, source, quantity FROM series")?;
        let rows = query.query_map([], |row| Ok((row.get(0)?, (source(row, 1)?, quantity(row, 2)?))))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    pub(super) fn series_of(&self, source: &Source, quantity: Quantity) -> Result<Option<i64>, StoreError> {
        known_series(self.connection, source, quantity)
    }
}

pub(super) fn known_series(
    connection: &Connection,
    source: &Source,
    quantity: Quantity,
) -> Result<Option<i64>, StoreError> {
    let mut query = connection.prepare_cached("SELECT id FROM series WHERE source = ?1 AND quantity = ?2")?;
    let known = query.query_row(params![source.as_str(), quantity.name()], |row| row.get(0));
    Ok(known.optional()?)
}

pub(super) fn new_series(
    transaction: &Transaction<'_>,
    source: &Source,
    quantity: Quantity,
) -> Result<i64, StoreError> {
    transaction
        .prepare_cached("INSERT INTO series (source, quantity) VALUES (?1, ?2)")?
        .execute(params![source.as_str(), quantity.name()])?;
    Ok(transaction.last_insert_rowid())
}
