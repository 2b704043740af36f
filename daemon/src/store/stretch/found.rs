//! Looking for readings in the rows, or in those of an earlier layout.

use rusqlite::params;

use super::{
    super::{Reader, StoreError, layout},
    AT_OR_BEFORE, Entry, Packed, newest, packed,
};

/// What [`Packed`] is made of.
const COLUMNS: &str = "first_us, last_us, count, body";

impl Reader<'_> {
    pub(in crate::store) fn has_stretches(&self) -> Result<bool, StoreError> {
        Ok(self.layout()? >= layout::WITH_STRETCHES)
    }

    /// Hands readings of a sensor from `from` to before `until` that have their places to `take`, by time.
    pub(in crate::store) fn settled(
        &self,
        series: i64,
        from: i64,
        until: i64,
        mut take: impl FnMut(&Entry) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        if !self.has_stretches()? {
            return self.settled_of_earlier(series, from, until, take);
        }
        self.stretches(series, from, until, |row| {
            let entries = row.entries()?;
            let within = entries
                .iter()
                .filter(|entry| (from..until).contains(&entry.at_us));
            within.into_iter().try_for_each(&mut take)
        })
    }

    /// All readings of the rows of a sensor of which the stretch reaches into that from `from` to before `until`.
    pub(in crate::store) fn rows_around(
        &self,
        series: i64,
        from: i64,
        until: i64,
        to: &mut Vec<Entry>,
    ) -> Result<(), StoreError> {
        self.stretches(series, from, until, |row| {
            to.extend(row.entries()?);
            Ok(())
        })
    }

    /// Hands rows of a sensor of which the stretch reaches into that from `from` to before `until` to `take`, by time.
    fn stretches(
        &self,
        series: i64,
        from: i64,
        until: i64,
        mut take: impl FnMut(&Packed<'_>) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM stretch WHERE series = ?1 AND first_us < ?3 AND first_us >= coalesce(
                 (SELECT max(first_us) FROM stretch WHERE series = ?1 AND first_us <= ?2), ?2) ORDER BY first_us"
        ))?;
        let mut rows = query.query(params![series, from, until])?;
        while let Some(row) = rows.next()? {
            let row = packed(row, 0)?;
            if row.last_us >= from {
                take(&row)?;
            }
        }
        Ok(())
    }

    /// The newest reading of a sensor of those that have their places.
    pub(in crate::store) fn newest_settled(&self, series: i64) -> Result<Option<Entry>, StoreError> {
        if !self.has_stretches()? {
            return self.newest_of_earlier(series);
        }
        let mut query = self.connection.prepare_cached(AT_OR_BEFORE)?;
        let mut rows = query.query(params![series, i64::MAX])?;
        let Some(row) = rows.next()? else { return Ok(None) };
        Ok(packed(row, 1)?.entries()?.last().copied())
    }

    /// Whether a sensor has readings with their places that were measured at or after `from`.
    pub(in crate::store) fn is_settled_since(&self, series: i64, from: i64) -> Result<bool, StoreError> {
        if !self.has_stretches()? {
            return Ok(self
                .newest_of_earlier(series)?
                .is_some_and(|newest| newest.at_us >= from));
        }
        Ok(newest(self.connection, series)?.is_some_and(|newest| newest >= from))
    }

    /// The first place in the order of arrival of readings of a sensor that were measured at or after `since` and have their places by time.
    pub(in crate::store) fn first_settled_since(
        &self,
        series: i64,
        since: i64,
    ) -> Result<Option<i64>, StoreError> {
        if !self.has_stretches()? {
            return self.first_of_earlier_since(series, since);
        }
        let mut first = None;
        self.stretches(series, since, i64::MAX, |row| {
            let here = if row.first_us >= since {
                Some(row.first_place()?)
            } else {
                let entries = row.entries()?;
                entries
                    .iter()
                    .filter(|entry| entry.at_us >= since)
                    .map(|entry| entry.place)
                    .min()
            };
            first = [first, here].into_iter().flatten().min();
            Ok(())
        })?;
        Ok(first)
    }
}
