//! Where readings are the clock: which of them moves the clock of a batch that takes another sensor.
//!
//! Each reading may move the clock of every batch; handed to all, the work would grow with the square of their number. But between two ticks of
//! a batch's grid a reading that it does not take changes nothing there ([`Monitor::is_moved_by`] judges), so each batch needs one in
//! five minutes of data time: what is told here of its clock lags behind it, never the other way.
//!
//! [`Monitor::is_moved_by`]: fobwatch_core::engine::Monitor::is_moved_by

use std::{collections::BTreeMap, sync::Arc};

use fobwatch_core::{
    engine,
    reading::{Reading, Source},
};
use jiff::Timestamp;

use super::post::Post;
use crate::store::BatchId;

/// The clocks of all batches, by when they want to be moved.
pub(super) struct Beats<P = Arc<Post>> {
    due: BTreeMap<Timestamp, Vec<Beat<P>>>,
    /// Those that hold a reading from far ahead, which the next one confirms or not.
    asking: Vec<Beat<P>>,
}

struct Beat<P> {
    id: BatchId,
    post: P,
    sealed_at: Timestamp,
    /// Its clock has come so far, at least.
    clock: Timestamp,
    held: Held,
}

#[derive(Clone, Debug, PartialEq)]
enum Held {
    Nothing,
    /// Readings of this message; `known`: for certain.
    Message {
        source: Source,
        at: Timestamp,
        known: bool,
    },
    /// Nobody has looked: it came as it was left.
    Unknown,
}

impl<P> Default for Beats<P> {
    fn default() -> Self {
        Self {
            due: BTreeMap::new(),
            asking: Vec::new(),
        }
    }
}

impl<P: Clone> Beats<P> {
    /// A batch more.
    pub(super) fn enter(&mut self, id: BatchId, post: P, sealed_at: Timestamp) {
        self.asking.push(Beat {
            id,
            post,
            sealed_at,
            clock: sealed_at,
            held: Held::Unknown,
        });
    }

    /// A batch less.
    pub(super) fn leave(&mut self, id: BatchId) {
        self.asking.retain(|beat| beat.id != id);
        self.due.retain(|_, beats| {
            beats.retain(|beat| beat.id != id);
            !beats.is_empty()
        });
    }

    /// Those whose clock a reading may move.
    pub(super) fn moved_by(&mut self, reading: &Reading) -> Vec<P> {
        let mut moved = std::mem::take(&mut self.asking);
        while let Some(first) = self.due.first_entry().filter(|first| *first.key() < reading.at) {
            moved.append(&mut first.remove());
        }
        let posts = moved.iter().map(|beat| beat.post.clone()).collect();
        for mut beat in moved {
            beat.hear(reading);
            match beat.held {
                Held::Nothing => {
                    let due = engine::first_tick_from(beat.sealed_at, beat.clock);
                    self.due.entry(due).or_default().push(beat);
                }
                Held::Message { .. } | Held::Unknown => self.asking.push(beat),
            }
        }
        posts
    }
}

impl<P> Beat<P> {
    /// What the engine makes of it, as far as it is known here.
    fn hear(&mut self, reading: &Reading) {
        let at = reading.at;
        if at < self.sealed_at {
            return;
        }
        let message = |known| Held::Message {
            source: reading.source.clone(),
            at,
            known,
        };
        match &self.held {
            Held::Message { source, at: held, .. } if (source, *held) == (&reading.source, at) => return,
            Held::Message {
                at: held,
                known: true,
                ..
            } if held.duration_since(at).abs() <= engine::AHEAD => {
                self.clock = self.clock.max(*held).max(at);
                self.held = Held::Nothing;
                return;
            }
            _ => {}
        }
        let was_unknown = self.held == Held::Unknown;
        self.held = if at.duration_since(self.clock) > engine::AHEAD {
            message(true)
        } else {
            self.clock = self.clock.max(at);
            // It may belong to what is held already.
            if was_unknown {
                message(false)
            } else {
                Held::Nothing
            }
        };
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        quantity::Unit,
        reading::{Measured, Quantity},
    };
    use jiff::SignedDuration;

    use super::*;
    use crate::watch::fixture::start;

    fn told(source: &str, seconds: i64) -> Reading {
        Reading {
            at: start() + SignedDuration::from_secs(seconds),
            source: Source::new(source).unwrap(),
            measured: Measured::new(Quantity::Pressure, 1.0, Unit::Bar).unwrap(),
        }
    }

    fn beats(count: i64) -> Beats<i64> {
        let mut beats = Beats::default();
        for id in 0..count {
            // Not all on one grid.
            beats.enter(BatchId(id), id, start() - SignedDuration::from_secs(id % 300));
        }
        beats
    }

    #[test]
    fn the_work_grows_with_the_number_of_batches_and_not_with_its_square() {
        let handed = |batches: i64| -> usize {
            let mut beats = beats(batches);
            (0..24)
                .flat_map(|step| {
                    (0..batches)
                        .map(move |sensor| told(&format!("gauge {sensor}"), 300 * step + sensor % 300))
                })
                .map(|reading| beats.moved_by(&reading).len())
                .sum()
        };
        for batches in [10_u8, 100, 200] {
            // Two hours have 24 ticks; the first readings find out how a batch stands.
            let most = usize::from(batches) * 28;
            assert!(handed(i64::from(batches)) <= most, "{batches}");
        }
    }

    #[test]
    fn one_from_far_ahead_and_what_confirms_it_or_not_go_to_all() {
        let mut beats = beats(3);
        let mut moved = |source: &str, seconds| beats.moved_by(&told(source, seconds)).len();
        assert_eq!([moved("a", 1), moved("b", 1), moved("b", 2)], [3, 3, 0]);
        let (week, century) = (7 * 86_400 + 17, 3_155_760_000);
        // From the next century, twice in one message; from before the sealing; then one that speaks against it.
        assert_eq!(
            [
                moved("a", century),
                moved("a", century),
                moved("b", -900),
                moved("b", 60)
            ],
            [3; 4]
        );
        assert_eq!(moved("b", 61), 0);
        // All fell silent for a week.
        assert_eq!(
            [moved("a", week), moved("b", week), moved("b", week + 1)],
            [3, 3, 0]
        );
        assert_eq!(moved("b", week + 301), 3);
        assert_eq!(moved("a", week + 302), 0);
        beats.leave(BatchId(1));
        assert_eq!(beats.moved_by(&told("a", week + 700)).len(), 2);
    }
}
