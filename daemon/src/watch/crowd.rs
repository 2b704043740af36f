//! More sources than any house has: a broker that many write to, or one that is up to no good.
//!
//! What is stored of each stays for ever, so there is an end to how many there may be. Those that a batch names are always taken.

use std::sync::{Mutex, MutexGuard, PoisonError};

use fobwatch_core::{alert::sentence, reading::Source};
use jiff::{Timestamp, tz::TimeZone};
use tracing::error;

use crate::store::MOST_SERIES;

/// What was turned away since the start, if anything was.
#[derive(Debug, Default)]
pub(crate) struct Crowd(Mutex<Option<Turned>>);

#[derive(Debug)]
struct Turned {
    since: Timestamp,
    readings: u64,
    last: Source,
}

impl Crowd {
    /// A reading of a new source was turned away.
    pub(super) fn turned_away(&self, source: &Source, now: Timestamp) {
        let mut turned = self.lock();
        if let Some(turned) = turned.as_mut() {
            turned.readings += 1;
            turned.last.clone_from(source);
            return;
        }
        error!(
            "Readings of {source} are not stored: {MOST_SERIES} kinds of readings are kept already. Look at who sends there, and narrow \
             the topics; a source that a batch names under [sensors] is always taken."
        );
        *turned = Some(Turned {
            since: now,
            readings: 1,
            last: source.clone(),
        });
    }

    /// What a person should know of it.
    pub(crate) fn sentence(&self, zone: &TimeZone) -> Option<String> {
        let turned = self.lock();
        let turned = turned.as_ref()?;
        let were = match turned.readings {
            1 => "1 reading of a new source was".to_owned(),
            more => format!("{more} readings of new sources were"),
        };
        Some(format!(
            "Since {} {were} not stored, the last of {}: {MOST_SERIES} kinds of readings are kept already. Look at who sends there, and \
             narrow the topics; a source that a batch names under [sensors] is always taken.",
            sentence::local(turned.since, zone),
            turned.last
        ))
    }

    fn lock(&self) -> MutexGuard<'_, Option<Turned>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
