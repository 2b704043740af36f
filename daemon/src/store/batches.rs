//! Batches: added, corrected and ended, and found again.

use fobwatch_core::{
    batch::{Batch, BatchName, Slug},
    note::Note,
};
use jiff::Timestamp;
use rusqlite::{OptionalExtension, Transaction, params};

use crate::corrected::Corrected;

use super::{
    BatchId, Reader, Sequence, StoreError, StoredBatch, Writer, layout,
    read::time,
    text::{encode, unreadable},
};

impl Writer {
    /// Adds a live batch: `text` is the batch file that `batch` was read from.
    ///
    /// # Errors
    /// A live batch has the same slug, or it was not stored.
    pub fn add_batch(&mut self, batch: &Batch, text: &str, at: Timestamp) -> Result<BatchId, StoreError> {
        let transaction = self.connection.transaction()?;
        let slug = batch.name.slug();
        let taken: bool = transaction.query_row(
            "SELECT EXISTS (SELECT 1 FROM batch WHERE slug = ?1 AND ended_us IS NULL)",
            [slug.as_str()],
            |row| row.get(0),
        )?;
        if taken {
            let name = batch.name.to_string();
            return Err(StoreError::NameTaken { name });
        }
        transaction.execute(
            "INSERT INTO batch (name, slug, text, added_us) VALUES (?1, ?2, ?3, ?4)",
            params![batch.name.as_str(), slug.as_str(), text, at.as_microsecond()],
        )?;
        let id = BatchId(transaction.last_insert_rowid());
        transaction.commit()?;
        self.names(batch.sensors.values().cloned());
        Ok(id)
    }

    /// Ends a live batch.
    ///
    /// # Errors
    /// No live batch has that name, or it was not stored.
    pub fn end_batch(&mut self, name: &str, at: Timestamp) -> Result<BatchId, StoreError> {
        let id = self
            .connection
            .query_row(
                "UPDATE batch SET ended_us = ?2 WHERE name = ?1 AND ended_us IS NULL RETURNING id",
                params![name, at.as_microsecond()],
                |row| row.get(0),
            )
            .optional()?;
        id.map(BatchId).ok_or_else(|| StoreError::NoSuchBatch {
            name: name.to_owned(),
        })
    }

    /// Corrects the entries of a live batch: they hold from here on, and did since the sealing, so what was reckoned with the others is forgotten; what
    /// was told stays told. Answers with the place of the note that says who did it.
    ///
    /// # Errors
    /// It is not live, or its entries are not those that were corrected; or nothing of it was stored.
    pub(crate) fn correct_batch(
        &mut self,
        id: BatchId,
        corrected: &Corrected,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        let name = || corrected.batch.name.to_string();
        let body = encode(&corrected.note)?;
        let sequence = Sequence(self.next);
        let transaction = self.connection.transaction()?;
        let live: Option<String> = transaction
            .query_row(
                "SELECT text FROM batch WHERE id = ?1 AND ended_us IS NULL",
                [id.0],
                |row| row.get(0),
            )
            .optional()?;
        match live {
            None => return Err(StoreError::NoSuchBatch { name: name() }),
            Some(text) if text != corrected.before => return Err(StoreError::Changed { name: name() }),
            Some(_) => {}
        }
        transaction.execute(
            "UPDATE batch SET text = ?2 WHERE id = ?1",
            params![id.0, corrected.text],
        )?;
        reckoned_anew(&transaction, id, (sequence, received_at, &body))?;
        transaction.commit()?;
        self.next += 1;
        self.names(corrected.batch.sensors.values().cloned());
        Ok(sequence)
    }

    /// As if the entries of a batch had been corrected, where something else than they says that its past was reckoned wrongly: `note` says what.
    ///
    /// # Errors
    /// Nothing of it was stored.
    pub(crate) fn begin_anew(
        &mut self,
        id: BatchId,
        note: &Note,
        received_at: Timestamp,
    ) -> Result<Sequence, StoreError> {
        let body = encode(note)?;
        let sequence = Sequence(self.next);
        let transaction = self.connection.transaction()?;
        reckoned_anew(&transaction, id, (sequence, received_at, &body))?;
        transaction.commit()?;
        self.next += 1;
        Ok(sequence)
    }
}

