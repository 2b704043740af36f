//! Readings of one sensor as the bytes of a row.
//!
//! A version first. Then, each for all readings one after the other, by time: their places in the order of arrival, when they were measured,
//! when they arrived (`packed.rs`), and their values (`values.rs`). Times are told after the first, in microseconds or, where a sensor's clock
//! is no finer, in thousands of them; where arriving keeps step with measuring rather than with itself, what lies between the two is told.

use super::values;
use crate::store::{
    StoreError,
    packed::{MOST, put_steps, steps},
};

const VERSION: u8 = 1;

/// In what times are told, by the number before them: microseconds, milliseconds, seconds.
const UNITS_US: [i64; 3] = [1, 1_000, 1_000_000];

/// What stands before the times of arrival: they are told by themselves, or by how long after the reading they are.
const BY_ITSELF: u8 = 0;
const AFTER_IT: u8 = 1;

/// A reading of a sensor that is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(in crate::store) struct Entry {
    pub(in crate::store) at_us: i64,
    /// In the order of arrival.
    pub(in crate::store) place: i64,
    pub(in crate::store) received_us: i64,
    pub(in crate::store) value: f64,
}

/// The bytes of some readings, which have to come by time.
pub(super) fn pack(entries: &[Entry], to: &mut Vec<u8>) {
    to.clear();
    let Some(first) = entries.first() else { return };
    to.push(VERSION);
    put_steps(to, entries.iter().map(|entry| entry.place));
    let since = |entry: &Entry| entry.at_us.wrapping_sub(first.at_us);
    let is_whole = |unit: &i64| entries.iter().all(|entry| since(entry) % unit == 0);
    let (number, unit) = (0..)
        .zip(UNITS_US)
        .filter(|(_, unit)| is_whole(unit))
        .last()
        .unwrap_or((0, 1));
    to.push(number);
    put_steps(to, entries.iter().map(|entry| since(entry) / unit));
    let by_itself = |entry: &Entry| entry.received_us.wrapping_sub(first.at_us);
    let after_it = |entry: &Entry| entry.received_us.wrapping_sub(entry.at_us);
    if breaks(entries, after_it) < breaks(entries, by_itself) {
        to.push(AFTER_IT);
        put_steps(to, entries.iter().map(after_it));
    } else {
        to.push(BY_ITSELF);
        put_steps(to, entries.iter().map(by_itself));
    }
    values::put(to, entries.iter().map(|entry| entry.value));
}

/// How many of the numbers do not go on as those before them did.
fn breaks(entries: &[Entry], of: impl Fn(&Entry) -> i64) -> usize {
    let (mut last, mut step, mut breaks) = (entries.first().map_or(0, &of), 0, 0);
    for number in entries.iter().map(of) {
        let next = number.wrapping_sub(last);
        breaks += usize::from(next != step);
        (last, step) = (number, next);
    }
    breaks
}

/// A row as it stands in the table.
#[derive(Clone, Copy, Debug)]
pub(in crate::store) struct Packed<'b> {
    pub(in crate::store) first_us: i64,
    pub(in crate::store) last_us: i64,
    pub(in crate::store) count: i64,
    pub(in crate::store) body: &'b [u8],
}

