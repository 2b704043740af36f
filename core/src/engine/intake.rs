//! Which rows count: each once, not from before sealing, not from the far future, and from one source a quantity.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{
    batch::Batch,
    reading::{Quantity, Reading, Source},
};

use super::{SetAsideReason, times::Times};

/// A row further ahead of the clock than this must be confirmed by another.
const AHEAD: SignedDuration = SignedDuration::from_hours(24);
/// Sources remembered of one quantity.
const MOST_SOURCES: usize = 64;

/// One quantity of one source.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(super) struct Sensor {
    pub(super) source: Source,
    pub(super) quantity: Quantity,
}

impl Sensor {
    pub(super) fn of(reading: &Reading) -> Self {
        Self {
            source: reading.source.clone(),
            quantity: reading.measured.quantity(),
        }
    }
}

/// What becomes of a row.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Verdicts {
    /// To be used, in this order.
    pub(super) used: Vec<Reading>,
    /// Not to be used.
    pub(super) set_aside: Vec<(Reading, SetAsideReason)>,
}

/// What has come in, as far as it decides on what comes next.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Intake {
    seen: BTreeMap<Sensor, Times>,
    /// Who sends what is not listed under `[sensors]`.
    senders: BTreeMap<Quantity, BTreeSet<Source>>,
    /// Rows of one message from far ahead of the clock.
    held: Vec<Reading>,
}

impl Intake {
    /// Where the clock will stand, by the readings alone, once `reading` is taken.
    pub(super) fn reaches(&self, reading: &Reading, now: Timestamp) -> Timestamp {
        if self.seen_before(reading) {
            now
        } else if self.confirms(reading) {
            let held = self.held.iter().map(|h| h.at).max().unwrap_or(now);
            now.max(held).max(reading.at)
        } else if is_ahead(reading.at, now) {
            now
        } else {
            now.max(reading.at)
        }
    }

    pub(super) fn take(&mut self, batch: &Batch, reading: Reading, now: Timestamp) -> Verdicts {
        let mut verdicts = Verdicts::default();
        if self.seen_before(&reading) {
            verdicts.set_aside.push((reading, SetAsideReason::Duplicate));
            return verdicts;
        }
        self.remember(&reading);
        if reading.at < batch.bottled_at {
            verdicts.set_aside.push((reading, SetAsideReason::BeforeSealing));
            return verdicts;
        }
        let same_message = self
            .held
            .first()
            .is_some_and(|held| held.at == reading.at && held.source == reading.source);
        if same_message {
            self.held.push(reading);
            return verdicts;
        }
        let confirms = self.confirms(&reading);
        for held in std::mem::take(&mut self.held) {
            if confirms {
                self.route(batch, held, &mut verdicts);
            } else {
                verdicts.set_aside.push((held, SetAsideReason::FromTheFuture));
            }
        }
        if is_ahead(reading.at, now) && !confirms {
            self.held.push(reading);
        } else {
            self.route(batch, reading, &mut verdicts);
        }
        verdicts
    }

    /// Rows that the clock has come near to by itself.
    pub(super) fn caught_up(&mut self, batch: &Batch, now: Timestamp) -> Verdicts {
        let mut verdicts = Verdicts::default();
        if self.held.first().is_some_and(|held| !is_ahead(held.at, now)) {
            for held in std::mem::take(&mut self.held) {
                self.route(batch, held, &mut verdicts);
            }
        }
        verdicts
    }

    /// Nothing more comes: what is held stays unconfirmed.
    pub(super) fn close(&mut self) -> Verdicts {
        let held = std::mem::take(&mut self.held);
        Verdicts {
            used: Vec::new(),
            set_aside: held
                .into_iter()
                .map(|h| (h, SetAsideReason::FromTheFuture))
                .collect(),
        }
    }

    /// A row of another batch's source: whatever is not listed here is not taken from it.
    pub(super) fn pass(&mut self, batch: &Batch, reading: Reading) -> Verdicts {
        let mut verdicts = Verdicts::default();
        let reason = if self.seen_before(&reading) {
            SetAsideReason::Duplicate
        } else if reading.at < batch.bottled_at {
            SetAsideReason::BeforeSealing
        } else {
            SetAsideReason::OtherSource
        };
        self.remember(&reading);
        verdicts.set_aside.push((reading, reason));
        verdicts
    }

    /// Who was heard of quantities that are not listed.
    pub(super) fn senders(&self) -> impl Iterator<Item = (Quantity, &Source)> {
        let all = self.senders.iter();
        all.flat_map(|(quantity, sources)| sources.iter().map(|source| (*quantity, source)))
    }

    fn route(&mut self, batch: &Batch, reading: Reading, verdicts: &mut Verdicts) {
        let quantity = reading.measured.quantity();
        let refused = match batch.sensors.get(&quantity) {
            Some(listed) => {
                let own = *listed == reading.source && !listed.is_nobody();
                (!own).then_some(SetAsideReason::OtherSource)
            }
            None => {
                let senders = self.senders.entry(quantity).or_default();
                if senders.len() < MOST_SOURCES {
                    senders.insert(reading.source.clone());
                }
                (senders.len() > 1).then_some(SetAsideReason::SeveralSources)
            }
        };
        match refused {
            Some(reason) => verdicts.set_aside.push((reading, reason)),
            None => verdicts.used.push(reading),
        }
    }