/// Forgets what was reckoned of a batch, and keeps the note that says why, as it is stored, at its place. What was told stays told.
fn reckoned_anew(
    transaction: &Transaction<'_>,
    batch: BatchId,
    (sequence, received_at, note): (Sequence, Timestamp, &str),
) -> Result<(), StoreError> {
    for table in ["snapshot", "forecast", "set_aside"] {
        transaction.execute(&format!("DELETE FROM {table} WHERE batch = ?1"), [batch.0])?;
    }
    transaction.execute(
        "INSERT INTO note (seq, batch, received_us, body) VALUES (?1, ?2, ?3, ?4)",
        params![sequence.0, batch.0, received_at.as_microsecond(), note],
    )?;
    Ok(())
}

impl Reader<'_> {
    /// All batches that were added here, in the order in which they were added.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn batches(&self) -> Result<Vec<StoredBatch>, StoreError> {
        match self.layout()? >= layout::WITH_ELSEWHERE {
            true => self.batches_where("elsewhere IS NULL"),
            false => self.batches_where("true"),
        }
    }

    /// Batches that other fobwatch of the site watch, as far as they told of them.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn batches_elsewhere(&self) -> Result<Vec<StoredBatch>, StoreError> {
        match self.layout()? >= layout::WITH_ELSEWHERE {
            true => self.batches_where("elsewhere IS NOT NULL"),
            false => Ok(Vec::new()),
        }
    }

    fn batches_where(&self, which: &str) -> Result<Vec<StoredBatch>, StoreError> {
        self.batches_by(&format!("WHERE {which} ORDER BY id"), params![])
    }

    fn batches_by(&self, which: &str, values: impl rusqlite::Params) -> Result<Vec<StoredBatch>, StoreError> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT id, name, text, added_us, ended_us FROM batch {which}"
        ))?;
        let rows = query.query_map(values, |row| {
            let name = BatchName::new(&row.get::<_, String>(1)?).map_err(unreadable)?;
            let slug: Slug = name.slug();
            let ended: Option<i64> = row.get(4)?;
            Ok(StoredBatch {
                id: BatchId(row.get(0)?),
                name,
                slug,
                text: row.get(2)?,
                added_at: time(row, 3)?,
                ended_at: ended
                    .map(Timestamp::from_microsecond)
                    .transpose()
                    .map_err(unreadable)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Whether any batch has ended.
    ///
    /// # Errors
    /// The database failed.
    pub fn any_has_ended(&self) -> Result<bool, StoreError> {
        // Ids are never given anew, and the live ones have an index: ten thousand batches are not looked at one by one.
        let query =
            "SELECT coalesce(max(id), 0) > (SELECT count(*) FROM batch WHERE ended_us IS NULL) FROM batch";
        Ok(self
            .connection
            .prepare_cached(query)?
            .query_row([], |row| row.get(0))?)
    }

    /// The batch of that name that was added last, here or elsewhere.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub(crate) fn last_named(&self, name: &BatchName) -> Result<Option<StoredBatch>, StoreError> {
        let mut found =
            self.batches_by("WHERE name = ?1 ORDER BY id DESC LIMIT 1", params![name.as_str()])?;
        Ok(found.pop())
    }

    /// Where the past of a batch was last made another one, by other entries or a note that was taken back; `None`: never.
    ///
    /// # Errors
    /// The database failed.
    pub fn corrected(&self, batch: BatchId) -> Result<Option<Sequence>, StoreError> {
        let place: Option<i64> = self
            .connection
            .prepare_cached(
                "SELECT max(seq) FROM note WHERE batch = ?1 AND json_extract(body, '$.kind') IN ('corrected', 'taken_back')",
            )?
            .query_row([batch.0], |row| row.get(0))?;
        Ok(place.map(Sequence))
    }
}
