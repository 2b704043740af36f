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
        self.at_one_moment(|reader| {
            let Some(series) = reader.series_of(source, quantity)? else {
                return Ok(Vec::new());
            };
            let (from, until) = (from.as_microsecond(), until.as_microsecond());
            let mut readings = Vec::new();
            let mut take = |at_us, value| {
                readings.push(Reading {
                    at: Timestamp::from_microsecond(at_us).map_err(unreadable)?,
                    source: source.clone(),
                    measured: measured(value, quantity)?,
                });
                Ok(())
            };
            reader.settled(series, from, until, |entry| take(entry.at_us, entry.value))?;
            let fresh = reader.fresh_values(Some(series), from, until)?;
            fresh.iter().try_for_each(|(at_us, value)| take(*at_us, *value))?;
            // Those that have no place yet came last, and may be late.
            if !fresh.is_empty() {
                readings.sort_by_key(|reading| reading.at);
            }
            Ok(readings)
        })
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
        let from = from.as_microsecond();
        self.at_one_moment(|reader| {
            Ok(reader.is_settled_since(series, from)? || reader.is_fresh_since(series, from)?)
        })
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
            "SELECT first_us FROM rollup WHERE series = ?1 ORDER BY at_us LIMIT 1"
        } else {
            "SELECT min(at_us) FROM reading WHERE series = ?1"
        };
        let mut first = self.connection.prepare_cached(first)?;
        let mut fresh = self.fresh_ends()?;
        for (id, (source, quantity)) in self.sensors()? {
            let settled = match self.newest_settled(id)? {
                Some(last) => {
                    let first: i64 = first.query_row([id], |row| row.get(0))?;
                    Some((first, (last.at_us, last.value)))
                }
                None => None,
            };
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
