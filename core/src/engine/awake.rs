//! When somebody can carry bottles: awake and at home, by the user's clock.

use jiff::{
    SignedDuration, Timestamp,
    civil::{DateTime, Time},
    tz::TimeZone,
};

use super::Rules;
use crate::batch::BatchName;

/// Turns of the day that are looked at: half a year of days away.
const MOST_TURNS: usize = 800;

/// Hours of the day in which somebody can carry bottles, by the user's clock: from the first to the second, over midnight where the second
/// is the earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WakingHours {
    /// Getting up.
    pub from: Time,
    /// Going to bed.
    pub until: Time,
}

/// A time in which nobody is at home, by the user's clock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Away {
    /// Leaving.
    pub from: DateTime,
    /// Coming back; after `from`.
    pub to: DateTime,
    /// The batch that nobody can carry meanwhile; `None`: any.
    pub batch: Option<BatchName>,
}

/// Why nobody can carry bottles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Gap {
    /// Everybody sleeps.
    Night,
    /// Nobody is at home for a part of it, or all.
    Away,
}

/// When somebody can carry the bottles of one batch.
#[derive(Clone, Debug)]
pub(super) struct Hands<'a> {
    hours: Option<WakingHours>,
    /// From and to.
    away: Vec<(Timestamp, Timestamp)>,
    zone: &'a TimeZone,
}

impl<'a> Hands<'a> {
    /// `None`: always.
    pub(super) fn of(rules: &Rules, batch: &BatchName, zone: &'a TimeZone) -> Option<Self> {
        let moment = |civil: DateTime| zone.to_timestamp(civil).ok();
        let away: Vec<_> = rules
            .away
            .iter()
            .filter(|away| away.batch.as_ref().is_none_or(|of| of == batch))
            .filter_map(|away| Some((moment(away.from)?, moment(away.to)?)))
            .collect();
        (rules.waking_hours.is_some() || !away.is_empty()).then_some(Self {
            hours: rules.waking_hours,
            away,
            zone,
        })
    }

    /// Somebody can carry bottles at `at`.
    pub(super) fn free(&self, at: Timestamp) -> bool {
        self.hours.is_none_or(|hours| hours.awake(at, self.zone)) && self.home(at)
    }

    fn home(&self, at: Timestamp) -> bool {
        !self.away.iter().any(|(from, to)| (*from..*to).contains(&at))
    }

    /// What keeps people from carrying bottles between two moments.
    pub(super) fn gap(&self, from: Timestamp, to: Timestamp) -> Gap {
        let away = self.away.iter().any(|(left, back)| *left < to && from < *back);
        if away { Gap::Away } else { Gap::Night }
    }

    /// The first moment from `at` on at which somebody can, or (`free` false) nobody can; `None`: never.
    pub(super) fn turns(&self, free: bool, at: Timestamp) -> Option<Timestamp> {
        let mut at = at;
        for _ in 0..MOST_TURNS {
            if self.free(at) == free {
                return Some(at);
            }
            at = self.next_turn(at)?;
        }
        None
    }

    /// The first time from `at` on, of at least this length, in which somebody can; its end is `None` where it has none.
    pub(super) fn next_window(
        &self,
        at: Timestamp,
        least: SignedDuration,
    ) -> Option<(Timestamp, Option<Timestamp>)> {
        let mut from = self.turns(true, at)?;
        for _ in 0..MOST_TURNS {
            let Some(end) = self.turns(false, from) else {
                return Some((from, None));
            };
            if end.duration_since(from) >= least {
                return Some((from, Some(end)));
            }
            from = self.turns(true, end)?;
        }
        None
    }

    /// The next moment after `at` at which anything changes.
    fn next_turn(&self, at: Timestamp) -> Option<Timestamp> {
        let hours = self.hours.iter().flat_map(|hours| {
            [hours.from, hours.until]
                .into_iter()
                .filter_map(|time| WakingHours::next(time, at, self.zone))
        });
        let away = self.away.iter().flat_map(|(from, to)| [*from, *to]);
        hours.chain(away.filter(|turn| *turn > at)).min()
    }
}

impl WakingHours {
    fn awake(&self, at: Timestamp, zone: &TimeZone) -> bool {
        let time = at.to_zoned_datetime(zone.clone()).time();
        if self.from < self.until {
            (self.from..self.until).contains(&time)
        } else {
            time >= self.from || time < self.until
        }
    }

