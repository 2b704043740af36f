//! A monitor's memory as bytes: what `watch` stores, so that a restart goes on as if it had never stopped.
//!
//! Floats keep every bit, the warm posterior is included. The batch file and the settings are not in it: they are given
//! again, and a batch that has changed since refuses the old memory. A sum over the bytes tells what a failing disk changed: a
//! memory that reads but is wrong would be believed for the rest of the batch's life.

use serde::{Deserialize, Serialize};

use crate::batch::Batch;

use super::{Monitor, Settings, monitor::State};

/// Changes whenever the meaning of the bytes does.
const VERSION: u32 = 22;

/// Why bytes are no memory of this batch.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadSnapshot {
    /// They were written by another version.
    #[error("the snapshot has version {given}; allowed: {VERSION}. Start from the stored readings instead")]
    Version {
        /// Which.
        given: u32,
    },
    /// They cannot be read.
    #[error("the snapshot cannot be read ({why}). Start from the stored readings instead")]
    Damaged {
        /// Why.
        why: String,
    },
    /// They belong to another batch, or to this one before its file was changed.
    #[error(
        "the snapshot belongs to `{given}` as its file stood then. Start from the stored readings instead"
    )]
    OtherBatch {
        /// Whose they are.
        given: String,
    },
}

#[derive(Serialize)]
struct Written<'a> {
    batch: &'a Batch,
    state: &'a State,
}

#[derive(Deserialize)]
struct Read {
    batch: Batch,
    state: State,
}

impl Monitor {
    /// Its memory. Empty only if memory runs out while writing, which [`Monitor::restore`] refuses as damaged.
    #[must_use]
    pub fn snapshot(&self) -> Vec<u8> {
        let mut bytes = VERSION.to_le_bytes().to_vec();
        let written = Written {
            batch: &self.batch,
            state: &self.state,
        };
        match postcard::to_stdvec(&written) {
            Ok(body) => {
                bytes.extend(sum(&body).to_le_bytes());
                bytes.extend(body);
                bytes
            }
            Err(_) => Vec::new(),
        }
    }

    /// The monitor whose memory `bytes` hold.
    ///
    /// # Errors
    /// Another version, damaged bytes, or a batch that is not (or no longer) the one given.
    pub fn restore(bytes: &[u8], batch: Batch, settings: Settings) -> Result<Self, BadSnapshot> {
        let (version, body) = bytes
            .split_first_chunk::<4>()
            .ok_or_else(|| BadSnapshot::Damaged {
                why: format!("{} bytes are too few", bytes.len()),
            })?;
        let given = u32::from_le_bytes(*version);
        if given != VERSION {
            return Err(BadSnapshot::Version { given });
        }
        let (told, body) = body
            .split_first_chunk::<8>()
            .ok_or_else(|| BadSnapshot::Damaged {
                why: format!("{} bytes are too few", bytes.len()),
            })?;
        if u64::from_le_bytes(*told) != sum(body) {
            return Err(BadSnapshot::Damaged {
                why: "its bytes are not those that were written".to_owned(),
            });
        }
        let read: Read =
            postcard::from_bytes(body).map_err(|why| BadSnapshot::Damaged { why: why.to_string() })?;
        if read.batch != batch {
            let given = read.batch.name.to_string();
            return Err(BadSnapshot::OtherBatch { given });
        }
        Ok(Self {
            batch,
            settings,
            state: read.state,
        })
    }
}

/// FNV-1a of 64 bits (Fowler, Noll and Vo; RFC 9923): no change of a single byte leaves it the same.
fn sum(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    })
}
