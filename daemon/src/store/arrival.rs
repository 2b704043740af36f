//! In which order the readings came that have their places by sensor and time.
//!
//! `reading` is filled by sensor and time, so in an index of it by arrival each row of a large transaction would go to another page: with a
//! hundred sensors that took as long as all else together. A row of `arrival` holds some hundred readings that came one after the other, each as
//! where it is found: rows are only ever added behind the last, and take a fifth of the bytes. What is thinned is taken out here as well.

use std::collections::BTreeSet;

use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use super::{Reader, StoreError, layout};

/// Readings in one row of the table: many, so that a row costs little beside them, and few enough to go over for the sake of one.
const TOGETHER: i64 = 128;

/// Where a reading stands: in the order of arrival, and by sensor and time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Arrival {
    pub(super) place: i64,
    pub(super) series: i64,
    pub(super) at_us: i64,
}

/// Some in a row, as bytes: of each what it has more than the one before, the first more than nothing. Each number is taken times
/// two, below zero as the odd number before that, and stands seven bits to a byte, the lowest first; the highest bit says that more follow.
#[derive(Debug, Default)]
struct Packed {
    body: Vec<u8>,
    count: i64,
    last: Arrival,
}

impl Packed {
    fn take(&mut self, arrival: Arrival) {
        let last = self.last;
        for (number, before) in [
            (arrival.place, last.place),
            (arrival.series, last.series),
            (arrival.at_us, last.at_us),
        ] {
            let more = number.wrapping_sub(before);
            let mut rest = ((more << 1) ^ (more >> 63)).cast_unsigned();
            loop {
                let [low, ..] = rest.to_le_bytes();
                rest >>= 7;
                if rest == 0 {
                    self.body.push(low & 0x7f);
                    break;
                }
                self.body.push(low | 0x80);
            }
        }
        self.last = arrival;
        self.count += 1;
    }

    fn store(&mut self, transaction: &Transaction<'_>) -> Result<(), StoreError> {
        if self.count > 0 {
            transaction
                .prepare_cached("INSERT INTO arrival (last, body) VALUES (?1, ?2)")?
                .execute(params![self.last.place, self.body])?;
            self.body.clear();
            (self.count, self.last) = (0, Arrival::default());
        }
        Ok(())
    }
}

