//! When a sensor's latest readings were measured: what comes again is known by it.

use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Times that are remembered of each sensor.
const REMEMBERED: usize = 2_048;

/// The latest times, in microseconds as the store keeps them, ascending. Packed, since every live batch holds thousands.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Times(Vec<i64>);

impl Times {
    pub(super) fn holds(&self, at: Timestamp) -> bool {
        self.0.binary_search(&at.as_microsecond()).is_ok()
    }

    /// Remembers one more, and forgets the earliest of too many.
    pub(super) fn take(&mut self, at: Timestamp) {
        let at = at.as_microsecond();
        // Nearly all come in order, which is the end of the search.
        let Err(place) = self.0.binary_search(&at) else {
            return;
        };
        if self.0.len() < REMEMBERED {
            self.0.insert(place, at);
        } else if let Some(place) = place.checked_sub(1) {
            self.0.remove(0);
            self.0.insert(place, at);
        }
    }
}

/// Written as steps, each from the one before: they need half the room.
impl Serialize for Times {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut before = 0_i64;
        serializer.collect_seq(self.0.iter().map(|at| {
            let step = at.wrapping_sub(before);
            before = *at;
            step
        }))
    }
}

impl<'de> Deserialize<'de> for Times {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mut at = 0_i64;
        let mut times: Vec<i64> = Vec::<i64>::deserialize(deserializer)?
            .into_iter()
            .map(|step| {
                at = at.wrapping_add(step);
                at
            })
            .collect();
        // What was written is in order; bytes that were damaged may not be.
        times.sort_unstable();
        times.dedup();
        times.drain(..times.len().saturating_sub(REMEMBERED));
        Ok(Self(times))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn second(second: i64) -> Timestamp {
        Timestamp::from_second(1_800_000_000 + second).unwrap()
    }

    #[test]
    fn the_latest_are_remembered_whatever_their_order() {
        let mut times = Times::default();
        // 7919 is prime to 5000: every second once, in no order.
        (0..5_000).for_each(|i| times.take(second(i * 7_919 % 5_000)));
        assert_eq!(times.0.len(), REMEMBERED);
        assert!(times.0.is_sorted());
        assert!(times.holds(second(4_999)) && times.holds(second(2_952)));
        assert!(!times.holds(second(2_951)));
        times.take(second(4_999));
        assert_eq!(times.0.len(), REMEMBERED, "known already");
    }

    #[test]
    fn what_is_written_is_read_back() {
        let mut times = Times::default();
        [5, 1, 300, 2].into_iter().for_each(|i| times.take(second(i)));
        let bytes = postcard::to_stdvec(&times).unwrap();
        assert_eq!(postcard::from_bytes::<Times>(&bytes).unwrap(), times);
        assert!(bytes.len() < 25, "{}", bytes.len());
    }
}