impl Packed<'_> {
    /// All of its readings, by time.
    pub(in crate::store) fn entries(&self) -> Result<Vec<Entry>, StoreError> {
        let mut entries = vec![Entry::default(); self.room()?];
        let mut rest = self.behind_version()?;
        let rest = &mut rest;
        steps(rest, entries.iter_mut().map(|entry| &mut entry.place))
            .ok_or_else(|| unreadable("its places in the order of arrival"))?;
        let unit = unit(rest)?;
        steps(rest, entries.iter_mut().map(|entry| &mut entry.at_us))
            .ok_or_else(|| unreadable("its times"))?;
        for entry in &mut entries {
            entry.at_us = entry.at_us.wrapping_mul(unit).wrapping_add(self.first_us);
        }
        let is_by_time = entries.windows(2).all(|pair| pair[0].at_us < pair[1].at_us);
        let ends = entries.first().zip(entries.last());
        if !is_by_time
            || ends.is_none_or(|(first, last)| (first.at_us, last.at_us) != (self.first_us, self.last_us))
        {
            return Err(unreadable("the order of its times"));
        }
        let arrivals = || unreadable("its times of arrival");
        let (by, behind) = rest.split_first().ok_or_else(arrivals)?;
        *rest = behind;
        steps(rest, entries.iter_mut().map(|entry| &mut entry.received_us)).ok_or_else(arrivals)?;
        for entry in &mut entries {
            let since = match *by {
                BY_ITSELF => self.first_us,
                AFTER_IT => entry.at_us,
                _ => return Err(arrivals()),
            };
            entry.received_us = entry.received_us.wrapping_add(since);
        }
        values::take(rest, entries.iter_mut().map(|entry| &mut entry.value))
            .filter(|()| rest.is_empty())
            .ok_or_else(|| unreadable("its values"))?;
        Ok(entries)
    }

    /// The first of its places in the order of arrival.
    pub(in crate::store) fn first_place(&self) -> Result<i64, StoreError> {
        let mut places = vec![0; self.room()?];
        steps(&mut self.behind_version()?, &mut places)
            .and_then(|()| places.into_iter().min())
            .ok_or_else(|| unreadable("its places in the order of arrival"))
    }

    /// Reads, packs and reads once more.
    #[cfg(any(test, fuzzing))]
    pub(in crate::store) fn packed_again(&self) -> Result<(), StoreError> {
        let entries = self.entries()?;
        assert!(i64::try_from(entries.len()).is_ok_and(|count| count == self.count) && entries.len() <= MOST);
        let mut body = Vec::new();
        pack(&entries, &mut body);
        let again = Packed { body: &body, ..*self }.entries()?;
        let bits = |entries: &[Entry]| -> Vec<(i64, i64, i64, u64)> {
            let bits = |entry: &Entry| (entry.at_us, entry.place, entry.received_us, entry.value.to_bits());
            entries.iter().map(bits).collect()
        };
        assert_eq!(bits(&entries), bits(&again));
        Ok(())
    }

    /// What its times end with.
    #[cfg(any(test, fuzzing))]
    pub(in crate::store) fn last_time(&self) -> Result<i64, StoreError> {
        let mut numbers = vec![0; self.room()?];
        let mut rest = self.behind_version()?;
        steps(&mut rest, &mut numbers).ok_or_else(|| unreadable("its places in the order of arrival"))?;
        let unit = unit(&mut rest)?;
        steps(&mut rest, &mut numbers).ok_or_else(|| unreadable("its times"))?;
        let last = numbers.last().copied().unwrap_or(0);
        Ok(last.wrapping_mul(unit).wrapping_add(self.first_us))
    }

    fn room(&self) -> Result<usize, StoreError> {
        usize::try_from(self.count)
            .ok()
            .filter(|count| (1..=MOST).contains(count))
            .ok_or_else(|| StoreError::Unreadable {
                what: "a stretch of readings",
                why: format!("it is said to hold {} readings; allowed: 1 to {MOST}", self.count),
            })
    }

    fn behind_version(&self) -> Result<&[u8], StoreError> {
        match self.body.split_first() {
            Some((&VERSION, rest)) => Ok(rest),
            found => Err(StoreError::Unreadable {
                what: "a stretch of readings",
                why: match found {
                    Some((version, _)) => format!("its version is {version}; allowed: {VERSION}"),
                    None => "it is empty".to_owned(),
                },
            }),
        }
    }
}

fn unit(rest: &mut &[u8]) -> Result<i64, StoreError> {
    let (number, behind) = rest.split_first().ok_or_else(|| unreadable("its times"))?;
    *rest = behind;
    let unit = UNITS_US.get(usize::from(*number)).copied();
    unit.ok_or_else(|| unreadable("its times"))
}

