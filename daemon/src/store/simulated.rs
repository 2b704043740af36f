//! For the simulation of faults: a disk that is full or takes no writing, by SQLite's own limits on the connection that writes; and the readings
//! of a store as a row each, to set them beside what else the store knows of them.

use rusqlite::{Connection, params};

use super::{Reader, StoreError, Writer, stretch};

/// Lets `connection` see all readings as rows: `reading` has those that have their places by time, `arrived` all of them.
pub(crate) fn unpack(connection: &Connection) -> Result<(), StoreError> {
    connection.execute_batch(
        "DROP TABLE IF EXISTS temp.reading;
         CREATE TEMP TABLE reading (series INTEGER, at_us INTEGER, value REAL, seq INTEGER, received_us INTEGER, PRIMARY KEY (series, at_us));
         CREATE TEMP VIEW IF NOT EXISTS arrived AS
             SELECT series, at_us, value, seq, received_us FROM temp.reading
             UNION ALL SELECT series, at_us, value, seq, received_us FROM fresh;",
    )?;
    let mut insert = connection.prepare("INSERT INTO temp.reading VALUES (?1, ?2, ?3, ?4, ?5)")?;
    let reader = Reader::new(connection);
    for series in reader.sensors()?.into_keys() {
        stretch::check_order(connection, series)?;
        reader.settled(series, i64::MIN, i64::MAX, |entry| {
            let row = params![series, entry.at_us, entry.value, entry.place, entry.received_us];
            insert.execute(row)?;
            Ok(())
        })?;
    }
    Ok(())
}

impl Writer {
    /// Nothing grows from here on, until there is room again.
    pub(crate) fn fill_up(&self, full: bool) {
        let pages = if full { 1 } else { 1_073_741_823 };
        // Fewer pages than there are mean: as many as there are.
        self.set("max_page_count", pages);
    }

    /// Nothing is written from here on, or it is again.
    pub(crate) fn read_only(&self, on: bool) {
        self.set("query_only", i64::from(on));
    }

    fn set(&self, pragma: &str, value: i64) {
        // Each of them answers with a row, and cannot fail on an open connection.
        self.connection
            .pragma_update_and_check(None, pragma, value, |_| Ok(()))
            .ok();
    }

    /// What must hold of every store: what is committed is on the disk.
    pub(crate) fn is_durable(&self) -> bool {
        let ask = |pragma: &str| -> Option<String> {
            self.connection
                .pragma_query_value(None, pragma, |row| row.get::<_, rusqlite::types::Value>(0))
                .ok()
                .map(|value| format!("{value:?}"))
        };
        ask("journal_mode").is_some_and(|mode| mode.contains("wal"))
            && ask("synchronous").is_some_and(|how| how.contains('2'))
    }
}
