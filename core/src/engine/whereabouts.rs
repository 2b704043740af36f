//! Where the bottles are: by notes, and by the drink that cools or warms.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{batch::Batch, quantity::Temperature};

/// A drink that falls by more than this ...
const FALL_KELVIN: f64 = 5.0;
/// ... and ends within this of the fridge has been moved there.
const NEAR_FRIDGE_KELVIN: f64 = 4.0;
/// While it cools in a fridge it falls by more than this from one hour to the next, even in a full crate. A room falls by
/// as much on some evenings: then the fall is taken to have begun too early, which is the safe side.
const FALLS_AN_HOUR_KELVIN: f64 = 0.3;
/// Highest temperatures are remembered hour by hour for so many hours.
const HOURS: usize = 24;
/// Numbers of one note that are taken in.
const MOST_NUMBERS: usize = 10_000;
/// Journeys that are remembered.
const MOST_STAYS: usize = 1_000;

/// Where the bottle with the sensors stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// In the room.
    Room,
    /// In the fridge.
    Fridge,
}

/// What is known of where the bottles are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Whereabouts {
    /// The bottle with the sensors.
    pub(super) sensors: Place,
    /// It was opened, and stands for the batch no more.
    pub(super) opened: bool,
    /// Bottles that a note put into the fridge by number.
    pub(super) chilled: BTreeSet<u32>,
    /// Bottles that a note opened or broke by number: they stand nowhere any more.
    pub(super) gone: BTreeSet<u32>,
    /// Bottles that were given away, still closed: they stand in another kitchen, and nobody here can move them.
    given: BTreeSet<u32>,
    /// Those of them that stood in the room until then: they go on as if they still did.
    given_warm: BTreeSet<u32>,
    /// Where the bottle with the sensors was carried, and when, in the order of time; before the first it stood in the room.
    pub(super) stays: Vec<(Timestamp, Place)>,
    /// When notes last carried bottles by their numbers: an older note that comes later carries them no more.
    carried: BTreeMap<u32, Timestamp>,
    /// When a note last took all of them out.
    all_out: Option<Timestamp>,
    /// A note said "moved", and no cooling was seen yet: since when.
    pub(super) unconfirmed: Option<Timestamp>,
    /// Last notes that explain a loss of pressure.
    pub(super) let_off: Option<Timestamp>,
    recent: VecDeque<(Timestamp, Temperature)>,
    /// Hour and extreme: highest in the room, lowest in the fridge.
    highs: VecDeque<(i64, f64)>,
    low: Option<f64>,
}

/// What the drink's temperature tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Seen {
    /// It was moved to the fridge.
    Chilled,
    /// It was taken out.
    Warmed,
}

impl Default for Whereabouts {
    fn default() -> Self {
        Self {
            sensors: Place::Room,
            opened: false,
            chilled: BTreeSet::new(),
            gone: BTreeSet::new(),
            given: BTreeSet::new(),
            given_warm: BTreeSet::new(),
            stays: Vec::new(),
            carried: BTreeMap::new(),
            all_out: None,
            unconfirmed: None,
            let_off: None,
            recent: VecDeque::new(),
            highs: VecDeque::new(),
            low: None,
        }
    }
}

impl Whereabouts {
    /// Bottles that notes leave in the room.
    pub(super) fn left_behind(&self, batch: &Batch) -> u32 {
        let mut away = self.chilled.clone();
        away.extend(self.gone.iter().chain(&self.given));
        batch.bottle.count.saturating_sub(of_the_batch(&away, batch))
    }

    /// Bottles that were given away, as far as notes tell still closed.
    pub(super) fn given_away(&self, batch: &Batch) -> u32 {
        of_the_batch(&(&self.given - &self.gone), batch)
    }

    /// Those of them that stood in the room until then.
    pub(super) fn given_away_warm(&self, batch: &Batch) -> u32 {
        of_the_batch(&(&self.given_warm - &self.gone), batch)
    }

    /// No bottle is left that a person here could move: all were opened, broke or were given away.
    pub(super) fn none_at_home(&self, batch: &Batch) -> bool {
        of_the_batch(&(&self.given | &self.gone), batch) == batch.bottle.count
    }

