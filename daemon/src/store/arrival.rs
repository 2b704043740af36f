//! In which order the readings came that have their places by sensor and time.
//!
//! Rows of `stretch` are filled by sensor and time, so in an index of them by arrival each reading of a large transaction would go to another page. A
//! row of `arrival` holds some hundred readings that came one after the other, each as its place, its sensor and the minute in which it was
//! measured: enough to find the row that holds it, of which the places tell the rest. Rows are only ever added behind the last. What is
//! thinned is taken out here as well.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use super::{
    Reader, StoreError,
    packed::{MOST, number, put, put_steps, steps},
    stretch::Entry,
};

/// Readings in one row of the table: many, so that a row costs little beside them, and few enough to go over for the sake of one.
const TOGETHER: usize = 128;

const VERSION: u8 = 1;

/// How exactly a row tells when a reading was measured.
const MINUTE_US: i64 = 60_000_000;

/// Sensors of which the readings around a minute are kept at hand while the order is gone over.
const AT_HAND: usize = 256;

/// Where a reading stands: in the order of arrival, and by sensor and time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Arrival {
    pub(super) place: i64,
    pub(super) series: i64,
    pub(super) at_us: i64,
}

/// A reading that was found by its place in the order.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arrived {
    pub(super) series: i64,
    pub(super) entry: Entry,
}

/// As a row tells it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Minuted {
    place: i64,
    series: i64,
    minute: i64,
}

fn pack(arrivals: &[Minuted], to: &mut Vec<u8>) {
    to.clear();
    to.push(VERSION);
    put(to, u64::try_from(arrivals.len()).unwrap_or(u64::MAX));
    put_steps(to, arrivals.iter().map(|arrival| arrival.place));
    put_steps(to, arrivals.iter().map(|arrival| arrival.series));
    put_steps(to, arrivals.iter().map(|arrival| arrival.minute));
}

fn unpack(body: &[u8]) -> Result<Vec<Minuted>, StoreError> {
    let Some((&VERSION, mut rest)) = body.split_first() else {
        return Err(match body.first() {
            Some(version) => unreadable(&format!("its version is {version}; allowed: {VERSION}")),
            None => unreadable("it is empty"),
        });
    };
    let rest = &mut rest;
    let count = number(rest)
        .and_then(|count| usize::try_from(count).ok())
        .filter(|count| (1..=MOST).contains(count))
        .ok_or_else(|| {
            unreadable(&format!(
                "it has too many readings, or none; allowed: 1 to {MOST}"
            ))
        })?;
    let mut arrivals = vec![Minuted::default(); count];
    steps(rest, arrivals.iter_mut().map(|arrival| &mut arrival.place))
        .ok_or_else(|| unreadable("its places are damaged"))?;
    steps(rest, arrivals.iter_mut().map(|arrival| &mut arrival.series))
        .ok_or_else(|| unreadable("its sensors are damaged"))?;
    steps(rest, arrivals.iter_mut().map(|arrival| &mut arrival.minute))
        .filter(|()| rest.is_empty())
        .ok_or_else(|| unreadable("its minutes are damaged"))?;
    Ok(arrivals)
}

pub(super) fn unreadable(why: &str) -> StoreError {
    StoreError::Unreadable {
        what: "an order of arrival",
        why: why.to_owned(),
    }
}

fn unpack_of(row: &Row<'_>, column: usize) -> Result<Vec<Minuted>, StoreError> {
    unpack(
        row.get_ref(column)?
            .as_blob()
            .map_err(|_| unreadable("it is not bytes"))?,
    )
}

/// Adds readings that come behind all that are there, in their order.
pub(super) struct Storing<'t> {
    insert: rusqlite::CachedStatement<'t>,
    arrivals: Vec<Minuted>,
    body: Vec<u8>,
}

impl<'t> Storing<'t> {
    pub(super) fn into(transaction: &'t Transaction<'_>, table: &str) -> Result<Self, StoreError> {
        Ok(Self {
            insert: transaction
                .prepare_cached(&format!("INSERT INTO {table} (last, body) VALUES (?1, ?2)"))?,
            arrivals: Vec::with_capacity(TOGETHER),
            body: Vec::new(),
        })
    }

    pub(super) fn take(&mut self, arrival: Arrival) -> Result<(), StoreError> {
        self.arrivals.push(Minuted {
            place: arrival.place,
            series: arrival.series,
            minute: arrival.at_us.div_euclid(MINUTE_US),
        });
        match self.arrivals.len() {
            TOGETHER => self.store(),
            _ => Ok(()),
        }
    }

    pub(super) fn store(&mut self) -> Result<(), StoreError> {
        if let Some(last) = self.arrivals.last() {
            pack(&self.arrivals, &mut self.body);
            self.insert.execute(params![last.place, self.body])?;
            self.arrivals.clear();
        }
        Ok(())
    }
}

