//! Five-minute rollups of every sensor, kept for ever, and the thinning of raw readings that are old enough.
//!
//! A rollup is brought up to date in the transaction that takes the reading to its place, whether it comes in order or late, so that
//! taking away raw readings later changes no rollup.

use std::collections::{BTreeMap, BTreeSet};

use fobwatch_core::batch::Batch;
use jiff::{SignedDuration, Timestamp};
use rusqlite::{OptionalExtension, Row, Transaction, params};

use super::{StoreError, Told, Writer, arrival, progress::Progress, stretch};

/// What one rollup spans, in microseconds; they begin at whole multiples of it.
pub(super) const SPAN_US: i64 = 300_000_000;

/// Raw readings from before the sealing of a live batch that stay with those since: an engine may begin anew from them.
const BEFORE_SEALING: SignedDuration = SignedDuration::from_hours(7 * 24);

/// Readings of an earlier layout that are rolled up at once.
pub(super) const FILLED_AT_ONCE: i64 = 100_000;

/// The columns of [`Roll`], in its order.
pub(super) const COLUMNS: &str = "count, least, sum, most, first_us, first, last_us, last, thinned";

/// What five minutes of one sensor came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Roll {
    pub(super) count: i64,
    pub(super) least: f64,
    pub(super) sum: f64,
    pub(super) most: f64,
    pub(super) first_us: i64,
    pub(super) first: f64,
    pub(super) last_us: i64,
    pub(super) last: f64,
    /// How many of its readings are no longer kept raw.
    pub(super) thinned: i64,
}

impl Roll {
    pub(super) fn new(at_us: i64, value: f64) -> Self {
        Self {
            count: 1,
            least: value,
            sum: value,
            most: value,
            first_us: at_us,
            first: value,
            last_us: at_us,
            last: value,
            thinned: 0,
        }
    }

    pub(super) fn read(row: &Row<'_>, column: usize) -> rusqlite::Result<Self> {
        Ok(Self {
            count: row.get(column)?,
            least: row.get(column + 1)?,
            sum: row.get(column + 2)?,
            most: row.get(column + 3)?,
            first_us: row.get(column + 4)?,
            first: row.get(column + 5)?,
            last_us: row.get(column + 6)?,
            last: row.get(column + 7)?,
            thinned: row.get(column + 8)?,
        })
    }

    pub(super) fn take(&mut self, at_us: i64, value: f64) {
        self.least = self.least.min(value);
        self.most = self.most.max(value);
        // Among readings that are no longer kept raw nobody can tell a late one from one that was counted already, as
        // when a file is handed in again: it widens the range and leaves the mean alone.
        if self.thinned == 0 || !(self.first_us..=self.last_us).contains(&at_us) {
            self.count += 1;
            self.sum += value;
        }
        if at_us < self.first_us {
            (self.first_us, self.first) = (at_us, value);
        }
        if at_us > self.last_us {
            (self.last_us, self.last) = (at_us, value);
        }
    }
}

pub(super) fn start_of(at_us: i64) -> i64 {
    at_us.div_euclid(SPAN_US).saturating_mul(SPAN_US)
}

fn all_series(transaction: &Transaction<'_>) -> Result<Vec<i64>, StoreError> {
    let mut series = transaction.prepare_cached("SELECT id FROM series")?;
    let series = series.query_map([], |row| row.get(0))?;
    Ok(series.collect::<Result<_, _>>()?)
}

/// Makes the rollups of all readings that a store of an earlier layout holds, some at a time so that it can tell how far it is.
pub(super) fn fill(transaction: &Transaction<'_>, at_once: i64) -> Result<(), StoreError> {
    let mut progress = Progress::begin(transaction)?;
    let mut end = transaction.prepare(
        "SELECT at_us FROM reading WHERE series = ?1 AND at_us >= ?2 ORDER BY at_us LIMIT 1 OFFSET ?3",
    )?;
    let mut roll = transaction.prepare(&format!(
        "INSERT INTO rollup (series, at_us, {COLUMNS})
         SELECT ?1, start, count, least, sum, most,
                first_us, (SELECT value FROM reading WHERE series = ?1 AND at_us = first_us),
                last_us, (SELECT value FROM reading WHERE series = ?1 AND at_us = last_us), 0
         FROM (SELECT at_us - ((at_us % {SPAN_US}) + {SPAN_US}) % {SPAN_US} AS start, count(*) AS count,
                      min(value) AS least, sum(value) AS sum, max(value) AS most, min(at_us) AS first_us, max(at_us) AS last_us
               FROM reading WHERE series = ?1 AND at_us >= ?2 AND at_us < ?3 GROUP BY 1)"
    ))?;
    for series in all_series(transaction)? {
        let mut from = i64::MIN;
        loop {
            let last: Option<i64> = end
                .query_row(params![series, from, at_once], |row| row.get(0))
                .optional()?;
            // Whole five minutes, and never none of them.
            let until = last.map_or(i64::MAX, |last| start_of(last).saturating_add(SPAN_US));
            roll.execute(params![series, from, until])?;
            if last.is_none() {
                break;
            }
            from = until;
            progress.more(at_once);
        }
    }
    Ok(())
}