    /// A note gave bottles away, all without `numbers`.
    pub(super) fn give_away(&mut self, numbers: Option<&[u32]>, batch: &Batch) {
        let numbers: BTreeSet<u32> = match numbers {
            Some(numbers) => numbers.iter().copied().take(MOST_NUMBERS).collect(),
            None => (1..=batch.bottle.count).take(MOST_NUMBERS).collect(),
        };
        // Without numbers of those that were chilled, all stand where the sensors stand.
        let cold = |number: &u32| {
            if self.chilled.is_empty() {
                self.sensors == Place::Fridge && self.unconfirmed.is_none()
            } else {
                self.chilled.contains(number)
            }
        };
        let warm: Vec<u32> = numbers
            .iter()
            .copied()
            .filter(|number| !self.given.contains(number) && !cold(number))
            .collect();
        self.given_warm.extend(warm);
        self.given.extend(numbers);
    }

    /// A note of `at` carried a bottle by its number.
    pub(super) fn carried(&mut self, number: u32, at: Timestamp, to: Place) {
        let later = self.carried.get(&number).copied().max(self.all_out);
        if later.is_some_and(|later| later > at) {
            return;
        }
        if self.carried.len() < 10_000 || self.carried.contains_key(&number) {
            self.carried.insert(number, at);
        }
        // Whoever carries it has it.
        self.given.remove(&number);
        self.given_warm.remove(&number);
        match to {
            Place::Fridge => self.chilled.insert(number),
            Place::Room => self.chilled.remove(&number),
        };
    }

    /// A note of `at` took all of them out.
    pub(super) fn all_out(&mut self, at: Timestamp) {
        self.all_out = self.all_out.max(Some(at));
        let carried = &self.carried;
        self.chilled
            .retain(|number| carried.get(number).is_some_and(|since| *since > at));
    }

    /// The sensors stood at `place` from `at` on, until they were carried on; false: that was known, or there is no end of journeys.
    pub(super) fn stays_from(&mut self, at: Timestamp, place: Place) -> bool {
        let after = self.stays.partition_point(|(since, _)| *since <= at);
        let before = after.checked_sub(1).and_then(|index| self.stays.get(index));
        let known = before.map_or(Place::Room, |(_, place)| *place) == place;
        if known || self.stays.len() >= MOST_STAYS && after < self.stays.len() {
            return false;
        }
        if self.stays.len() >= MOST_STAYS {
            self.stays.remove(0);
        }
        let after = after.min(self.stays.len());
        self.stays.insert(after, (at, place));
        true
    }

    /// Takes the drink's temperature; late rows tell nothing of where it is.
    pub(super) fn feel(&mut self, at: Timestamp, liquid: Temperature, fridge: Temperature) -> Option<Seen> {
        if self.recent.back().is_some_and(|(last, _)| at <= *last) {
            return None;
        }
        self.recent.push_back((at, liquid));
        if self.recent.len() > 3 {
            self.recent.pop_front();
        }
        // One glitch is not a move: the middle of the last three.
        let mut last: Vec<f64> = self.recent.iter().map(|(_, t)| t.celsius()).collect();
        if last.len() < 3 {
            return None;
        }
        last.sort_unstable_by(f64::total_cmp);
        let middle = last.get(1).copied()?;
        let near = fridge.celsius() + NEAR_FRIDGE_KELVIN;
        let hour = at.as_second().div_euclid(3_600);
        self.remember(hour, middle);
        let cooled = self.highest() - middle > FALL_KELVIN && middle <= near;
        let low = self.low.map_or(middle, |low| low.min(middle));
        match self.sensors {
            Place::Room if cooled => Some(Seen::Chilled),
            Place::Room => None,
            Place::Fridge if self.unconfirmed.is_some() => cooled.then_some(Seen::Chilled),
            Place::Fridge => {
                self.low = Some(low);
                (middle - low > FALL_KELVIN && middle > near + 1.0 && low <= near).then_some(Seen::Warmed)
            }
        }
    }

    /// The drink is as cold as the fridge.
    pub(super) fn is_cold(&self, fridge: Temperature) -> bool {
        self.recent
            .back()
            .is_some_and(|(_, t)| t.celsius() <= fridge.celsius() + NEAR_FRIDGE_KELVIN)
    }

    /// The hour in which the fall began that the drink is in, from its start.
    pub(super) fn fall_began(&self) -> Option<Timestamp> {
        let mut hours = self.highs.iter().rev();
        let (mut hour, mut high) = *hours.next()?;
        for (before, was) in hours {
            if was - high <= FALLS_AN_HOUR_KELVIN {
                break;
            }
            (hour, high) = (*before, *was);
        }
        Timestamp::from_second(hour.checked_mul(3_600)?).ok()
    }

