//! Readings that have their places by sensor and time: some hundred of one sensor in a row.
//!
//! A row for each reading took twenty times the room, and of a large transaction's time more than half went into finding each one's page. The
//! stretches of time of one sensor's rows never overlap, so a row is found by when it begins. What is newer than all goes to the end of
//! the last row until that is full; a late reading goes into the row in whose stretch it lies, or to the end of the one before, which is parted
//! where it grows too long.

mod body;
mod found;
mod values;

use std::collections::BTreeMap;

use rusqlite::{CachedStatement, Connection, OptionalExtension, Params, Row, Statement, Transaction, params};
use tracing::warn;

pub(super) use body::{Entry, Packed};

use super::StoreError;

/// Readings in a row: many, so that a row costs little beside them, and few enough to write all of them again for the sake of one.
pub(super) const TOGETHER: usize = 128;

/// The row in which a time lies, or the last that begins before it.
const AT_OR_BEFORE: &str = "SELECT id, first_us, last_us, count, body FROM stretch WHERE series = ?1 AND first_us <= ?2 ORDER BY first_us DESC LIMIT 1";

fn packed<'r>(row: &'r Row<'_>, column: usize) -> Result<Packed<'r>, StoreError> {
    Ok(Packed {
        first_us: row.get(column)?,
        last_us: row.get(column + 1)?,
        count: row.get(column + 2)?,
        body: row
            .get_ref(column + 3)?
            .as_blob()
            .map_err(|_| StoreError::Unreadable {
                what: "a stretch of readings",
                why: "it is not bytes".to_owned(),
            })?,
    })
}

/// A row that was looked at, to be changed.
#[derive(Debug)]
struct Held {
    id: i64,
    first_us: i64,
    last_us: i64,
    /// `None`: damaged. It stays as it is, and must keep no other reading from its place.
    entries: Option<Vec<Entry>>,
}

impl Held {
    fn count(&self) -> Option<usize> {
        self.entries.as_ref().map(Vec::len)
    }
}

fn held(statement: &mut Statement<'_>, of: impl Params) -> Result<Option<Held>, StoreError> {
    let mut rows = statement.query(of)?;
    let Some(row) = rows.next()? else { return Ok(None) };
    let (id, packed) = (row.get(0)?, packed(row, 1)?);
    let entries = packed.entries();
    if let Err(why) = &entries {
        warn!("{why}; the row {id} is left as it is");
    }
    Ok(Some(Held {
        id,
        first_us: packed.first_us,
        last_us: packed.last_us,
        entries: entries.ok(),
    }))
}

/// Times of the rows that were looked at last for readings that may be there already: whoever sends one twice sends its neighbours twice.
#[derive(Debug, Default)]
pub(super) struct Known(BTreeMap<i64, Vec<i64>>);

impl Known {
    pub(super) fn has(
        &mut self,
        connection: &Connection,
        series: i64,
        at_us: i64,
    ) -> Result<bool, StoreError> {
        let reaches = |times: &Vec<i64>| times.first() <= Some(&at_us) && Some(&at_us) <= times.last();
        if !self.0.get(&series).is_some_and(reaches) {
            let row = held(
                &mut *connection.prepare_cached(AT_OR_BEFORE)?,
                params![series, at_us],
            )?;
            let times = match row {
                None => Vec::new(),
                Some(Held {
                    entries: Some(entries),
                    ..
                }) => entries.iter().map(|entry| entry.at_us).collect(),
                // Nobody can tell; whoever waits for an answer must not wait for ever.
                Some(row) if at_us <= row.last_us => vec![at_us],
                Some(_) => Vec::new(),
            };
            self.0.insert(series, times);
        }
        Ok(self
            .0
            .get(&series)
            .is_some_and(|times| times.binary_search(&at_us).is_ok()))
    }
}

/// When the newest reading of a sensor was measured that has its place.
pub(super) fn newest(connection: &Connection, series: i64) -> Result<Option<i64>, StoreError> {
    Ok(connection
        .prepare_cached("SELECT last_us FROM stretch WHERE series = ?1 ORDER BY first_us DESC LIMIT 1")?
        .query_row([series], |row| row.get(0))
        .optional()?)
}

