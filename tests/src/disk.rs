//! The store of a daemon, read by another library call than the daemon's own.

use std::path::Path;

use fobwatch_simulator::Emitted;
use jiff::Timestamp;
use rusqlite::params;

use crate::packed;

/// What makes a reading one: source, quantity, and microseconds since 1970.
pub type Key = (String, String, i64);

/// That of a reading that the simulator sends.
#[must_use]
pub fn key(reading: &Emitted) -> Key {
    (
        reading.source.clone(),
        reading.quantity.name().to_owned(),
        reading.at.as_microsecond(),
    )
}

/// What a stopped or running daemon has on disk, read by another library call than the daemon's own.
#[derive(Debug)]
pub struct Disk(rusqlite::Connection);

impl Disk {
    /// Opens the store in `data` for reading alone.
    ///
    /// # Panics
    /// There is none.
    #[must_use]
    pub fn open(data: &Path) -> Self {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
        let file = data.join("fobwatch.sqlite");
        Self(rusqlite::Connection::open_with_flags(file, flags).expect("the store opens"))
    }

    /// The one number that `sql` answers.
    ///
    /// # Panics
    /// It answers none.
    #[must_use]
    pub fn count(&self, sql: &str) -> usize {
        let number: i64 = self
            .0
            .query_row(sql, [], |row| row.get(0))
            .expect("the query answers");
        number.try_into().expect("a count is not negative")
    }

    /// The first column of every row of `sql`, as text.
    ///
    /// # Panics
    /// The query is not understood.
    #[must_use]
    pub fn texts(&self, sql: &str) -> Vec<String> {
        let mut statement = self.0.prepare(sql).expect("the query is understood");
        let rows = statement
            .query_map([], |row| row.get(0))
            .expect("the query answers");
        rows.map(|row| row.expect("a row is text")).collect()
    }

    /// Lets this connection see all readings as a row each, as they are at this moment.
    fn unpack(&self) {
        self.0
            .execute_batch(
                "DROP TABLE IF EXISTS arrived;
                 BEGIN;
                 CREATE TEMP TABLE arrived AS SELECT series, at_us, value, seq FROM fresh;",
            )
            .expect("those that came last are there");
        let mut insert = self
            .0
            .prepare("INSERT INTO arrived VALUES (?1, ?2, ?3, ?4)")
            .expect("a statement");
        let mut query = self
            .0
            .prepare("SELECT series, first_us, last_us, count, body FROM stretch")
            .expect("all others are there");
        let mut stretches = query.query([]).expect("the query answers");
        while let Some(stretch) = stretches.next().expect("a row") {
            let number = |column: usize| -> i64 { stretch.get(column).expect("a number") };
            let (series, first_us, last_us) = (number(0), number(1), number(2));
            let count = usize::try_from(number(3)).expect("a count");
            let body: Vec<u8> = stretch.get(4).expect("bytes");
            let rows = packed::unpack(first_us, count, &body);
            assert_eq!(rows.last().map(|row| row.at_us), Some(last_us));
            for row in rows {
                insert
                    .execute(params![series, row.at_us, row.value, row.place])
                    .expect("a reading");
            }
        }
        drop(stretches);
        self.0.execute_batch("COMMIT").expect("all of one moment");
    }

    /// The readings in the order in which they arrived, each as often as it is there.
    ///
    /// # Panics
    /// The store is not as documented.
    #[must_use]
    pub fn readings(&self) -> Vec<Key> {
        self.unpack();
        let sql =
            "SELECT source, quantity, at_us FROM arrived JOIN series ON series.id = series ORDER BY seq";
        let mut statement = self.0.prepare(sql).expect("the query is understood");
        let rows = statement
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
            .expect("the query answers");
        rows.map(|row| row.expect("a row is a reading")).collect()
    }

    /// Every reading in the order in which it arrived, as rows that `replay` takes.
    ///
    /// # Panics
    /// The store is not as documented.
    #[must_use]
    pub fn csv(&self) -> String {
        self.unpack();
        let sql = "SELECT source, quantity, at_us, value FROM arrived JOIN series ON series.id = series ORDER BY seq";
        let mut statement = self.0.prepare(sql).expect("the query is understood");
        let rows = statement
            .query_map([], |row| {
                let (source, quantity): (String, String) = (row.get(0)?, row.get(1)?);
                let at = Timestamp::from_microsecond(row.get(2)?).expect("a time");
                let value: f64 = row.get(3)?;
                let unit = match quantity.as_str() {
                    "gravity" => "SG",
                    "liquid_temperature" | "room_temperature" => "K",
                    _ => "Pa",
                };
                Ok(format!("{at},{source},{quantity},{value},{unit}\n"))
            })
            .expect("the query answers");
        let rows: String = rows.map(|row| row.expect("a row is a reading")).collect();
        format!("time,source,quantity,value,unit\n{rows}")
    }
}