    /// A row confirms what is held if it comes from another message and lies within a day of it.
    fn confirms(&self, reading: &Reading) -> bool {
        self.held.first().is_some_and(|held| {
            let another = held.source != reading.source || held.at != reading.at;
            let apart = held.at.duration_since(reading.at).abs();
            another && apart <= AHEAD
        })
    }

    fn seen_before(&self, reading: &Reading) -> bool {
        let sensor = Sensor::of(reading);
        self.seen
            .get(&sensor)
            .is_some_and(|times| times.holds(reading.at))
    }

    fn remember(&mut self, reading: &Reading) {
        let sensor = Sensor::of(reading);
        if !self.seen.contains_key(&sensor) && self.seen.len() >= MOST_SOURCES * Quantity::ALL.len() {
            return;
        }
        self.seen.entry(sensor).or_default().take(reading.at);
    }
}

fn is_ahead(at: Timestamp, now: Timestamp) -> bool {
    at.duration_since(now) > AHEAD
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::tests::fixture::{batch, reading};

    const SEALED: &str = "2026-03-02T07:00:00Z";

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn the_same_reading_twice_is_one_reading() {
        let mut intake = Intake::default();
        let row = reading("2026-03-02T08:00:00Z", "pilot", Quantity::Pressure, 0.1);
        assert_eq!(intake.take(&batch(), row.clone(), at(SEALED)).used.len(), 1);
        let again = intake.take(&batch(), row, at(SEALED));
        assert_eq!(again.set_aside.first().unwrap().1, SetAsideReason::Duplicate);
    }

    #[test]
    fn a_row_from_2099_is_set_aside_when_the_next_row_does_not_confirm_it() {
        let mut intake = Intake::default();
        let far = reading("2099-01-01T00:00:00Z", "pilot", Quantity::Pressure, 0.1);
        assert_eq!(
            intake.take(&batch(), far.clone(), at(SEALED)),
            Verdicts::default()
        );
        // The same message again, or its other quantity, is no confirmation.
        assert_eq!(intake.take(&batch(), far.clone(), at(SEALED)).used.len(), 0);
        let twin = reading("2099-01-01T00:00:00Z", "pilot", Quantity::LiquidTemperature, 20.0);
        assert_eq!(intake.take(&batch(), twin, at(SEALED)).used.len(), 0);
        let sane = reading("2026-03-02T08:00:00Z", "pilot", Quantity::Pressure, 0.1);
        let verdicts = intake.take(&batch(), sane, at(SEALED));
        assert_eq!(verdicts.used.len(), 1);
        assert_eq!(verdicts.set_aside.len(), 2);
        assert!(
            verdicts
                .set_aside
                .iter()
                .all(|(_, why)| *why == SetAsideReason::FromTheFuture)
        );
    }

    #[test]
    fn a_first_row_weeks_after_sealing_counts_once_the_next_confirms_it() {
        let mut intake = Intake::default();
        let first = reading("2026-03-25T08:00:00Z", "pilot", Quantity::Pressure, 2.0);
        let second = reading("2026-03-25T08:01:00Z", "kitchen", Quantity::RoomTemperature, 21.0);
        assert_eq!(intake.reaches(&first, at(SEALED)), at(SEALED));
        assert_eq!(intake.take(&batch(), first, at(SEALED)).used.len(), 0);
        assert_eq!(intake.reaches(&second, at(SEALED)), second.at);
        assert_eq!(intake.take(&batch(), second, at(SEALED)).used.len(), 2);
    }

    #[test]
    fn a_row_of_another_batchs_source_is_not_taken_and_makes_no_second_source() {
        let mut intake = Intake::default();
        let batch = Batch {
            sensors: BTreeMap::new(),
            ..batch()
        };
        let theirs = reading("2026-03-02T08:00:00Z", "p1", Quantity::Pressure, 0.1);
        let passed = intake.pass(&batch, theirs);
        assert!(passed.used.is_empty());
        assert_eq!(passed.set_aside.first().unwrap().1, SetAsideReason::OtherSource);
        assert_eq!(intake.senders().count(), 0);
        let own = reading("2026-03-02T08:00:00Z", "spare", Quantity::Pressure, 0.2);
        assert_eq!(intake.take(&batch, own, at(SEALED)).used.len(), 1);
    }

    #[test]
    fn a_quantity_not_listed_is_taken_from_the_only_source_that_sends_it() {
        let mut intake = Intake::default();
        let batch = Batch {
            sensors: BTreeMap::new(),
            ..batch()
        };
        let one = reading("2026-03-02T08:00:00Z", "a", Quantity::Pressure, 0.1);
        let two = reading("2026-03-02T08:00:00Z", "b", Quantity::Pressure, 0.1);
        assert_eq!(intake.take(&batch, one, at(SEALED)).used.len(), 1);
        let verdicts = intake.take(&batch, two, at(SEALED));
        assert_eq!(
            verdicts.set_aside.first().unwrap().1,
            SetAsideReason::SeveralSources
        );
    }
}
