//! A disk that is full or takes no writing, for the simulation of faults: SQLite's own limits on the connection that writes.

use super::Writer;

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