    pub(super) fn put(&mut self, place: Place) {
        if self.sensors != place {
            self.low = None;
            if place == Place::Room {
                // What was felt before does not tell a second move.
                self.highs.clear();
            }
        }
        self.sensors = place;
    }

    fn remember(&mut self, hour: i64, value: f64) {
        match self.highs.back_mut() {
            Some((last, high)) if *last == hour => *high = high.max(value),
            _ => self.highs.push_back((hour, value)),
        }
        let oldest = hour - i64::try_from(HOURS).unwrap_or(24);
        while self.highs.front().is_some_and(|(first, _)| *first < oldest) {
            self.highs.pop_front();
        }
    }

    fn highest(&self) -> f64 {
        self.highs
            .iter()
            .map(|(_, high)| *high)
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

/// How many of these are bottles of the batch.
fn of_the_batch(numbers: &BTreeSet<u32>, batch: &Batch) -> u32 {
    let of_it = numbers.range(1..=batch.bottle.count.max(1)).count();
    u32::try_from(of_it).unwrap_or(u32::MAX).min(batch.bottle.count)
}

/// How long a noted move may wait for the drink to cool before it is no longer believed.
pub(super) const BELIEF: SignedDuration = SignedDuration::from_hours(8);

#[cfg(test)]
mod tests {
    use super::*;

    fn feel_all(where_: &mut Whereabouts, celsius: impl IntoIterator<Item = f64>) -> Vec<Option<Seen>> {
        let start: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let fridge = Temperature::from_celsius(4.0).unwrap();
        (0..)
            .zip(celsius)
            .map(|(i, c)| {
                let at = start + SignedDuration::from_mins(i * 10);
                let seen = where_.feel(at, Temperature::from_celsius(c).unwrap(), fridge);
                match seen {
                    Some(Seen::Chilled) => where_.put(Place::Fridge),
                    Some(Seen::Warmed) => where_.put(Place::Room),
                    None => {}
                }
                seen
            })
            .collect()
    }

    #[test]
    fn a_drink_that_cools_to_the_fridge_was_moved_once() {
        let mut place = Whereabouts::default();
        let cooling = (0..60).map(|i| 4.5 + 16.5 * (-f64::from(i) / 12.0).exp());
        let seen = feel_all(&mut place, cooling);
        assert_eq!(seen.iter().filter(|s| **s == Some(Seen::Chilled)).count(), 1);
        assert_eq!(seen.iter().filter(|s| **s == Some(Seen::Warmed)).count(), 0);
    }

    #[test]
    fn the_fall_began_in_the_hour_of_the_move_however_slow_the_fridge() {
        for hours in [1.0, 2.0, 5.0] {
            let mut place = Whereabouts::default();
            // Ten hours in the room, then the fridge, at 17:00.
            let steps = (0..300).map(|i| match f64::from(i - 60) / 6.0 {
                h if h < 0.0 => 21.0 + 0.05 * f64::from(i % 3),
                h => 4.5 + 16.5 * (-h / hours).exp(),
            });
            let seen = feel_all(&mut place, steps.take_while(|c| *c > 6.0));
            assert!(seen.contains(&Some(Seen::Chilled)));
            let began = place.fall_began().unwrap();
            let moved: Timestamp = "2026-03-02T17:00:00Z".parse().unwrap();
            assert!(
                (began.duration_since(moved)).abs() <= SignedDuration::from_hours(1),
                "{began}, in a fridge that takes {hours} h"
            );
        }
    }

    #[test]
    fn a_cold_night_is_no_fridge_and_a_glitch_no_move() {
        let mut place = Whereabouts::default();
        let night = (0..100).map(|i| 17.0 + 4.0 * (f64::from(i) / 20.0).cos());
        assert!(feel_all(&mut place, night).iter().all(Option::is_none));
        let mut place = Whereabouts::default();
        let glitch = [21.0, 21.0, 21.0, 2.0, 21.0, 21.0];
        assert!(feel_all(&mut place, glitch).iter().all(Option::is_none));
    }

    #[test]
    fn a_drink_that_warms_again_was_taken_out() {
        let mut place = Whereabouts::default();
        let there = (0..40).map(|i| 4.5 + 16.5 * (-f64::from(i) / 6.0).exp());
        let back = (0..40).map(|i| 21.0 - 16.5 * (-f64::from(i) / 6.0).exp());
        let seen = feel_all(&mut place, there.chain(back));
        assert_eq!(seen.iter().filter(|s| **s == Some(Seen::Warmed)).count(), 1);
        assert_eq!(place.sensors, Place::Room);
    }
}
