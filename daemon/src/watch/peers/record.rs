//! A batch as daemons tell each other of it.

use fobwatch_core::batch::Batch;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::store::{Heard, StoredBatch, Word};

/// The longest message that is taken is a little longer.
const MOST: usize = 200 * 1024;
const SCHEMA: u32 = 1;

#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Record {
    record: Kind,
    schema: u32,
    name: String,
    text: String,
    added_at: Timestamp,
    ended_at: Option<Timestamp>,
    words: Vec<Word>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Kind {
    Batch,
}

/// Why a record is not kept.
#[derive(Debug, thiserror::Error)]
pub(super) enum BadRecord {
    #[error("it cannot be read ({0})")]
    Unread(#[from] serde_json::Error),
    #[error("it is of schema {0}; this fobwatch knows {SCHEMA}: use the later one")]
    Schema(u32),
    #[error("its batch file is refused: {0}")]
    Batch(String),
}

impl Record {
    pub(super) fn of(stored: &StoredBatch, words: Vec<Word>) -> Self {
        Self {
            record: Kind::Batch,
            schema: SCHEMA,
            name: stored.name.to_string(),
            text: stored.text.clone(),
            added_at: stored.added_at,
            ended_at: stored.ended_at,
            words,
        }
    }

    /// As it is sent. What does not fit is left out, the oldest first: others have heard it before.
    pub(super) fn encode(mut self) -> Result<String, serde_json::Error> {
        loop {
            let text = serde_json::to_string(&self)?;
            if text.len() <= MOST || self.words.is_empty() {
                return Ok(text);
            }
            self.words.drain(..self.words.len().div_ceil(4));
        }
    }

    pub(super) fn decode(payload: &[u8], peer: &str) -> Result<Heard, BadRecord> {
        let record: Self = serde_json::from_slice(payload)?;
        if record.schema != SCHEMA {
            return Err(BadRecord::Schema(record.schema));
        }
        let place = format!("the batch `{}` of {peer}", record.name);
        let (batch, _warnings) =
            Batch::from_toml(&record.text, &place).map_err(|bad| BadRecord::Batch(bad.to_string()))?;
        Ok(Heard {
            peer: peer.to_owned(),
            batch,
            text: record.text,
            added_at: record.added_at,
            ended_at: record.ended_at,
            words: record.words,
        })
    }
}