/// The rollups that one transaction touches, by sensor and time.
#[derive(Debug, Default)]
pub(super) struct Rolls(Vec<((i64, i64), Roll)>);

impl Rolls {
    /// Readings have to come by sensor and time.
    pub(super) fn take(
        &mut self,
        transaction: &Transaction<'_>,
        series: i64,
        at_us: i64,
        value: f64,
    ) -> Result<(), StoreError> {
        let key = (series, start_of(at_us));
        if let Some((_, roll)) = self.0.last_mut().filter(|(last, _)| *last == key) {
            roll.take(at_us, value);
            return Ok(());
        }
        let query = format!("SELECT {COLUMNS} FROM rollup WHERE series = ?1 AND at_us = ?2");
        let known = transaction
            .prepare_cached(&query)?
            .query_row(params![key.0, key.1], |row| Roll::read(row, 0))
            .optional()?;
        let roll = match known {
            Some(mut roll) => {
                roll.take(at_us, value);
                roll
            }
            None => Roll::new(at_us, value),
        };
        self.0.push((key, roll));
        Ok(())
    }

    pub(super) fn store(self, transaction: &Transaction<'_>) -> Result<(), StoreError> {
        let query = format!(
            "INSERT OR REPLACE INTO rollup (series, at_us, {COLUMNS})
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)"
        );
        let mut insert = transaction.prepare_cached(&query)?;
        for ((series, at_us), roll) in self.0 {
            insert.execute(params![
                series,
                at_us,
                roll.count,
                roll.least,
                roll.sum,
                roll.most,
                roll.first_us,
                roll.first,
                roll.last_us,
                roll.last,
                roll.thinned
            ])?;
        }
        Ok(())
    }
}

impl Writer {
    /// Takes away at most `limit` raw readings that were measured, and arrived, before `before`; their rollups stay.
    /// Answers with how many it took: fewer than `limit` means that all is done.
    ///
    /// What stays whatever its age: all since a week before the earliest live batch of the site was sealed, since its engine may begin
    /// anew from there; what one of `destinations` was not told yet; and the last reading of each sensor and of all.
    ///
    /// # Errors
    /// Nothing was taken away.
    pub fn thin(
        &mut self,
        before: Timestamp,
        destinations: &[String],
        limit: u32,
    ) -> Result<u64, StoreError> {
        self.settle()?;
        let mut measured_before = before;
        let (own, others) = (self.reader().batches()?, self.reader().batches_elsewhere()?);
        // That of another one may have to be taken over.
        for batch in own.into_iter().chain(others) {
            if batch.ended_at.is_none() {
                let sealed_at = Batch::from_toml(&batch.text, batch.name.as_str())
                    .map_or(Timestamp::MIN, |(batch, _)| batch.bottled_at);
                let needed = sealed_at.checked_sub(BEFORE_SEALING).unwrap_or(Timestamp::MIN);
                measured_before = measured_before.min(needed);
            }
        }
        let measured_before = start_of(measured_before.as_microsecond());
        let mut told = self.reader().last_sequence()?.0 - 1;
        for destination in destinations {
            told = told.min(self.reader().told(destination, Told::Readings)?);
        }
        let first = arrival::first(&self.connection)?;
        if first.is_none_or(|first| first > told) {
            // Nothing may go, as while a server is away: not worth going over all of it.
            return Ok(0);
        }
        let transaction = self.connection.transaction()?;
        let mut places: BTreeSet<i64> = BTreeSet::new();
        let mut gone: BTreeMap<(i64, i64), i64> = BTreeMap::new();
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        for series in all_series(&transaction)? {
            let Some(newest) = stretch::newest(&transaction, series)? else {
                continue;
            };
            let until = measured_before.min(newest);
            let of_sensor = stretch::thin(&transaction, series, until, limit - places.len(), |entry| {
                entry.received_us < before.as_microsecond() && entry.place <= told
            })?;
            for entry in of_sensor {
                places.insert(entry.place);
                *gone.entry((series, start_of(entry.at_us))).or_default() += 1;
            }
        }
        {
            let mut mark = transaction.prepare_cached(
                "UPDATE rollup SET thinned = min(count, thinned + ?3) WHERE series = ?1 AND at_us = ?2",
            )?;
            for ((series, at_us), count) in gone {
                mark.execute(params![series, at_us, count])?;
            }
        }
        arrival::forget(&transaction, &places)?;
        transaction.commit()?;
        Ok(u64::try_from(places.len()).unwrap_or(u64::MAX))
    }
}