fn unreadable(which: &str) -> StoreError {
    StoreError::Unreadable {
        what: "a stretch of readings",
        why: format!("{which} are damaged"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(entries: &[Entry], body: &[u8]) -> Result<Vec<Entry>, StoreError> {
        let row = Packed {
            first_us: entries[0].at_us,
            last_us: entries[entries.len() - 1].at_us,
            count: i64::try_from(entries.len()).unwrap(),
            body,
        };
        let read = row.entries()?;
        assert_eq!(
            row.first_place().unwrap(),
            read.iter().map(|e| e.place).min().unwrap()
        );
        Ok(read)
    }

    fn bytes(entries: &[Entry]) -> Vec<u8> {
        let mut body = vec![1, 2, 3];
        pack(entries, &mut body);
        body
    }

    /// A sensor every five seconds in a store of ten, in lots of a minute.
    fn regular(count: i64) -> Vec<Entry> {
        (0..count)
            .map(|index| Entry {
                at_us: 1_772_434_800_000_000 + index * 5_000_000,
                place: 70_000 + index * 10,
                received_us: 1_772_434_860_000_000 + index / 12 * 60_000_000,
                value: 1e5 + f64::from(i32::try_from(index * 37 % 101).unwrap()),
            })
            .collect()
    }

    #[test]
    fn readings_come_back_and_those_of_a_clock_take_two_bytes() {
        for count in [1, 2, 3, 128, 1_024] {
            let entries = regular(count);
            assert_eq!(row(&entries, &bytes(&entries)).unwrap(), entries);
        }
        let body = bytes(&regular(128));
        assert!(body.len() < 128 * 2 + 150, "{}", body.len());
        // Dated by the moment at which they came, which no clock keeps.
        let mut unsteady = regular(128);
        for entry in &mut unsteady {
            entry.at_us += entry.value.to_bits().cast_signed() % 9_973;
            entry.received_us = entry.at_us;
        }
        let body = bytes(&unsteady);
        assert_eq!(row(&unsteady, &body).unwrap(), unsteady);
        assert!(body.len() < 128 * 5 + 30, "{}", body.len());
        // By a clock of milliseconds that is read a little early or late.
        let mut dated = regular(128);
        for entry in &mut dated {
            entry.at_us += entry.place * 7_919 % 11 * 1_000;
        }
        let body = bytes(&dated);
        assert_eq!(row(&dated, &body).unwrap(), dated);
        assert!(body.len() < 128 * 3 + 150, "{}", body.len());
    }

    #[test]
    fn damaged_rows_are_told_and_take_no_more_room_than_readings_of_a_row() {
        let entries = regular(40);
        let body = bytes(&entries);
        for cut in 0..body.len() {
            let why = row(&entries, &body[..cut]).unwrap_err().to_string();
            assert!(
                why.starts_with("the store holds a stretch of readings that cannot be read back: "),
                "{why}"
            );
        }
        let mut longer = body.clone();
        longer.push(0);
        assert!(row(&entries, &longer).is_err());
        let mut later = body.clone();
        later[0] = 9;
        let why = row(&entries, &later).unwrap_err().to_string();
        assert!(why.ends_with("its version is 9; allowed: 1"), "{why}");
        let said = |first_us: i64, last_us: i64, count: i64| {
            let body = &body;
            Packed {
                first_us,
                last_us,
                count,
                body,
            }
            .entries()
        };
        let (first, last) = (entries[0].at_us, entries[39].at_us);
        assert!(said(first, last, 40).is_ok());
        for count in [i64::MIN, -1, 0, 39, 41, 1_025, i64::MAX] {
            assert!(said(first, last, count).is_err(), "{count}");
        }
        assert!(said(first + 1, last, 40).is_err());
        assert!(said(first, last + 1, 40).is_err());
    }

    proptest::proptest! {
        #[test]
        fn any_readings_come_back(
            rows in proptest::collection::btree_map(
                proptest::num::i64::ANY,
                (proptest::num::i64::ANY, proptest::num::i64::ANY, proptest::num::f64::NORMAL | proptest::num::f64::ZERO),
                1..60
            )
        ) {
            let entries: Vec<Entry> = rows
                .into_iter()
                .map(|(at_us, (place, received_us, value))| Entry { at_us, place, received_us, value })
                .collect();
            proptest::prop_assert_eq!(row(&entries, &bytes(&entries)).unwrap(), entries);
        }
    }
}
