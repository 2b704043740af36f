//! What people said of batches, for the other fobwatch of a site, and what those told of theirs.
//!
//! What is heard has its place in the one order like everything else, so that a batch that is taken over later is gone over as
//! if it had been watched here all along.

use fobwatch_core::{batch::Batch, engine::Command, note::Note};
use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};
use serde::{Deserialize, Serialize};

use crate::corrected;

use super::{
    BatchId, Reader, Sequence, StoreError, Writer,
    text::{decode, encode},
};

/// What a person said or did.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    /// A note.
    Note(Note),
    /// Something done to an alert.
    Command(Command),
}

/// A batch of another one, as that told of it.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Who: its prefix at the broker.
    pub peer: String,
    /// The batch.
    pub batch: Batch,
    /// The text of its file.
    pub text: String,
    /// When it was added there.
    pub added_at: Timestamp,
    /// When it was ended there.
    pub ended_at: Option<Timestamp>,
    /// What people said of it, in order.
    pub words: Vec<Word>,
}

impl Reader<'_> {
    /// What people said of a batch and did to its alerts, in order.
    ///
    /// # Errors
    /// The database failed, or a row does not read back.
    pub fn words(&self, batch: BatchId) -> Result<Vec<Word>, StoreError> {
        let mut query = self.connection.prepare_cached(
            "SELECT seq, true, body FROM note WHERE batch = ?1
             UNION ALL SELECT seq, false, body FROM command WHERE batch = ?1 ORDER BY 1",
        )?;
        let rows = query.query_map([batch.0], |row| {
            let body: String = row.get(2)?;
            Ok(match row.get(1)? {
                true => Word::Note(decode(&body)?),
                false => Word::Command(decode(&body)?),
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

impl Writer {
    /// Keeps what another one told of a batch; what is known already changes nothing. Answers with the last place in the order.
    ///
    /// # Errors
    /// Another live batch has that name here, or not all of it was stored: hearing it again stores the rest.
    pub fn hear(&mut self, heard: &Heard, received_at: Timestamp) -> Result<Sequence, StoreError> {
        let (name, slug) = (&heard.batch.name, heard.batch.name.slug());
        let added_us = heard.added_at.as_microsecond();
        let known = self
            .connection
            .prepare_cached(
                "SELECT id FROM batch WHERE name = ?1 AND (added_us = ?2 OR (text = ?3 AND ended_us IS NULL))
                 ORDER BY added_us = ?2 DESC, id DESC LIMIT 1",
            )?
            .query_row(params![name.as_str(), added_us, heard.text], |row| row.get(0))
            .optional()?;
        let batch = match known {
            Some(id) => {
                self.hear_corrected(BatchId(id), &heard.text)?;
                BatchId(id)
            }
            None => {
                let added = self.connection.execute(
                    "INSERT INTO batch (name, slug, text, added_us, ended_us, elsewhere) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
                     ON CONFLICT DO NOTHING",
                    params![
                        name.as_str(),
                        slug.as_str(),
                        heard.text,
                        added_us,
                        heard.ended_at.map(Timestamp::as_microsecond),
                        heard.peer
                    ],
                )?;
                if added == 0 {
                    let name = name.to_string();
                    return Err(StoreError::NameTaken { name });
                }
                BatchId(self.connection.last_insert_rowid())
            }
        };
        for word in &heard.words {
            match word {
                Word::Note(note) => {
                    self.append_note(batch, note, received_at)?;
                }
                Word::Command(command) => {
                    let known: bool = self
                        .connection
                        .prepare_cached(
                            "SELECT EXISTS (SELECT 1 FROM command WHERE batch = ?1 AND body = ?2)",
                        )?
                        .query_row(params![batch.0, encode(command)?], |row| row.get(0))?;
                    if !known {
                        self.append_command(batch, command, received_at)?;
                    }
                }
            }
        }
        if let Some(ended_at) = heard.ended_at {
            self.connection.execute(
                "UPDATE batch SET ended_us = ?2 WHERE id = ?1 AND ended_us IS NULL AND elsewhere IS NOT NULL",
                params![batch.0, ended_at.as_microsecond()],
            )?;
        }
        self.reader().last_sequence()
    }

    /// Another one's batch was corrected there. A record may come late: one that knows of fewer corrections is an older one.
    fn hear_corrected(&mut self, batch: BatchId, text: &str) -> Result<(), StoreError> {
        let known: Option<String> = self
            .connection
            .prepare_cached("SELECT text FROM batch WHERE id = ?1 AND elsewhere IS NOT NULL")?
            .query_row([batch.0], |row| row.get(0))
            .optional()?;
        if known.is_some_and(|known| corrected::earlier(text).len() > corrected::earlier(&known).len()) {
            self.connection
                .execute("UPDATE batch SET text = ?2 WHERE id = ?1", params![batch.0, text])?;
        }
        Ok(())
    }

    /// A batch of another one is watched here from now on.
    ///
    /// # Errors
    /// It was not stored.
    pub fn take_over(&mut self, batch: BatchId) -> Result<(), StoreError> {
        self.connection
            .execute("UPDATE batch SET elsewhere = NULL WHERE id = ?1", [batch.0])?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        alert::AlertName,
        engine::Deed,
        note::{Note, NoteKind},
    };

    use super::*;
    use crate::{store::StoredBatch, watch::tests::batch_text};

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_772_434_800 + second).unwrap()
    }

    fn heard(words: Vec<Word>) -> Heard {
        let text = batch_text("plum 1");
        Heard {
            peer: "site/east".to_owned(),
            batch: Batch::from_toml(&text, "test").unwrap().0,
            text,
            added_at: at(0),
            ended_at: None,
            words,
        }
    }

    fn words() -> Vec<Word> {
        let note = Note {
            at: at(60),
            kind: NoteKind::Squeezed,
            bottles: None,
            value: None,
            unit: None,
            text: Some("firm".to_owned()),
            takes_back: None,
        };
        let command = Command {
            at: at(70),
            alert: AlertName::LimitNear,
            who: "Ada".to_owned(),
            deed: Deed::Acknowledge,
        };
        vec![Word::Note(note), Word::Command(command)]
    }

    fn opened(folder: &std::path::Path) -> Writer {
        Writer::open(folder).unwrap()
    }

    fn elsewhere(writer: &Writer) -> Vec<StoredBatch> {
        writer.reader().batches_elsewhere().unwrap()
    }

    #[test]
    fn what_is_heard_twice_is_kept_once_and_is_no_batch_of_ours_until_it_is_taken_over() {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = opened(folder.path());
        let first = writer.hear(&heard(words()[..1].to_vec()), at(100)).unwrap();
        let second = writer.hear(&heard(words()), at(200)).unwrap();
        assert_eq!((first, second), (Sequence(1), Sequence(2)));
        assert_eq!(writer.hear(&heard(words()), at(300)).unwrap(), second);
        assert_eq!(writer.reader().batches().unwrap(), []);
        let [batch] = &elsewhere(&writer)[..] else {
            panic!("one batch")
        };
        assert_eq!(writer.reader().words(batch.id).unwrap(), words());
        writer.take_over(batch.id).unwrap();
        assert_eq!(writer.reader().batches().unwrap().len(), 1);
        assert_eq!(elsewhere(&writer), []);
        // Whoever watched it before may come back: what it says is still kept, but it does not end our batch.
        let ended = Heard {
            ended_at: Some(at(400)),
            ..heard(words())
        };
        writer.hear(&ended, at(500)).unwrap();
        assert_eq!(writer.reader().batches().unwrap()[0].ended_at, None);
    }

    #[test]
    fn entries_that_were_corrected_elsewhere_are_kept_and_an_old_record_takes_none_back() {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = opened(folder.path());
        let first = heard(Vec::new());
        writer.hear(&first, at(100)).unwrap();
        let given = corrected::with(&first.text, &[("bottle.fill_ml", Some("470"))]).unwrap();
        let done = corrected::corrected(&first.text, &given, "Ada", at(150), []).unwrap();
        let mended = Heard {
            batch: done.batch,
            text: done.text.clone(),
            words: vec![Word::Note(done.note)],
            ..first.clone()
        };
        writer.hear(&mended, at(200)).unwrap();
        writer.hear(&first, at(300)).unwrap();
        let [batch] = &elsewhere(&writer)[..] else {
            panic!("one batch")
        };
        assert_eq!(batch.text, done.text);
        assert!(writer.reader().corrected(batch.id).unwrap().is_some());
        // Taken over, it is ours: nobody else corrects it any more.
        writer.take_over(batch.id).unwrap();
        let given = corrected::with(&done.text, &[("bottle.fill_ml", Some("460"))]).unwrap();
        let again = corrected::corrected(&done.text, &given, "Ben", at(400), []).unwrap();
        let theirs = Heard {
            batch: again.batch,
            text: again.text,
            ..mended
        };
        writer.hear(&theirs, at(500)).unwrap();
        assert_eq!(writer.reader().batches().unwrap()[0].text, done.text);
    }

    #[test]
    fn the_end_of_a_batch_elsewhere_is_kept_and_its_name_is_free_again() {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = opened(folder.path());
        writer.hear(&heard(words()), at(100)).unwrap();
        let other = Heard {
            added_at: at(900),
            text: batch_text("plum 1").replace("count", "# another filling\ncount"),
            ..heard(Vec::new())
        };
        let taken = writer.hear(&other, at(1_000));
        assert!(matches!(taken, Err(StoreError::NameTaken { .. })), "{taken:?}");
        let ended = Heard {
            ended_at: Some(at(800)),
            ..heard(words())
        };
        writer.hear(&ended, at(1_000)).unwrap();
        assert_eq!(elsewhere(&writer)[0].ended_at, Some(at(800)));
        writer.hear(&other, at(1_000)).unwrap();
        assert_eq!(elsewhere(&writer).len(), 2);
    }
}
