//! What was sent, and what the daemon has vouched for.

use std::collections::{BTreeMap, BTreeSet};

use fobwatch_core::reading::{Quantity, Reading, Source};
use jiff::Timestamp;

use super::play::{Done, Published};
use crate::config::Config;

/// What makes a reading one: sensor and microsecond.
pub(super) type Key = (Source, Quantity, i64);

pub(super) fn key(reading: &Reading) -> Key {
    (
        reading.source.clone(),
        reading.measured.quantity(),
        reading.at.as_microsecond(),
    )
}

/// Kept beside the daemon, through every crash.
#[derive(Debug, Default)]
pub(super) struct Ledger {
    /// Every value that was ever on its way for a key, bit by bit.
    pub(super) sent: BTreeMap<Key, BTreeSet<u64>>,
    /// Acknowledged, answered or taken out of the inbox for good.
    pub(super) vouched: BTreeSet<Key>,
    /// Messages that the broker is to give until they are acknowledged.
    pub(super) published: BTreeSet<usize>,
    pub(super) acknowledged: BTreeSet<usize>,
    /// What a person did, and was told that it is stored: to which batch.
    pub(super) done: Vec<(usize, Done)>,
    /// What never may happen, and did.
    pub(super) wrong: Vec<String>,
}

impl Ledger {
    pub(super) fn published(&mut self, number: usize, message: &Published) {
        if message.at_least_once {
            self.published.insert(number);
        }
    }

    pub(super) fn acknowledged(&mut self, number: usize) {
        self.acknowledged.insert(number);
    }

    /// A whole line is on its way; answers with what it says.
    pub(super) fn said(&mut self, config: &Config, line: &str, now: Timestamp) -> Vec<Reading> {
        let readings = config
            .serial
            .first()
            .map(|port| port.decode(line.as_bytes(), now, &config.calibrations).readings)
            .unwrap_or_default();
        if readings.is_empty() {
            self.wrong.push(format!("the line `{line}` says nothing"));
        }
        self.sent(&readings);
        readings
    }

    pub(super) fn sent(&mut self, readings: &[Reading]) {
        for reading in readings {
            let bits = reading.measured.stored_value().to_bits();
            self.sent.entry(key(reading)).or_default().insert(bits);
        }
    }

    /// The daemon vouches for these.
    pub(super) fn stored(&mut self, readings: &[Reading]) {
        self.vouched.extend(readings.iter().map(key));
    }

    /// A person was told that it is stored.
    pub(super) fn done(&mut self, batch: usize, done: Done) {
        self.done.push((batch, done));
    }
}
