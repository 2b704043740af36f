//! A stretch of time of one sensor in a few parts, from rollups where they are fine enough.

use std::collections::{BTreeMap, btree_map::Entry};

use fobwatch_core::reading::{Measured, Quantity, Source};
use jiff::Timestamp;
use rusqlite::params;

use super::{
    Bucket, Reader, StoreError, Thinned,
    rollup::{COLUMNS, Roll, SPAN_US, start_of},
    text::unreadable,
};

impl Reader<'_> {
    /// The readings of one sensor from `from` to before `until` in at most `count` equal parts, those without a reading
    /// left out: for pictures.
    ///
    /// Parts of five minutes and more are made of rollups: they begin at whole five minutes, and the first and last reach to
    /// whole five minutes. Finer parts are made of raw readings, and where those are no longer kept, of the rollups.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn rolled(
        &self,
        source: &Source,
        quantity: Quantity,
        from: Timestamp,
        until: Timestamp,
        count: u32,
    ) -> Result<Vec<Bucket>, StoreError> {
        self.at_one_moment(|reader| reader.in_parts(source, quantity, (from, until), count))
    }

    fn in_parts(
        &self,
        source: &Source,
        quantity: Quantity,
        (from, until): (Timestamp, Timestamp),
        count: u32,
    ) -> Result<Vec<Bucket>, StoreError> {
        let (from, until) = (from.as_microsecond(), until.as_microsecond());
        let count = i64::from(count.max(1));
        let width = parts_of(until.saturating_sub(from).max(1), count);
        if width <= SPAN_US || !self.has_rollups()? {
            return self.fine(source, quantity, Stretch { from, until, width });
        }
        let from = start_of(from);
        let width = parts_of(parts_of(until.saturating_sub(from), SPAN_US), count) * SPAN_US;
        let stretch = Stretch { from, until, width };
        let mut parts = Parts::new(stretch);
        self.each_roll(source, quantity, stretch, false, |at_us, roll| {
            parts.take(at_us, roll.count, roll.least, roll.sum, roll.most);
        })?;
        parts.finish(quantity)
    }

    fn fine(&self, source: &Source, quantity: Quantity, stretch: Stretch) -> Result<Vec<Bucket>, StoreError> {
        let mut values: Vec<(i64, i64, f64, f64, f64)> = Vec::new();
        self.each_roll(source, quantity, stretch, true, |at_us, roll| {
            values.push((
                at_us.max(stretch.from),
                roll.count,
                roll.least,
                roll.sum,
                roll.most,
            ));
        })?;
        let instead = values.len();
        let starts: Vec<_> = values.iter().map(|value| start_of(value.0)).collect();
        let mut take = |at_us: i64, value: f64| {
            // What is left raw of five minutes that were thinned is in the rollup.
            if starts.binary_search(&start_of(at_us)).is_err() {
                values.push((at_us, 1, value, value, value));
            }
        };
        let series = self.series_of(source, quantity)?;
        if let Some(series) = series {
            self.settled(series, stretch.from, stretch.until, |entry| {
                take(entry.at_us, entry.value);
                Ok(())
            })?;
        }
        let fresh = self.fresh_values(series, stretch.from, stretch.until)?;
        fresh.iter().for_each(|(at_us, value)| take(*at_us, *value));
        if instead > 0 || !fresh.is_empty() {
            values.sort_by_key(|value| value.0);
        }
        let mut parts = Parts::new(stretch);
        for (at_us, count, least, sum, most) in values {
            parts.take(at_us, count, least, sum, most);
        }
        parts.finish(quantity)
    }

    fn each_roll(
        &self,
        source: &Source,
        quantity: Quantity,
        stretch: Stretch,
        only_thinned: bool,
        mut take: impl FnMut(i64, Roll),
    ) -> Result<(), StoreError> {
        if !self.has_rollups()? {
            return Ok(());
        }
        let query = format!(
            "SELECT at_us, {COLUMNS} FROM rollup
             WHERE series = ?1 AND at_us >= ?2 AND at_us < ?3 AND thinned >= ?4 ORDER BY at_us"
        );
        let mut query = self.connection.prepare_cached(&query)?;
        let series = self.series_of(source, quantity)?;
        let from = start_of(stretch.from);
        let rows = query.query_map(
            params![series, from, stretch.until, i64::from(only_thinned)],
            |row| Ok((row.get(0)?, Roll::read(row, 1)?)),
        )?;
        let mut rolls: BTreeMap<i64, Roll> = rows.collect::<Result<_, _>>()?;
        // The last five minutes are whole, as are those of the rollups.
        let until = start_of(stretch.until.saturating_sub(1)).saturating_add(SPAN_US);
        for (at_us, value) in self.fresh_values(series, from, until)? {
            match rolls.entry(start_of(at_us)) {
                Entry::Occupied(mut known) => known.get_mut().take(at_us, value),
                // Where only thinned ones are wanted it is there raw.
                Entry::Vacant(_) if only_thinned => {}
                Entry::Vacant(none) => {
                    none.insert(Roll::new(at_us, value));
                }
            }
        }
        for (at_us, roll) in rolls {
            take(at_us, roll);
        }
        Ok(())
    }

    /// Which part of the stretch from `from` to before `until` is no longer kept raw, over all sensors; `None`: every
    /// reading is there as it came.
    ///
    /// # Errors
    /// The database failed.
    pub fn thinned(&self, from: Timestamp, until: Timestamp) -> Result<Option<Thinned>, StoreError> {
        if !self.has_rollups()? {
            return Ok(None);
        }
        let found: (i64, Option<i64>, Option<i64>) = self
            .connection
            .prepare_cached(
                "SELECT coalesce(sum(thinned), 0), min(first_us), max(last_us) FROM rollup
                 WHERE thinned > 0 AND at_us >= ?1 AND at_us < ?2",
            )?
            .query_row(
                params![start_of(from.as_microsecond()), until.as_microsecond()],
                |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
            )?;
        let (count, Some(first), Some(last)) = found else {
            return Ok(None);
        };
        Ok(Some(Thinned {
            count: count.unsigned_abs(),
            first_at: Timestamp::from_microsecond(first).map_err(unreadable)?,
            last_at: Timestamp::from_microsecond(last).map_err(unreadable)?,
        }))
    }
}

