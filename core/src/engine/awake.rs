//! When a person is awake, and which waking moment suits a move best.

use jiff::{SignedDuration, Timestamp, civil::Time, tz::TimeZone};

use crate::{
    batch::Batch,
    forecast::{CurvePoint, Outlook},
};

/// A move that has to be made before the night is asked for this long before it.
const BEFORE_BED: SignedDuration = SignedDuration::from_mins(90);

/// Hours of the day in which somebody can carry bottles, by the user's clock: from the first to the second, over midnight where the second
/// is the earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WakingHours {
    /// Getting up.
    pub from: Time,
    /// Going to bed.
    pub until: Time,
}

/// What a move at one moment would come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Moment {
    pub(crate) at: Timestamp,
    /// Content 72 h after, volumes; `None`: the worst bottle may be at its limit by then.
    pub(crate) ends: Option<f64>,
}

/// The moments between which a person has to choose, and what follows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Choice {
    pub(crate) advice: Advice,
    /// A move now, or the last before the night.
    pub(crate) early: Moment,
    /// The first after the night.
    pub(crate) late: Moment,
}

/// When to raise the alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Advice {
    /// When the target is reached, as without waking hours.
    AsItComes,
    /// Before the night, though the target is not reached yet.
    BeforeTheNight,
    /// Not before the night is over.
    AfterTheNight,
}

impl WakingHours {
    pub(crate) fn awake(&self, at: Timestamp, zone: &TimeZone) -> bool {
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

    /// What to advise at `now`, by the outlook; `None` if it does not reach far enough.
    pub(crate) fn choose(
        &self,
        outlook: &Outlook,
        batch: &Batch,
        now: Timestamp,
        zone: &TimeZone,
    ) -> Option<Choice> {
        let awake = self.awake(now, zone);
        let bed = if awake {
            Self::next(self.until, now, zone)?
        } else {
            now
        };
        let up = Self::next(self.from, bed, zone)?;
        let moment = |at: Timestamp| ends(outlook, batch, now, at);
        let (here, early, late) = (moment(now)?, moment(bed)?, moment(up)?);
        let target = batch.target.co2.volumes();
        let off = |moment: Moment| moment.ends.map(|ends| (ends - target).abs());
        // The one that is nearer; the later one only while its pressure keeps below the limit.
        let early_is_better = match (off(early), off(late)) {
            (_, None) => true,
            (None, Some(_)) => false,
            (Some(early), Some(late)) => early <= late,
        };
        let due_by_morning = late.ends.is_none_or(|ends| ends >= target);
        let due_now = here.ends.is_some_and(|ends| ends >= target);
        let due_by_bed = early.ends.is_none_or(|ends| ends >= target);
        let advice = if awake {
            let last_call = now >= bed.saturating_sub(BEFORE_BED).unwrap_or(bed);
            if !due_now && !due_by_bed && due_by_morning && early_is_better && last_call {
                Advice::BeforeTheNight
            } else {
                Advice::AsItComes
            }
        } else if late.ends.is_some() {
            Advice::AfterTheNight
        } else {
            Advice::AsItComes
        };
        Some(Choice {
            advice,
            early: if awake && !due_now { early } else { here },
            late,
        })
    }
}

/// A move at `at`: what it gains until then comes on top of what a move now would end at.
fn ends(outlook: &Outlook, batch: &Batch, now: Timestamp, at: Timestamp) -> Option<Moment> {
    let more = gains(outlook, now, at)?;
    let worst = along(&outlook.curve, at, |point| point.worst_bottle.p95.bar())?;
    let after = outlook.after_move_now.p50.volumes() + more;
    Some(Moment {
        at,
        ends: (worst < batch.bottle.pressure_limit.bar()).then_some(after),
    })
}

/// What the content gains from one time to a later one, volumes.
pub(super) fn gains(outlook: &Outlook, from: Timestamp, to: Timestamp) -> Option<f64> {
    let content = |at| along(&outlook.curve, at, |point| point.co2.p50.volumes());
    Some((content(to)? - content(from)?).max(0.0))
}

/// The curve at `at`, linear between its points.
fn along(curve: &[CurvePoint], at: Timestamp, of: impl Fn(&CurvePoint) -> f64) -> Option<f64> {
    let after = curve.partition_point(|point| point.at <= at);
    let first = curve.get(after.checked_sub(1)?)?;
    let Some(second) = curve.get(after) else {
        return (first.at == at).then(|| of(first));
    };
    let (whole, part) = (
        second.at.duration_since(first.at).as_secs_f64(),
        at.duration_since(first.at).as_secs_f64(),
    );
    Some(of(first) + (of(second) - of(first)) * part / whole)
}

#[cfg(test)]
mod tests {
    use jiff::civil::time;

    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn a_day_may_end_after_midnight_and_begin_in_a_gap() {
        // Lisbon, by the rule (POSIX.1-2017, 8.3): core brings no database of zones.
        let zone = TimeZone::posix("WET0WEST,M3.5.0/1,M10.5.0").unwrap();
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
}