/// Takes readings out that are no longer kept.
pub(super) fn forget(transaction: &Transaction<'_>, places: &BTreeSet<i64>) -> Result<(), StoreError> {
    let mut holding = transaction
        .prepare_cached("SELECT last, body FROM arrival WHERE last >= ?1 ORDER BY last LIMIT 1")?;
    let mut change = transaction.prepare_cached("UPDATE arrival SET body = ?2 WHERE last = ?1")?;
    let mut delete = transaction.prepare_cached("DELETE FROM arrival WHERE last = ?1")?;
    let mut body = Vec::new();
    let mut next = places.first().copied();
    while let Some(place) = next {
        let (last, mut left) = {
            let mut rows = holding.query([place])?;
            let Some(row) = rows.next()? else { break };
            (row.get(0)?, unpack_of(row, 1)?)
        };
        left.retain(|arrival| !places.contains(&arrival.place));
        if left.is_empty() {
            delete.execute([last])?;
        } else {
            pack(&left, &mut body);
            // Still those up to `last`, wherever they end.
            change.execute(params![last, body])?;
        }
        next = places.range(i64::saturating_add(last, 1)..).next().copied();
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

/// Readings around the minutes that were asked for last, of some sensors, by their places.
struct AtHand<'r, 'c> {
    reader: &'r Reader<'c>,
    sensors: BTreeMap<i64, Vec<Entry>>,
}

impl AtHand<'_, '_> {
    fn find(&mut self, arrival: &Minuted) -> Result<Option<Entry>, StoreError> {
        let of = |entries: &Vec<Entry>| {
            let found = entries.binary_search_by_key(&arrival.place, |entry| entry.place);
            found.ok().and_then(|index| entries.get(index).copied())
        };
        let found = self.sensors.get(&arrival.series).and_then(of);
        if found.is_some() {
            return Ok(found);
        }
        let from = arrival.minute.saturating_mul(MINUTE_US);
        let mut entries = Vec::new();
        self.reader
            .rows_around(arrival.series, from, from.saturating_add(MINUTE_US), &mut entries)?;
        entries.sort_unstable_by_key(|entry| entry.place);
        let found = of(&entries);
        if self.sensors.len() >= AT_HAND {
            self.sensors.clear();
        }
        self.sensors.insert(arrival.series, entries);
        Ok(found)
    }
}

impl Reader<'_> {
    /// Hands at most `limit` readings behind `after` that have their places by time to `take`, in their order. How many of the `limit` are left.
    pub(super) fn settled_after(
        &self,
        after: i64,
        limit: u32,
        mut take: impl FnMut(Arrived) -> Result<(), StoreError>,
    ) -> Result<u32, StoreError> {
        if !self.has_stretches()? {
            return self.settled_of_earlier_after(after, limit, take);
        }
        let mut left = limit;
        let mut query = self
            .connection
            .prepare_cached("SELECT body FROM arrival WHERE last > ?1 ORDER BY last")?;
        let mut at_hand = AtHand {
            reader: self,
            sensors: BTreeMap::new(),
        };
        let mut rows = query.query([after])?;
        while left > 0
            && let Some(row) = rows.next()?
        {
            let arrivals = unpack_of(row, 0)?;
            for arrival in arrivals.iter().filter(|arrival| arrival.place > after) {
                if left == 0 {
                    break;
                }
                // Who deleted some by hand finds the others.
                if let Some(entry) = at_hand.find(arrival)? {
                    let series = arrival.series;
                    take(Arrived { series, entry })?;
                    left -= 1;
                }
            }
        }
        Ok(left)
    }
}

/// Reads a row, packs it and reads it once more.
#[cfg(any(test, fuzzing))]
pub(super) fn packed_again(body: &[u8]) -> Result<(), StoreError> {
    let arrivals = unpack(body)?;
    assert!(arrivals.len() <= MOST);
    let mut body = Vec::new();
    pack(&arrivals, &mut body);
    assert_eq!(unpack(&body)?, arrivals);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(arrivals: &[Minuted]) -> Vec<u8> {
        let mut body = Vec::new();
        pack(arrivals, &mut body);
        body
    }

    #[test]
    fn numbers_of_any_size_come_back_and_bytes_that_end_too_early_are_told() {
        let ends = [0, 1, -1, 63, 64, -64, -65, 29_540_580, i64::MAX, i64::MIN];
        let arrivals: Vec<Minuted> = ends
            .iter()
            .flat_map(|place| ends.map(|minute| (*place, minute)))
            .map(|(place, minute)| Minuted {
                place,
                series: minute ^ place,
                minute,
            })
            .collect();
        let body = bytes(&arrivals);
        assert_eq!(unpack(&body).unwrap(), arrivals);
        for cut in 0..body.len() {
            let why = unpack(&body[..cut]).unwrap_err().to_string();
            assert!(
                why.starts_with("the store holds an order of arrival that cannot be read back"),
                "{why}"
            );
        }
        let longer: Vec<u8> = body.iter().copied().chain([0]).collect();
        for bytes in [
            longer.as_slice(),
            &[2, 1, 0, 0, 0],
            &[1, 0],
            &[1, 0xff, 0xff, 0x7f],
            &[1, 1, 0, 0, 0, 0],
        ] {
            assert!(unpack(bytes).is_err(), "{bytes:?}");
        }
    }

    #[test]
    fn readings_that_follow_each_other_take_few_bytes() {
        let of = |sensors: i64| {
            let arrivals: Vec<Minuted> = (0..128)
                .map(|index| Minuted {
                    place: 5_000_000 + index,
                    series: 1 + index % sensors,
                    minute: 29_540_580 + index / sensors / 12,
                })
                .collect();
            bytes(&arrivals).len()
        };
        assert!(of(1) < 80, "{}", of(1));
        assert!(of(2) < 128 + 60, "{}", of(2));
        assert!(of(64) < 60, "{}", of(64));
    }
}
