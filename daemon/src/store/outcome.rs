//! What came of driving a batch: alerts, forecasts, readings that were set aside, the engine's state.

use fobwatch_core::{
    alert::AlertRecord,
    engine::SetAside,
    forecast::Forecast,
    reading::{Quantity, Source},
};
use rusqlite::{OptionalExtension, Transaction, params};

use super::{
    BatchId, Outcome, Reader, Sequence, SetAsideCount, Snapshot, StoreError, Writer, outbox,
    read::{quantity, source, time},
    series::{known_series, new_series},
    text::{encode, name_of},
};

impl Writer {
    /// Stores all that came of driving a batch. Answers with the alerts that were not there yet, in order.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn record(&mut self, outcome: &Outcome) -> Result<Vec<AlertRecord>, StoreError> {
        let transaction = self.connection.transaction()?;
        let batch = outcome.batch;
        let mut fresh = Vec::new();
        for alert in &outcome.alerts {
            if insert_alert(&transaction, batch, alert, outcome)? {
                fresh.push(alert.clone());
            }
        }
        for reminder in &outcome.reminders {
            outbox::put_reminder(&transaction, batch, reminder, outcome)?;
        }
        for forecast in &outcome.forecasts {
            transaction
                .prepare_cached("INSERT OR REPLACE INTO forecast (batch, at_us, body) VALUES (?1, ?2, ?3)")?
                .execute(params![batch.0, forecast.at.as_microsecond(), encode(forecast)?])?;
        }
        for set_aside in &outcome.set_aside {
            count_set_aside(&transaction, batch, set_aside)?;
        }
        if let Some(snapshot) = &outcome.snapshot {
            put_snapshot(&transaction, batch, snapshot)?;
        }
        transaction.commit()?;
        Ok(fresh)
    }

    /// Stores the states of many batches together, as at a stop.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub fn keep_snapshots(&mut self, snapshots: &[(BatchId, Snapshot)]) -> Result<(), StoreError> {
        let transaction = self.connection.transaction()?;
        for (batch, snapshot) in snapshots {
            put_snapshot(&transaction, *batch, snapshot)?;
        }
        transaction.commit()?;
        Ok(())
    }
}

fn insert_alert(
    transaction: &Transaction<'_>,
    batch: BatchId,
    alert: &AlertRecord,
    outcome: &Outcome,
) -> Result<bool, StoreError> {
    let inserted = transaction
        .prepare_cached(
            "INSERT INTO alert (batch, alert, state, at_us, source, quantity, body)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            batch.0,
            alert.alert.name(),
            name_of(&alert.state)?,
            alert.at.as_microsecond(),
            alert.source.as_ref().map_or("", Source::as_str),
            alert.quantity.map_or("", Quantity::name),
            encode(alert)?,
        ])?;
    if inserted == 0 {
        return Ok(false);
    }
    outbox::put_alert(transaction, transaction.last_insert_rowid(), alert, outcome)?;
    Ok(true)
}

fn put_snapshot(
    transaction: &Transaction<'_>,
    batch: BatchId,
    snapshot: &Snapshot,
) -> Result<(), StoreError> {
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO snapshot (batch, seq, taken_us, body) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![
            batch.0,
            snapshot.sequence.0,
            snapshot.taken_at.as_microsecond(),
            snapshot.body
        ])?;
    Ok(())
}

fn count_set_aside(
    transaction: &Transaction<'_>,
    batch: BatchId,
    set_aside: &SetAside,
) -> Result<(), StoreError> {
    let reading = &set_aside.reading;
    let (source, quantity) = (&reading.source, reading.measured.quantity());
    let series = match known_series(transaction, source, quantity)? {
        Some(series) => series,
        None => new_series(transaction, source, quantity)?,
    };
    transaction
        .prepare_cached(
            "INSERT INTO set_aside (batch, series, reason, count, last_us) VALUES (?1, ?2, ?3, 1, ?4)
             ON CONFLICT DO UPDATE SET count = count + 1, last_us = max(last_us, excluded.last_us)",
        )?
        .execute(params![
            batch.0,
            series,
            name_of(&set_aside.reason)?,
            reading.at.as_microsecond()
        ])?;
    Ok(())
}

impl Reader<'_> {
    /// All transitions of alerts of a batch, in the order in which they were stored.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn alerts(&self, batch: BatchId) -> Result<Vec<AlertRecord>, StoreError> {
        self.bodies("SELECT body FROM alert WHERE batch = ?1 ORDER BY id", batch)
    }

    /// The last transition of each alert of a batch (of each sensor, for sensor alerts), the latest stored last.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn last_alerts(&self, batch: BatchId) -> Result<Vec<AlertRecord>, StoreError> {
        let query = "SELECT body FROM alert WHERE id IN
                     (SELECT max(id) FROM alert WHERE batch = ?1 GROUP BY alert, source, quantity) ORDER BY id";
        self.bodies(query, batch)
    }

    /// Forecasts of a batch on the grid, by time.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn forecasts(&self, batch: BatchId) -> Result<Vec<Forecast>, StoreError> {
        self.bodies("SELECT body FROM forecast WHERE batch = ?1 ORDER BY at_us", batch)
    }

    /// The latest forecast of a batch on the grid.
    ///
    /// # Errors
    /// The database failed, or the row does not read back.
    pub fn last_forecast(&self, batch: BatchId) -> Result<Option<Forecast>, StoreError> {
        let query = "SELECT body FROM forecast WHERE batch = ?1 ORDER BY at_us DESC LIMIT 1";
        Ok(self.bodies(query, batch)?.pop())
    }

    /// The stored state of a batch's engine.
    ///
    /// # Errors
    /// The database failed.
    pub fn snapshot(&self, batch: BatchId) -> Result<Option<Snapshot>, StoreError> {
        let mut query = self
            .connection
            .prepare_cached("SELECT seq, taken_us, body FROM snapshot WHERE batch = ?1")?;
        let found = query
            .query_row([batch.0], |row| {
                Ok(Snapshot {
                    sequence: Sequence(row.get(0)?),
                    taken_at: time(row, 1)?,
                    body: row.get(2)?,
                })
            })
            .optional()?;
        Ok(found)
    }

    /// How many readings a batch did not use, by sensor and reason.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn set_aside(&self, batch: BatchId) -> Result<Vec<SetAsideCount>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT source, quantity, reason, count, last_us FROM set_aside JOIN series ON series = id
             WHERE batch = ?1 ORDER BY source, quantity, reason",
        )?;
        let rows = query.query_map([batch.0], |row| {
            Ok(SetAsideCount {
                source: source(row, 0)?,
                quantity: quantity(row, 1)?,
                reason: row.get(2)?,
                count: row.get::<_, i64>(3)?.unsigned_abs(),
                last_at: time(row, 4)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}