fn unpack(mut body: &[u8]) -> Result<Vec<Arrival>, StoreError> {
    let mut arrivals = Vec::new();
    let mut last = Arrival::default();
    while !body.is_empty() {
        let mut more = || {
            number(&mut body).ok_or_else(|| StoreError::Unreadable {
                what: "an order of arrival",
                why: "its last number is cut off or too long".to_owned(),
            })
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

/// Takes the first number away from `rest`.
fn number(rest: &mut &[u8]) -> Option<i64> {
    let mut raw: u64 = 0;
    for shift in (0..64).step_by(7) {
        let (byte, behind) = rest.split_first()?;
        *rest = behind;
        raw |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some((raw >> 1).cast_signed() ^ -(raw & 1).cast_signed());
        }
    }
    None
}

/// Adds readings that come behind all that are there, in their order.
pub(super) fn store(
    transaction: &Transaction<'_>,
    arrivals: impl IntoIterator<Item = Arrival>,
) -> Result<(), StoreError> {
    let mut packed = Packed::default();
    for arrival in arrivals {
        packed.take(arrival);
        if packed.count == TOGETHER {
            packed.store(transaction)?;
        }
    }
    packed.store(transaction)
}

/// Writes down the order that an earlier layout has as an index, and takes that index away.
pub(super) fn fill(transaction: &Transaction<'_>) -> Result<(), StoreError> {
    let mut progress = layout::Progress::begin(transaction)?;
    let mut packed = Packed::default();
    {
        let mut query = transaction
            .prepare("SELECT seq, series, at_us FROM reading INDEXED BY reading_by_seq ORDER BY seq")?;
        let mut rows = query.query([])?;
        while let Some(row) = rows.next()? {
            packed.take(arrival(row)?);
            if packed.count == TOGETHER {
                progress.more(packed.count);
                packed.store(transaction)?;
            }
        }
    }
    packed.store(transaction)?;
    transaction.execute_batch("DROP INDEX reading_by_seq")?;
    Ok(())
}

fn arrival(row: &Row<'_>) -> rusqlite::Result<Arrival> {
    Ok(Arrival {
        place: row.get(0)?,
        series: row.get(1)?,
        at_us: row.get(2)?,
    })
}

/// Takes readings out that are no longer kept.
pub(super) fn forget(transaction: &Transaction<'_>, places: &BTreeSet<i64>) -> Result<(), StoreError> {
    let mut holding = transaction
        .prepare_cached("SELECT last, body FROM arrival WHERE last >= ?1 ORDER BY last LIMIT 1")?;
    let mut change = transaction.prepare_cached("UPDATE arrival SET body = ?2 WHERE last = ?1")?;
    let mut delete = transaction.prepare_cached("DELETE FROM arrival WHERE last = ?1")?;
    let mut next = places.first().copied();
    while let Some(place) = next {
        let found: Option<(i64, Vec<u8>)> = holding
            .query_row([place], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        let Some((last, body)) = found else { break };
        let mut left = Packed::default();
        for arrival in unpack(&body)? {
            if !places.contains(&arrival.place) {
                left.take(arrival);
            }
        }
        match left.count {
            0 => delete.execute([last])?,
            // Still those up to `last`, wherever they end.
            _ => change.execute(params![last, left.body])?,
        };
        next = places.range(last.saturating_add(1)..).next().copied();
    }
    Ok(())
}

/// The first place in the order that a reading has which is still kept.
pub(super) fn first(connection: &Connection) -> Result<Option<i64>, StoreError> {
    let body: Option<Vec<u8>> = connection
        .query_row("SELECT body FROM arrival ORDER BY last LIMIT 1", [], |row| {
            row.get(0)
        })
        .optional()?;
    let first = body.map(|body| unpack(&body)).transpose()?;
    Ok(first.and_then(|arrivals| arrivals.first().map(|arrival| arrival.place)))
}

impl Reader<'_> {
    /// Where the last place in the order stands of those that have theirs by time.
    pub(super) fn last_settled(&self) -> Result<&'static str, StoreError> {
        Ok(match self.has_arrivals()? {
            true => "SELECT max(last) FROM arrival",
            false => "SELECT max(seq) FROM reading",
        })
    }

    fn has_arrivals(&self) -> Result<bool, StoreError> {
        Ok(self.layout()? >= layout::WITH_ARRIVALS)
    }

    /// Hands at most `limit` readings behind `after` to `take`, in their order: place, series, time, value, time of arrival. How many
    /// of the `limit` are left.
    pub(super) fn settled_after(
        &self,
        after: i64,
        limit: u32,
        mut take: impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
    ) -> Result<u32, StoreError> {
        let mut left = limit;
        let columns = "SELECT seq, series, at_us, value, received_us FROM reading";
        if !self.has_arrivals()? {
            let mut query = self.connection.prepare_cached(&format!(
                "{columns} INDEXED BY reading_by_seq WHERE seq > ?1 ORDER BY seq LIMIT ?2"
            ))?;
            let mut rows = query.query(params![after, limit])?;
            while let Some(row) = rows.next()? {
                take(row)?;
                left -= 1;
            }
            return Ok(left);
        }
        let mut arrivals = self
            .connection
            .prepare_cached("SELECT body FROM arrival WHERE last > ?1 ORDER BY last")?;
        let mut reading = self.connection.prepare_cached(&format!(
            "{columns} WHERE series = ?1 AND at_us = ?2 AND seq = ?3"
        ))?;
        let mut bodies = arrivals.query([after])?;
        while left > 0
            && let Some(body) = bodies.next()?
        {
            let arrivals = unpack(&body.get::<_, Vec<u8>>(0)?)?;
            for arrival in arrivals.iter().filter(|arrival| arrival.place > after) {
                if left == 0 {
                    break;
                }
                let mut found = reading.query(params![arrival.series, arrival.at_us, arrival.place])?;
                // Who deleted some by hand finds the others.
                if let Some(row) = found.next()? {
                    take(row)?;
                    left -= 1;
                }
            }
        }
        Ok(left)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_any_size_come_back_and_bytes_that_end_too_early_are_told() {
        let ends = [
            0,
            1,
            -1,
            63,
            64,
            -64,
            -65,
            1_772_434_800_000_000,
            i64::MAX,
            i64::MIN,
        ];
        let arrivals: Vec<Arrival> = ends
            .iter()
            .flat_map(|place| ends.map(|at_us| (*place, at_us)))
            .map(|(place, at_us)| Arrival {
                place,
                series: at_us ^ place,
                at_us,
            })
            .collect();
        let mut packed = Packed::default();
        arrivals.iter().for_each(|arrival| packed.take(*arrival));
        assert_eq!(unpack(&packed.body).unwrap(), arrivals);
        assert_eq!(unpack(&[]).unwrap(), []);
        for cut in 1..packed.body.len() {
            match unpack(&packed.body[..cut]) {
                Ok(some) => assert!(arrivals.starts_with(&some) && !some.is_empty()),
                Err(StoreError::Unreadable { .. }) => {}
                Err(other) => panic!("{other}"),
            }
        }
        assert!(unpack(&[0xff; 12]).is_err());
    }

    #[test]
    fn readings_that_follow_each_other_take_few_bytes() {
        let of = |count: i64, sensors: i64| {
            let mut packed = Packed::default();
            for index in 0..count {
                packed.take(Arrival {
                    place: 5_000_000 + index,
                    series: 1 + index % sensors,
                    at_us: 1_772_434_800_000_000 + index / sensors * 5_000_000,
                });
            }
            packed.body.len()
        };
        assert_eq!(of(TOGETHER, 1), 4 + 1 + 8 + 127 * (1 + 1 + 4));
        assert!(of(TOGETHER, 64) < 128 * 3 + 24);
    }
}