    /// The next moment after `at` at which the clock shows `time`. Where it is skipped in spring, the moment after the gap.
    fn next(time: Time, at: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
        let today = at.to_zoned_datetime(zone.clone());
        let mut date = today.date();
        for _ in 0..3 {
            let moment = zone.to_timestamp(date.to_datetime(time)).ok()?;
            if moment > at {
                return Some(moment);
            }
            date = date.tomorrow().ok()?;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::{date, time};
    use proptest::prelude::*;

    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    /// Lisbon, by the rule (POSIX.1-2017, 8.3): core brings no database of zones.
    fn lisbon() -> TimeZone {
        TimeZone::posix("WET0WEST,M3.5.0/1,M10.5.0").unwrap()
    }

    fn rules(hours: Option<[(i8, i8); 2]>, away: &[(&str, &str, Option<&str>)]) -> Rules {
        let clock = |(h, m)| time(h, m, 0, 0);
        Rules {
            waking_hours: hours.map(|[from, until]| WakingHours {
                from: clock(from),
                until: clock(until),
            }),
            away: away
                .iter()
                .map(|(from, to, of)| Away {
                    from: from.parse().unwrap(),
                    to: to.parse().unwrap(),
                    batch: of.map(|name| BatchName::new(name).unwrap()),
                })
                .collect(),
            ..Rules::default()
        }
    }

    fn plum() -> BatchName {
        BatchName::new("plum 1").unwrap()
    }

    #[test]
    fn a_day_may_end_after_midnight_and_begin_in_a_gap() {
        let zone = lisbon();
        let late = WakingHours {
            from: time(9, 0, 0, 0),
            until: time(1, 30, 0, 0),
        };
        assert!(late.awake(at("2026-03-05T00:45:00Z"), &zone));
        assert!(!late.awake(at("2026-03-05T02:00:00Z"), &zone));
        let next = |time, now| WakingHours::next(time, at(now), &zone).unwrap();
        assert_eq!(
            next(late.from, "2026-03-05T02:00:00Z"),
            at("2026-03-05T09:00:00Z")
        );
        // The clocks go forward on 29 March 2026 at 01:00 UTC: 01:30 is skipped there, and 09:00 comes an hour sooner.
        assert_eq!(
            next(late.until, "2026-03-28T22:00:00Z"),
            at("2026-03-29T01:30:00Z")
        );
        assert_eq!(
            next(late.from, "2026-03-29T02:00:00Z"),
            at("2026-03-29T08:00:00Z")
        );
    }

    #[test]
    fn a_weekend_away_is_by_the_users_clock_also_when_it_changes() {
        let zone = lisbon();
        // Friday evening in winter time to Sunday evening in summer time: 49 h, not 50.
        let rules = rules(None, &[("2026-03-27T18:00", "2026-03-29T20:00", None)]);
        let hands = Hands::of(&rules, &plum(), &zone).unwrap();
        let leave = hands.turns(false, at("2026-03-26T12:00:00Z")).unwrap();
        assert_eq!(leave, at("2026-03-27T18:00:00Z"));
        let back = hands.turns(true, leave).unwrap();
        assert_eq!(back, at("2026-03-29T19:00:00Z"));
        assert!(!hands.free(leave) && hands.free(back));
        assert_eq!(hands.turns(false, back), None, "nobody leaves again");
        // In autumn the same weekend has an hour more.
        let autumn = self::rules(None, &[("2026-10-23T18:00", "2026-10-25T20:00", None)]);
        let hands = Hands::of(&autumn, &plum(), &zone).unwrap();
        let leave = hands.turns(false, at("2026-10-20T12:00:00Z")).unwrap();
        let back = hands.turns(true, leave).unwrap();
        assert_eq!(back.duration_since(leave), SignedDuration::from_hours(51));
    }

    #[test]
    fn who_comes_back_at_night_carries_in_the_morning() {
        let zone = lisbon();
        let rules = rules(
            Some([(7, 0), (22, 30)]),
            &[("2026-03-06T18:00", "2026-03-08T23:00", None)],
        );
        let hands = Hands::of(&rules, &plum(), &zone).unwrap();
        let back = hands.turns(true, at("2026-03-06T18:00:00Z")).unwrap();
        assert_eq!(back, at("2026-03-09T07:00:00Z"));
        assert_eq!(hands.gap(at("2026-03-06T18:00:00Z"), back), Gap::Away);
        assert_eq!(
            hands.gap(at("2026-03-05T22:30:00Z"), at("2026-03-06T07:00:00Z")),
            Gap::Night
        );
    }

    #[test]
    fn a_time_away_of_one_batch_is_not_that_of_the_others() {
        let zone = lisbon();
        let rules = rules(None, &[("2026-03-06T18:00", "2026-03-08T23:00", Some("plum 1"))]);
        assert!(Hands::of(&rules, &plum(), &zone).is_some());
        assert!(Hands::of(&rules, &BatchName::new("hibiscus 12").unwrap(), &zone).is_none());
    }

    #[test]
    fn an_hour_between_two_absences_is_no_time_to_plan_for() {
        let zone = lisbon();
        let rules = rules(
            Some([(7, 0), (22, 30)]),
            &[("2026-03-06T07:45", "2026-03-08T12:00", None)],
        );
        let hands = Hands::of(&rules, &plum(), &zone).unwrap();
        let (from, end) = hands
            .next_window(at("2026-03-05T22:30:00Z"), SignedDuration::from_hours(2))
            .unwrap();
        assert_eq!(
            (from, end),
            (at("2026-03-08T12:00:00Z"), Some(at("2026-03-08T22:30:00Z")))
        );
    }

    proptest! {
        #[test]
        fn turns_are_where_it_turns(
            from in 0_i8..24, until in 0_i8..24, minute in 0_i32..60,
            left in 1_i8..28, days in 1_i8..20, hour in 0_i8..24, now in 0_i64..4_000_000,
        ) {
            prop_assume!(from != until);
            let zone = lisbon();
            let leave = date(2026, 3, left).at(hour, i8::try_from(minute).unwrap(), 0, 0);
            let back = leave.checked_add(SignedDuration::from_hours(24 * i64::from(days))).unwrap();
            let mut rules = rules(Some([(from, 0), (until, 0)]), &[]);
            rules.away.push(Away { from: leave, to: back, batch: None });
            let hands = Hands::of(&rules, &plum(), &zone).unwrap();
            let now = at("2026-03-01T00:00:00Z") + SignedDuration::from_secs(now);
            for free in [true, false] {
                let turn = hands.turns(free, now).unwrap();
                prop_assert!(turn >= now && hands.free(turn) == free);
                // Nothing was overlooked on the way, and it was not so a second before.
                let steps = turn.duration_since(now).as_secs() / 60;
                for step in (0..steps).step_by(7) {
                    prop_assert!(hands.free(now + SignedDuration::from_mins(step)) != free);
                }
                if turn > now {
                    prop_assert!(hands.free(turn - SignedDuration::from_secs(1)) != free);
                }
            }
        }
    }
}