/// How many parts of `part` reach over `all`, which is above zero.
fn parts_of(all: i64, part: i64) -> i64 {
    all / part + i64::from(all % part != 0)
}

/// A stretch of time and the width of its parts, in microseconds.
#[derive(Clone, Copy)]
struct Stretch {
    from: i64,
    until: i64,
    width: i64,
}

/// The parts of a stretch; values have to come by time.
struct Parts {
    stretch: Stretch,
    parts: Vec<Part>,
}

struct Part {
    index: i64,
    count: i64,
    least: f64,
    sum: f64,
    most: f64,
}

impl Parts {
    fn new(stretch: Stretch) -> Self {
        Self {
            stretch,
            parts: Vec::new(),
        }
    }

    fn take(&mut self, at_us: i64, count: i64, least: f64, sum: f64, most: f64) {
        let index = (at_us - self.stretch.from) / self.stretch.width;
        match self.parts.last_mut() {
            Some(part) if part.index == index => {
                part.count += count;
                part.least = part.least.min(least);
                part.sum += sum;
                part.most = part.most.max(most);
            }
            _ => self.parts.push(Part {
                index,
                count,
                least,
                sum,
                most,
            }),
        }
    }

    fn finish(self, quantity: Quantity) -> Result<Vec<Bucket>, StoreError> {
        let Stretch { from, width, .. } = self.stretch;
        let read_back = |value: f64| {
            Measured::new(quantity, value, quantity.stored_unit()).map_err(|error| StoreError::Unreadable {
                what: "a reading",
                why: error.to_string(),
            })
        };
        let bucket = |part: Part| {
            #[expect(clippy::cast_precision_loss, reason = "nobody has 2^53 readings")]
            // Rounding must not carry the mean past the ends.
            let mean = (part.sum / part.count.max(1) as f64).clamp(part.least, part.most);
            Ok(Bucket {
                from: Timestamp::from_microsecond(from + part.index * width).map_err(unreadable)?,
                count: part.count.unsigned_abs(),
                least: read_back(part.least)?,
                mean: read_back(mean)?,
                most: read_back(part.most)?,
            })
        };
        self.parts.into_iter().map(bucket).collect()
    }
}
