//! Whether the store takes what comes. While it does not, a person has to hear of it everywhere: nothing is reckoned
//! meanwhile, and no alert can be raised.

use std::sync::{PoisonError, RwLock};

use jiff::Timestamp;
use tracing::{error, info};

use crate::store::StoreError;

/// Why nothing can be stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// Since when.
    pub since: Timestamp,
    /// What the store said.
    pub why: String,
}

/// The trouble, while there is some.
#[derive(Debug, Default)]
pub(crate) struct Unstored(RwLock<Option<Trouble>>);

impl Unstored {
    /// The trouble that lasts.
    pub(crate) fn trouble(&self) -> Option<Trouble> {
        self.0.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(super) fn failed(&self, now: Timestamp, failed: &StoreError) {
        let mut trouble = self.0.write().unwrap_or_else(PoisonError::into_inner);
        let why = failed.to_string();
        if trouble.as_ref().is_none_or(|before| before.why != why) {
            error!(
                "Nothing can be stored for now: {why}. It is tried again; the inputs wait, and no alert can be raised."
            );
        }
        let since = trouble.as_ref().map_or(now, |before| before.since);
        *trouble = Some(Trouble { since, why });
    }

    pub(super) fn stored(&self) {
        let mut trouble = self.0.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(over) = trouble.take() {
            info!(
                "Stored again. Since {} it could not be: {}.",
                over.since, over.why
            );
        }
    }
}