/// Takes readings to their places.
pub(super) struct Rows<'t> {
    at_or_before: CachedStatement<'t>,
    next_begins: CachedStatement<'t>,
    change: CachedStatement<'t>,
    insert: CachedStatement<'t>,
    delete: CachedStatement<'t>,
    body: Vec<u8>,
}

impl<'t> Rows<'t> {
    pub(super) fn of(transaction: &'t Transaction<'_>) -> Result<Self, StoreError> {
        Ok(Self {
            at_or_before: transaction.prepare_cached(AT_OR_BEFORE)?,
            next_begins: transaction.prepare_cached(
                "SELECT first_us FROM stretch WHERE series = ?1 AND first_us > ?2 ORDER BY first_us LIMIT 1",
            )?,
            change: transaction.prepare_cached(
                "UPDATE stretch SET first_us = ?2, last_us = ?3, count = ?4, body = ?5 WHERE id = ?1",
            )?,
            insert: transaction.prepare_cached(
                "INSERT INTO stretch (series, first_us, last_us, count, body) VALUES (?1, ?2, ?3, ?4, ?5)",
            )?,
            delete: transaction.prepare_cached("DELETE FROM stretch WHERE id = ?1")?,
            body: Vec::new(),
        })
    }

    /// Takes new readings of a sensor, which have to come by time, to their places. Where one of the same time is there, that one stays.
    pub(super) fn add(&mut self, series: i64, mut new: &[Entry]) -> Result<(), StoreError> {
        while let Some(first) = new.first() {
            let mut row = held(&mut self.at_or_before, params![series, first.at_us])?;
            let mut next = self.next_after(series, first.at_us)?;
            if row.is_none()
                && let Some(at_us) = next
            {
                // Before all that are there: to the first of them.
                row =
                    held(&mut self.at_or_before, params![series, at_us])?.filter(|row| row.entries.is_some());
                if row.is_some() {
                    next = self.next_after(series, at_us)?;
                }
            }
            let here = new.partition_point(|entry| next.is_none_or(|next| entry.at_us < next));
            let (mut here, later) = new.split_at(here);
            new = later;
            let into = match (row, next) {
                (Some(row), _) if takes(&row, here) => Some(row),
                (Some(row), next) => {
                    if row.entries.is_none() {
                        // What was measured within a damaged row came before it was one, or would not be here.
                        let within = here.partition_point(|entry| entry.at_us <= row.last_us);
                        here = here.get(within..).unwrap_or_default();
                    }
                    match next {
                        // What comes backwards would make a row each.
                        Some(next) => held(&mut self.at_or_before, params![series, next])?
                            .filter(|row| row.count().is_some_and(|count| count + here.len() <= TOGETHER)),
                        None => None,
                    }
                }
                (None, _) => None,
            };
            match into {
                Some(Held {
                    id,
                    entries: Some(mut entries),
                    ..
                }) => {
                    merge(&mut entries, here);
                    self.put(series, &entries, Some(id))?;
                }
                _ => self.put(series, here, None)?,
            }
        }
        Ok(())
    }

    fn next_after(&mut self, series: i64, at_us: i64) -> Result<Option<i64>, StoreError> {
        let next = self
            .next_begins
            .query_row(params![series, at_us], |row| row.get(0));
        Ok(next.optional()?)
    }

    /// Puts readings of a sensor, by time, into as many rows as they need: the first of them in the place of `instead`.
    fn put(&mut self, series: i64, entries: &[Entry], mut instead: Option<i64>) -> Result<(), StoreError> {
        let rows = entries.len().div_ceil(TOGETHER).max(1);
        for entries in entries.chunks(entries.len().div_ceil(rows).max(1)) {
            let (Some(first), Some(last)) = (entries.first(), entries.last()) else {
                continue;
            };
            let count = i64::try_from(entries.len()).unwrap_or(i64::MAX);
            body::pack(entries, &mut self.body);
            match instead.take() {
                Some(id) => {
                    let row = params![id, first.at_us, last.at_us, count, self.body];
                    self.change.execute(row)?
                }
                None => {
                    let row = params![series, first.at_us, last.at_us, count, self.body];
                    self.insert.execute(row)?
                }
            };
        }
        Ok(())
    }
}

