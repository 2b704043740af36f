//! What an input tells about itself: for the page, the metrics and the log.

use std::{
    collections::BTreeMap,
    sync::{Mutex, MutexGuard, PoisonError},
};

use jiff::Timestamp;
use tracing::{error, info, warn};

use crate::decode::BadRow;

/// How many places of one input are told apart in the log; beyond them only the reason is.
const PLACES: usize = 500;

/// Counts of one input, shared with whoever shows them.
#[derive(Debug)]
pub struct Meter {
    name: String,
    state: Mutex<State>,
}

/// What a [`Meter`] stands at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MeterState {
    /// Which input, as messages call it.
    pub name: String,
    /// Whether the link is up; `None`: never tried yet.
    pub up: Option<bool>,
    /// Since when it is as `up` says.
    pub since: Option<Timestamp>,
    /// What the last interruption said; stays while the link is down.
    pub complaint: Option<String>,
    /// Messages or lines taken.
    pub messages: u64,
    /// Readings in them.
    pub readings: u64,
    /// Retained messages left out because they tell no time of their own.
    pub untimed: u64,
    /// Rows refused, by reason; the reasons are a fixed few.
    pub refused: BTreeMap<&'static str, u64>,
    /// Times the link was lost or did not come up, by reason; the reasons are a fixed few.
    pub interruptions: BTreeMap<&'static str, u64>,
}

#[derive(Debug)]
struct State {
    shown: MeterState,
    told: BTreeMap<(String, &'static str), u64>,
}

impl Meter {
    /// A meter at nought.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            state: Mutex::new(State {
                shown: MeterState {
                    name: name.to_owned(),
                    up: None,
                    since: None,
                    complaint: None,
                    messages: 0,
                    readings: 0,
                    untimed: 0,
                    refused: BTreeMap::new(),
                    interruptions: BTreeMap::new(),
                },
                told: BTreeMap::new(),
            }),
        }
    }

    /// What it stands at.
    #[must_use]
    pub fn state(&self) -> MeterState {
        self.lock().shown.clone()
    }

    /// Readings taken so far.
    pub(crate) fn readings(&self) -> u64 {
        self.lock().shown.readings
    }

    pub(crate) fn up(&self) {
        let mut state = self.lock();
        if state.shown.up != Some(true) {
            info!(input = %self.name, "Connected.");
            state.shown.up = Some(true);
            state.shown.since = Some(Timestamp::now());
            state.shown.complaint = None;
        }
    }

    /// The link is down. `needs_a_person`: waiting alone will not mend it.
    pub(crate) fn down(&self, reason: &'static str, complaint: &str, mends: Mends) {
        let mut state = self.lock();
        *state.shown.interruptions.entry(reason).or_default() += 1;
        let news = state.shown.up != Some(false) || state.shown.complaint.as_deref() != Some(complaint);
        if news {
            match mends {
                Mends::ByItself => {
                    warn!(input = %self.name, reason, "Not connected: {complaint}. Trying again.")
                }
                Mends::ByAPerson => error!(
                    input = %self.name, reason,
                    "Not connected: {complaint}. Someone has to look at it; trying again all the same."
                ),
            }
        }
        if state.shown.up != Some(false) {
            state.shown.up = Some(false);
            state.shown.since = Some(Timestamp::now());
        }
        state.shown.complaint = Some(complaint.to_owned());
    }

    pub(crate) fn took(&self, readings: usize) {
        let mut state = self.lock();
        state.shown.messages += 1;
        state.shown.readings += u64::try_from(readings).unwrap_or(u64::MAX);
    }

    /// The link is up, but what comes over it is no text.
    pub(crate) fn garbled(&self, complaint: &str) {
        let mut state = self.lock();
        *state.shown.refused.entry("no_text").or_default() += 1;
        if state.shown.complaint.as_deref() != Some(complaint) {
            error!(input = %self.name, "Connected, but {complaint}.");
            state.shown.complaint = Some(complaint.to_owned());
        }
    }

    /// What came was understood.
    pub(crate) fn clear(&self) {
        let mut state = self.lock();
        if state.shown.up == Some(true) && state.shown.complaint.take().is_some() {
            info!(input = %self.name, "Understood again.");
        }
    }

    pub(crate) fn untimed(&self) {
        self.lock().shown.untimed += 1;
    }

    /// A row at `place` was refused. The log tells the first of each place and reason, then the 10th, 100th, and so on:
    /// a sensor that talks nonsense ten times a second must not fill the disk.
    pub(crate) fn refused(&self, place: &str, bad: &BadRow) {
        let reason = bad.wrong.reason();
        let mut state = self.lock();
        *state.shown.refused.entry(reason).or_default() += 1;
        let known = state.told.contains_key(&(place.to_owned(), reason));
        let key = if known || state.told.len() < PLACES {
            place
        } else {
            ""
        };
        let count = state.told.entry((key.to_owned(), reason)).or_default();
        *count += 1;
        let count = *count;
        if is_power_of_ten(count) {
            warn!(input = %self.name, place, reason, count, "Refused: {bad}.");
        }
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Whether an interruption ends without anyone touching anything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mends {
    ByItself,
    ByAPerson,
}

fn is_power_of_ten(count: u64) -> bool {
    let mut power = 1_u64;
    while power < count {
        match power.checked_mul(10) {
            Some(next) => power = next,
            None => return false,
        }
    }
    power == count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_log_hears_of_the_first_and_then_ever_more_rarely() {
        let told: Vec<_> = (1..=2_000).filter(|count| is_power_of_ten(*count)).collect();
        assert_eq!(told, [1, 10, 100, 1_000]);
    }
}
