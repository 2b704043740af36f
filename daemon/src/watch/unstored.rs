//! Whether the store takes what comes. While it does not, a person has to hear of it everywhere: nothing is reckoned
//! meanwhile, and no alert can be raised.

use jiff::Timestamp;
use tokio::sync::watch;
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
pub(crate) struct Unstored(watch::Sender<Option<Trouble>>);

impl Unstored {
    /// The trouble that lasts.
    pub(crate) fn trouble(&self) -> Option<Trouble> {
        self.0.borrow().clone()
    }

    /// Hears when it begins, changes and ends.
    pub(crate) fn subscribe(&self) -> watch::Receiver<Option<Trouble>> {
        self.0.subscribe()
    }

    pub(crate) fn failed(&self, now: Timestamp, failed: &StoreError) {
        let why = failed.to_string();
        self.0.send_if_modified(|trouble| {
            if trouble.as_ref().is_some_and(|before| before.why == why) {
                return false;
            }
            error!(
                "Nothing can be stored for now: {why}. It is tried again; the inputs wait, and no alert can be raised."
            );
            let since = trouble.as_ref().map_or(now, |before| before.since);
            *trouble = Some(Trouble { since, why });
            true
        });
    }

    pub(crate) fn stored(&self) {
        self.0.send_if_modified(|trouble| {
            let Some(over) = trouble.take() else {
                return false;
            };
            info!(
                "Stored again. Since {} it could not be: {}.",
                over.since, over.why
            );
            true
        });
    }
}