/// Whether readings go into a row. Behind all of it they make rows of their own, so that one that is full enough is not written again.
fn takes(row: &Held, new: &[Entry]) -> bool {
    let Some(count) = row.count() else { return false };
    let behind = new.first().is_some_and(|first| first.at_us > row.last_us);
    !behind || count * 2 < TOGETHER || count + new.len() <= TOGETHER
}

fn merge(entries: &mut Vec<Entry>, new: &[Entry]) {
    let is_behind = entries
        .last()
        .zip(new.first())
        .is_some_and(|(last, first)| last.at_us < first.at_us);
    entries.extend_from_slice(new);
    if !is_behind {
        // Stable, so the one that was there before comes first.
        entries.sort_by_key(|entry| entry.at_us);
        entries.dedup_by_key(|entry| entry.at_us);
    }
}

/// Takes at most `most` readings of a sensor from before `until_us` away that `may_go`, the oldest first; which they were.
pub(super) fn thin(
    transaction: &Transaction<'_>,
    series: i64,
    until_us: i64,
    most: usize,
    may_go: impl Fn(&Entry) -> bool,
) -> Result<Vec<Entry>, StoreError> {
    let mut rows = Rows::of(transaction)?;
    let mut next = transaction.prepare_cached(
        "SELECT id, first_us, last_us, count, body FROM stretch
         WHERE series = ?1 AND first_us >= ?2 AND first_us < ?3 ORDER BY first_us LIMIT 1",
    )?;
    let mut from_us = i64::MIN;
    let mut gone = Vec::new();
    while gone.len() < most
        && let Some(row) = held(&mut next, params![series, from_us, until_us])?
    {
        from_us = row.last_us.max(row.first_us).saturating_add(1);
        let Some(entries) = row.entries else { continue };
        let before = gone.len();
        let mut left = Vec::new();
        for entry in entries {
            let goes = gone.len() < most && entry.at_us < until_us && may_go(&entry);
            if goes { &mut gone } else { &mut left }.push(entry);
        }
        if left.is_empty() {
            rows.delete.execute([row.id])?;
        } else if gone.len() > before {
            rows.put(series, &left, Some(row.id))?;
        }
    }
    Ok(gone)
}

/// Takes readings of earlier layouts, which come by sensor and time, into rows.
pub(super) struct Filling<'t> {
    rows: Rows<'t>,
    series: i64,
    entries: Vec<Entry>,
}

impl<'t> Filling<'t> {
    pub(super) fn of(transaction: &'t Transaction<'_>) -> Result<Self, StoreError> {
        Ok(Self {
            rows: Rows::of(transaction)?,
            series: 0,
            entries: Vec::with_capacity(TOGETHER),
        })
    }

    pub(super) fn take(&mut self, series: i64, entry: Entry) -> Result<(), StoreError> {
        if series != self.series || self.entries.len() >= TOGETHER {
            self.store()?;
            self.series = series;
        }
        self.entries.push(entry);
        Ok(())
    }

    pub(super) fn store(&mut self) -> Result<(), StoreError> {
        self.rows.put(self.series, &self.entries, None)?;
        self.entries.clear();
        Ok(())
    }
}

/// Rows of a sensor follow each other, and hold no more than they may.
#[cfg(any(test, feature = "faults"))]
pub(super) fn check_order(connection: &Connection, series: i64) -> Result<(), StoreError> {
    let mut query = connection
        .prepare("SELECT first_us, last_us, count FROM stretch WHERE series = ?1 ORDER BY first_us")?;
    let mut rows = query.query([series])?;
    let mut before = None;
    while let Some(row) = rows.next()? {
        let (first, last, count): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let few = usize::try_from(count).is_ok_and(|count| (1..=TOGETHER).contains(&count));
        if !few || last < first || before.is_some_and(|before| before >= first) {
            return Err(StoreError::Unreadable {
                what: "stretches of readings",
                why: format!(
                    "of sensor {series} one of {count} from {first} to {last} does not follow {before:?}"
                ),
            });
        }
        before = Some(last);
    }
    Ok(())
}
