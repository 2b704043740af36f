//! How far time-series servers were told, and what is still to be told.

use fobwatch_core::{alert::AlertRecord, forecast::Forecast};
use rusqlite::{OptionalExtension, params};

use super::{BatchId, Reader, StoreError, Writer, text::decode};

/// What is told in an order of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// Readings, by their place in the one order: a late one has a late place.
    Readings,
    /// Transitions of alerts, in the order in which they were stored.
    Alerts,
    /// Forecasts of a batch, by their time in microseconds.
    Forecasts(BatchId),
}

/// The name of a batch's forecasts begins so, and ends with its number.
const FORECASTS: &str = "forecasts ";

impl Told {
    fn name(self) -> String {
        match self {
            Self::Readings => "readings".to_owned(),
            Self::Alerts => "alerts".to_owned(),
            Self::Forecasts(batch) => format!("{FORECASTS}{}", batch.0),
        }
    }
}

impl Reader<'_> {
    /// The last place that `destination` was told; the lowest there is, if nothing.
    ///
    /// # Errors
    /// The database failed.
    pub fn told(&self, destination: &str, what: Told) -> Result<i64, StoreError> {
        let mut query = self
            .connection
            .prepare_cached("SELECT place FROM told WHERE destination = ?1 AND what = ?2")?;
        let place = query
            .query_row(params![destination, what.name()], |row| row.get(0))
            .optional()?;
        Ok(place.unwrap_or(i64::MIN))
    }

    /// At most `limit` alerts stored after `place`, with their places.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn alerts_after(&self, place: i64, limit: u32) -> Result<Vec<(i64, AlertRecord)>, StoreError> {
        let mut query = self
            .connection
            .prepare_cached("SELECT id, body FROM alert WHERE id > ?1 ORDER BY id LIMIT ?2")?;
        let rows = query.query_map(params![place, limit], |row| {
            Ok((row.get(0)?, decode(&row.get::<_, String>(1)?)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The batches of which `destination` was not told every forecast: one question, however many batches there are.
    ///
    /// # Errors
    /// The database failed.
    pub fn with_untold_forecasts(&self, destination: &str) -> Result<Vec<BatchId>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT id FROM batch WHERE EXISTS (
                 SELECT 1 FROM forecast WHERE batch = batch.id AND at_us > coalesce(
                     (SELECT place FROM told WHERE destination = ?1 AND what = ?2 || batch.id), ?3))
             ORDER BY id",
        )?;
        let rows = query.query_map(params![destination, FORECASTS, i64::MIN], |row| {
            row.get(0).map(BatchId)
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// At most `limit` forecasts of a batch after the time `place`, with their times.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn forecasts_after(
        &self,
        batch: BatchId,
        place: i64,
        limit: u32,
    ) -> Result<Vec<(i64, Forecast)>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT at_us, body FROM forecast WHERE batch = ?1 AND at_us > ?2 ORDER BY at_us LIMIT ?3",
        )?;
        let rows = query.query_map(params![batch.0, place, limit], |row| {
            Ok((row.get(0)?, decode(&row.get::<_, String>(1)?)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

impl Writer {
    /// Remembers that `destination` was told up to `place`.
    ///
    /// # Errors
    /// It was not stored: what came after the place before is told again, which changes nothing there.
    pub fn set_told(&mut self, destination: &str, what: Told, place: i64) -> Result<(), StoreError> {
        self.connection.execute(
            "INSERT INTO told (destination, what, place) VALUES (?1, ?2, ?3)
             ON CONFLICT (destination, what) DO UPDATE SET place = excluded.place",
            params![destination, what.name(), place],
        )?;
        Ok(())
    }
}
