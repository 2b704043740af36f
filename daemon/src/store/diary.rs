//! The diary of the cultures. No engine sees it, so it has no place in the one order.

use fobwatch_core::culture::DiaryEntry;
use jiff::Timestamp;
use rusqlite::params;

use super::{
    Reader, StoreError, Writer,
    text::{decode, encode},
};

impl Writer {
    /// Stores entries, all or none. One that is there already stays; answers how many were not.
    ///
    /// # Errors
    /// Nothing was stored.
    pub fn append_diary(
        &mut self,
        entries: &[DiaryEntry],
        received_at: Timestamp,
    ) -> Result<usize, StoreError> {
        let transaction = self.connection.transaction()?;
        let mut new = 0;
        for entry in entries {
            new += transaction
                .prepare_cached(
                    "INSERT INTO diary (culture, at_us, received_us, body) VALUES (?1, ?2, ?3, ?4) ON CONFLICT (body) DO NOTHING",
                )?
                .execute(params![
                    entry.culture.as_str(),
                    entry.at.as_microsecond(),
                    received_at.as_microsecond(),
                    encode(entry)?
                ])?;
        }
        transaction.commit()?;
        Ok(new)
    }
}

impl Reader<'_> {
    /// The diary of all cultures, in order of time. A store that no fobwatch with diaries has opened yet has none.
    ///
    /// # Errors
    /// The database failed, or an entry does not read back.
    pub fn diary(&self) -> Result<Vec<DiaryEntry>, StoreError> {
        let kept: bool = self.connection.query_row(
            "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'diary')",
            [],
            |row| row.get(0),
        )?;
        if !kept {
            return Ok(Vec::new());
        }
        let mut query = self
            .connection
            .prepare_cached("SELECT body FROM diary ORDER BY at_us, id")?;
        let rows = query.query_map([], |row| decode(&row.get::<_, String>(0)?))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Store;

    fn entry(deed: &str, more: &str) -> DiaryEntry {
        let line = format!(
            r#"{{"record":"diary","culture":"jar two","time":"2026-03-01T08:00:00Z","deed":"{deed}"{more}}}"#
        );
        serde_json::from_str(&line).unwrap()
    }

    #[test]
    fn a_diary_is_durable_and_an_entry_twice_is_one() {
        let folder = tempfile::tempdir().unwrap();
        let entries = [entry("started", ""), entry("fed", r#","grams":20"#)];
        let mut writer = Writer::open(folder.path()).unwrap();
        let now = Timestamp::UNIX_EPOCH;
        assert_eq!(writer.append_diary(&entries, now).unwrap(), 2);
        assert_eq!(writer.append_diary(&entries[1..], now).unwrap(), 0);
        writer.close().unwrap();
        let read = Store::read_folder(folder.path(), |reader| reader.diary()).unwrap();
        assert_eq!(read, entries);
        let copy = tempfile::tempdir().unwrap();
        Store::back_up(folder.path(), &copy.path().join(Store::FILE)).unwrap();
        let copied = Store::read_folder(copy.path(), |reader| reader.diary()).unwrap();
        assert_eq!(copied, entries);
    }
}
