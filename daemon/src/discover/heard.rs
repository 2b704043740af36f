//! What was heard, gathered.

use std::{
    collections::{BTreeMap, btree_map::Entry},
    time::{Duration, Instant},
};

use fobwatch_core::reading::{Measured, Quantity, Source};

use super::guess::{self, Offer};
use crate::decode::Decoded;

/// How many topics or kinds of lines are told apart; whoever sends more sends nonsense, or has more than anyone can read.
const MOST: usize = 500;

/// Where something came from: the broker or port, and the topic there (empty for a port).
pub(crate) type Way = (String, String);

/// Everything that was heard.
#[derive(Debug, Default)]
pub(crate) struct Heard {
    /// What is read as it is configured.
    pub(crate) read: BTreeMap<(Way, Source, Quantity), Flow>,
    /// What is not, and why.
    pub(crate) unread: BTreeMap<Way, Unread>,
    /// How what is not read could be mapped.
    pub(crate) offers: BTreeMap<Way, Offer>,
    /// What was wrong with a broker or port itself.
    pub(crate) troubles: BTreeMap<String, String>,
    /// Topics beyond the most that are told apart.
    pub(crate) beyond: u64,
}

/// Readings of one source and quantity.
#[derive(Debug)]
pub(crate) struct Flow {
    pub(crate) count: u32,
    pub(crate) last: Measured,
    /// The least, the most and the sum of them, in the stored unit.
    pub(crate) least: f64,
    pub(crate) most: f64,
    pub(crate) sum: f64,
    first_at: Instant,
    last_at: Instant,
}

/// Messages or lines that gave no reading.
#[derive(Debug)]
pub(crate) struct Unread {
    pub(crate) count: u32,
    pub(crate) why: String,
    /// The beginning of the last one.
    pub(crate) sample: String,
}

impl Flow {
    /// The usual time between two of them; `None`: only one came.
    pub(crate) fn every(&self) -> Option<Duration> {
        let gaps = self.count.checked_sub(1).filter(|gaps| *gaps > 0)?;
        Some(self.last_at.duration_since(self.first_at) / gaps)
    }
}

impl Heard {
    /// Takes what a message or line gave. `untimed`: readings left out because a retained message tells no time of its own.
    pub(crate) fn take(&mut self, way: &Way, payload: &[u8], decoded: Option<Decoded>, untimed: usize) {
        let mapped = decoded.is_some();
        let decoded = decoded.unwrap_or_default();
        for reading in decoded.readings {
            let (now, value) = (Instant::now(), reading.measured.stored_value());
            let key = (way.clone(), reading.source, reading.measured.quantity());
            if !self.read.contains_key(&key) && self.read.len() >= MOST {
                self.beyond += 1;
                continue;
            }
            match self.read.entry(key) {
                Entry::Occupied(mut flow) => {
                    let flow = flow.get_mut();
                    flow.count = flow.count.saturating_add(1);
                    flow.least = flow.least.min(value);
                    flow.most = flow.most.max(value);
                    flow.sum += value;
                    (flow.last, flow.last_at) = (reading.measured, now);
                }
                Entry::Vacant(place) => {
                    place.insert(Flow {
                        count: 1,
                        last: reading.measured,
                        least: value,
                        most: value,
                        sum: value,
                        first_at: now,
                        last_at: now,
                    });
                }
            }
        }
        if untimed > 0 {
            let why = "the broker had kept it (retained) and it tells no time of its own, so it may be old: not used";
            self.miss(way, payload, why.to_owned());
        }
        if let Some(bad) = decoded.refused.first() {
            self.miss(way, payload, bad.to_string());
        }
        if !mapped {
            match guess::offer(&way.1, payload) {
                Some(offer) => {
                    self.miss(way, payload, "no block of the configuration maps it".to_owned());
                    self.offers.insert(way.clone(), offer);
                }
                None => {
                    let why = "no block maps it, and it looks like none of pressure, temperature or gravity";
                    self.miss(way, payload, why.to_owned());
                }
            }
        }
    }

    pub(crate) fn miss(&mut self, way: &Way, payload: &[u8], why: String) {
        if !self.unread.contains_key(way) && self.unread.len() >= MOST {
            self.beyond += 1;
            return;
        }
        let unread = self.unread.entry(way.clone()).or_insert_with(|| Unread {
            count: 0,
            why: String::new(),
            sample: String::new(),
        });
        unread.count = unread.count.saturating_add(1);
        unread.why = why;
        unread.sample = sample(payload);
    }

    pub(crate) fn trouble(&mut self, place: &str, why: String) {
        self.troubles.insert(place.to_owned(), why);
    }

    pub(crate) fn mended(&mut self, place: &str) {
        self.troubles.remove(place);
    }
}

/// At most 60 characters of it, nothing in it that a terminal would obey.
fn sample(payload: &[u8]) -> String {
    let text = String::from_utf8_lossy(&payload[..payload.len().min(300)]);
    let mut sample: String = text
        .chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .take(60)
        .collect();
    if payload.len() > 300 || text.chars().count() > 60 {
        sample.push('\u{2026}');
    }
    sample
}
