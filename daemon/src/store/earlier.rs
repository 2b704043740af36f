//! Readings as the layouts before the eleventh hold them: a row each, by sensor and time, and their order of arrival as an index of those rows (up
//! to the ninth) or packed with exact times (the tenth). Who only reads leaves a file as it is, so these are still read.

use rusqlite::{OptionalExtension, Row, Transaction, params};

use super::{
    Reader, StoreError,
    arrival::{self, Arrival, Arrived},
    layout,
    packed::{folded, number, put, unfolded},
    progress::Progress,
    stretch::{Entry, Filling},
};

/// Readings in one row of the order of arrival.
const TOGETHER: usize = 128;

/// What an [`Entry`] is made of, behind its sensor.
const COLUMNS: &str = "series, at_us, value, seq, received_us";

fn entry(row: &Row<'_>) -> rusqlite::Result<Entry> {
    Ok(Entry {
        at_us: row.get(1)?,
        value: row.get(2)?,
        place: row.get(3)?,
        received_us: row.get(4)?,
    })
}

impl Reader<'_> {
    fn has_arrivals(&self) -> Result<bool, StoreError> {
        Ok(self.layout()? >= layout::WITH_ARRIVALS)
    }

    /// Where the last place in the order stands of those that have theirs by time.
    pub(super) fn last_settled(&self) -> Result<&'static str, StoreError> {
        Ok(match self.has_arrivals()? {
            true => "SELECT max(last) FROM arrival",
            false => "SELECT max(seq) FROM reading",
        })
    }

    pub(super) fn settled_of_earlier(
        &self,
        series: i64,
        from: i64,
        until: i64,
        mut take: impl FnMut(&Entry) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM reading WHERE series = ?1 AND at_us >= ?2 AND at_us < ?3 ORDER BY at_us"
        ))?;
        let mut rows = query.query(params![series, from, until])?;
        while let Some(row) = rows.next()? {
            take(&entry(row)?)?;
        }
        Ok(())
    }

    pub(super) fn newest_of_earlier(&self, series: i64) -> Result<Option<Entry>, StoreError> {
        Ok(self
            .connection
            .prepare_cached(&format!(
                "SELECT {COLUMNS} FROM reading WHERE series = ?1 ORDER BY at_us DESC LIMIT 1"
            ))?
            .query_row([series], entry)
            .optional()?)
    }

    pub(super) fn first_of_earlier_since(&self, series: i64, since: i64) -> Result<Option<i64>, StoreError> {
        Ok(self
            .connection
            .prepare_cached("SELECT min(seq) FROM reading WHERE series = ?1 AND at_us >= ?2")?
            .query_row(params![series, since], |row| row.get(0))?)
    }

    /// Hands at most `limit` readings behind `after` to `take`, in their order; how many of the `limit` are left.
    pub(super) fn settled_of_earlier_after(
        &self,
        after: i64,
        limit: u32,
        mut take: impl FnMut(Arrived) -> Result<(), StoreError>,
    ) -> Result<u32, StoreError> {
        let mut left = limit;
        if !self.has_arrivals()? {
            let mut query = self.connection.prepare_cached(&format!(
                "SELECT {COLUMNS} FROM reading INDEXED BY reading_by_seq WHERE seq > ?1 ORDER BY seq LIMIT ?2"
            ))?;
            let mut rows = query.query(params![after, limit])?;
            while let Some(row) = rows.next()? {
                take(Arrived {
                    series: row.get(0)?,
                    entry: entry(row)?,
                })?;
                left -= 1;
            }
            return Ok(left);
        }
        let mut arrivals = self
            .connection
            .prepare_cached("SELECT body FROM arrival WHERE last > ?1 ORDER BY last")?;
        let mut reading = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM reading WHERE series = ?1 AND at_us = ?2 AND seq = ?3"
        ))?;
        let mut bodies = arrivals.query([after])?;
        while left > 0
            && let Some(body) = bodies.next()?
        {
            let arrivals = unpack(body.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?)?;
            for arrival in arrivals.iter().filter(|arrival| arrival.place > after) {
                if left == 0 {
                    break;
                }
                let mut found = reading.query(params![arrival.series, arrival.at_us, arrival.place])?;
                if let Some(row) = found.next()? {
                    take(Arrived {
                        series: row.get(0)?,
                        entry: entry(row)?,
                    })?;
                    left -= 1;
                }
            }
        }
        Ok(left)
    }
}

