//! How an older file becomes a present one.

use rusqlite::Connection;

use super::{
    StoreError, earlier,
    layout::{STEPS, WITH_ARRIVALS, WITH_ROLLUPS, WITH_STRETCHES, latest},
    rollup,
};

/// Settings of a connection that writes.
///
/// The write-ahead log with `synchronous = FULL`: each commit reaches the disk before it is acknowledged, so a power
/// failure loses nothing that was acknowledged, as far as the disk keeps its word about flushing. `NORMAL` would be
/// some times faster and could lose the commits since the last checkpoint; a sensor sends a few readings a minute.
pub(super) fn prepare(connection: &mut Connection) -> Result<(), StoreError> {
    // Before anything is written to it.
    done(connection)?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.set_prepared_statement_cache_capacity(64);
    migrate(connection)
}

/// How many steps the file has behind it; a later program's file is not for us.
fn done(connection: &Connection) -> Result<usize, StoreError> {
    let found: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    usize::try_from(found)
        .ok()
        .filter(|done| *done <= STEPS.len())
        .ok_or(StoreError::LaterLayout {
            found,
            known: latest(),
        })
}

/// Brings a file to the present layout, each step in a transaction of its own.
pub(super) fn migrate(connection: &mut Connection) -> Result<(), StoreError> {
    let done = done(connection)?;
    for (step, layout) in STEPS.iter().zip(1_i64..).skip(done) {
        let transaction = connection.transaction()?;
        transaction.execute_batch(step)?;
        if layout == WITH_ROLLUPS {
            rollup::fill(&transaction, rollup::FILLED_AT_ONCE)?;
        }
        if layout == WITH_ARRIVALS {
            earlier::fill_arrivals(&transaction)?;
        }
        if layout == WITH_STRETCHES {
            earlier::fill_stretches(&transaction)?;
        }
        transaction.pragma_update(None, "user_version", layout)?;
        transaction.commit()?;
    }
    Ok(())
}