/// The readings of a row of the tenth layout's order: of each what its place, its sensor and its time have more than those before, the first more
/// than nothing.
fn unpack(mut body: &[u8]) -> Result<Vec<Arrival>, StoreError> {
    let mut arrivals = Vec::new();
    let mut last = Arrival::default();
    while !body.is_empty() {
        let mut more = || {
            number(&mut body)
                .map(unfolded)
                .ok_or_else(|| arrival::unreadable("its last number is cut off or too long"))
        };
        last = Arrival {
            place: last.place.wrapping_add(more()?),
            series: last.series.wrapping_add(more()?),
            at_us: last.at_us.wrapping_add(more()?),
        };
        arrivals.push(last);
    }
    Ok(arrivals)
}

/// Writes down the order that the ninth layout has as an index, as the tenth has it, and takes that index away.
pub(super) fn fill_arrivals(transaction: &Transaction<'_>) -> Result<(), StoreError> {
    let mut progress = Progress::begin(transaction)?;
    {
        let mut insert = transaction.prepare("INSERT INTO arrival (last, body) VALUES (?1, ?2)")?;
        let mut query = transaction
            .prepare("SELECT seq, series, at_us FROM reading INDEXED BY reading_by_seq ORDER BY seq")?;
        let mut rows = query.query([])?;
        let (mut body, mut count, mut last) = (Vec::new(), 0, [0_i64; 3]);
        loop {
            let row = rows.next()?;
            if count == TOGETHER || (row.is_none() && count > 0) {
                insert.execute(params![last[0], body])?;
                progress.more(i64::try_from(count).unwrap_or(0));
                body.clear();
                (count, last) = (0, [0; 3]);
            }
            let Some(row) = row else { break };
            let next = [row.get(0)?, row.get(1)?, row.get(2)?];
            for (number, before) in next.iter().zip(last) {
                put(&mut body, folded(i64::wrapping_sub(*number, before)));
            }
            (count, last) = (count + 1, next);
        }
    }
    transaction.execute_batch("DROP INDEX reading_by_seq")?;
    Ok(())
}

/// Takes the readings of the tenth layout, a row each, and their order into the rows of the eleventh.
pub(super) fn fill_stretches(transaction: &Transaction<'_>) -> Result<(), StoreError> {
    let mut progress = Progress::begin(transaction)?;
    {
        let mut filling = Filling::of(transaction)?;
        let mut query =
            transaction.prepare(&format!("SELECT {COLUMNS} FROM reading ORDER BY series, at_us"))?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            filling.take(row.get(0)?, entry(row)?)?;
            progress.more(1);
        }
        filling.store()?;
        let mut query = transaction.prepare("SELECT body FROM arrival ORDER BY last")?;
        let mut rows = query.query([])?;
        let mut order = arrival::Storing::into(transaction, "arrival_by_minute")?;
        while let Some(row) = rows.next()? {
            let body = row.get_ref(0)?.as_blob().map_err(rusqlite::Error::from)?;
            for arrival in unpack(body)? {
                order.take(arrival)?;
            }
        }
        order.store()?;
    }
    transaction.execute_batch(
        "DROP TABLE reading; DROP TABLE arrival; ALTER TABLE arrival_by_minute RENAME TO arrival",
    )?;
    Ok(())
}

/// Reads a row of the tenth layout's order.
#[cfg(any(test, fuzzing))]
pub(super) fn unpacked(body: &[u8]) -> Result<(), StoreError> {
    let arrivals = unpack(body)?;
    assert!(3 * arrivals.len() <= body.len());
    Ok(())
}
