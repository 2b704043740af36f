//! Times as a person says them: local, with weekday and zone.

pub(crate) use crate::moment::local;
use fobwatch_core::{alert::sentence::zone_of, forecast::When};
use jiff::{SignedDuration, Timestamp, ZonedDateTime, tz::TimeZone};

/// The hour at which the page is written, in the user's zone.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Clock<'a> {
    pub(crate) now: Timestamp,
    pub(crate) zone: &'a TimeZone,
}

impl Clock<'_> {
    pub(crate) fn local(&self, at: Timestamp) -> ZonedDateTime {
        at.to_zoned_datetime(self.zone.clone())
    }

    /// "Thu 5 Mar 15:20 CET".
    pub(crate) fn moment(&self, at: Timestamp) -> String {
        let local = self.local(at);
        let year = if local.year() == self.local(self.now).year() {
            ""
        } else {
            " %Y"
        };
        format!(
            "{} {}",
            local.strftime(&format!("%a %-d %b{year} %H:%M")),
            zone_of(&local)
        )
    }

    /// "Wednesday 4 March 2026, 20:10 CET".
    pub(crate) fn in_full(&self, at: Timestamp) -> String {
        local(at, self.zone)
    }

    /// "15:20 CET".
    pub(crate) fn hour(&self, at: Timestamp) -> String {
        let local = self.local(at);
        format!("{} {}", local.strftime("%H:%M"), zone_of(&local))
    }

    /// "Today, Wed 4 Mar", "Tomorrow, Thu 5 Mar", "Fri 6 Mar".
    pub(crate) fn day(&self, at: Timestamp) -> String {
        let date = self.local(at).strftime("%a %-d %b").to_string();
        match self.days_ahead(at) {
            Some(0) => format!("Today, {date}"),
            Some(1) => format!("Tomorrow, {date}"),
            _ => date,
        }
    }

    /// "today at 15:20 CET", "tomorrow, Thursday, at 07:00 CET", "on Friday 6 March at 07:00 CET".
    pub(crate) fn spoken(&self, at: Timestamp) -> String {
        let local = self.local(at);
        let hour = self.hour(at);
        match self.days_ahead(at) {
            Some(0) => format!("today at {hour}"),
            Some(1) => format!("tomorrow, {}, at {hour}", local.strftime("%A")),
            _ => format!("on {} at {hour}", local.strftime("%A %-d %B")),
        }
    }

    fn days_ahead(&self, at: Timestamp) -> Option<i32> {
        let (day, today) = (self.local(at).date(), self.local(self.now).date());
        today.until(day).ok().map(|span| span.get_days())
    }

    /// "between 10:00 and 23:00 CET", "between Thu 10:00 and Fri 04:00 CET", "any time from now to ...". Where the clocks are changed
    /// between the two, each has its zone: without it an hour would seem to be missing, or told twice.
    pub(crate) fn between(&self, when: &When) -> Option<String> {
        let first = when.p05?;
        let Some(last) = when.p95 else {
            return Some(format!("from {}, perhaps much later", self.moment(first)));
        };
        let (from, to) = (self.local(first), self.local(last));
        if first <= self.now && last > self.now {
            return Some(format!("any time from now to {}", self.moment(last)));
        }
        let how = if from.date() == to.date() {
            "%H:%M"
        } else if last.duration_since(first) < SignedDuration::from_hours(6 * 24) {
            "%a %H:%M"
        } else {
            return Some(format!(
                "between {} and {}",
                self.moment(first),
                self.moment(last)
            ));
        };
        let (begins, ends) = (zone_of(&from), zone_of(&to));
        let begins = if begins == ends {
            String::new()
        } else {
            format!(" {begins}")
        };
        Some(format!(
            "between {}{begins} and {} {ends}",
            from.strftime(how),
            to.strftime(how)
        ))
    }

    /// "2 minutes ago", or the date once it is more than a day.
    pub(crate) fn ago(&self, at: Timestamp) -> String {
        let age = self.now.duration_since(at);
        if age.as_secs() < -60 {
            return format!("{}, ahead of the clock", self.moment(at));
        }
        match age.as_secs() {
            ..60 => "just now".to_owned(),
            60..86_400 => format!("{} ago", span(age)),
            _ => format!("{}, {} ago", self.moment(at), span(age)),
        }
    }
}

/// "40 minutes", "6 hours", "3 days".
pub(crate) fn span(duration: SignedDuration) -> String {
    let minutes = duration.as_secs().saturating_abs().saturating_add(30) / 60;
    let (number, unit) = match minutes {
        ..=90 => (minutes, "minute"),
        91..=2_880 => ((minutes + 30) / 60, "hour"),
        _ => ((minutes + 720) / 1_440, "day"),
    };
    format!("{number} {unit}{}", if number == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    #[test]
    fn days_are_those_of_the_users_zone_and_follow_summer_time() {
        let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        let clock = Clock {
            now: at("2026-03-28T22:30:00Z"),
            zone: &zone,
        };
        assert_eq!(clock.day(at("2026-03-28T22:59:00Z")), "Today, Sat 28 Mar");
        assert_eq!(clock.day(at("2026-03-28T23:30:00Z")), "Tomorrow, Sun 29 Mar");
        assert_eq!(
            clock.spoken(at("2026-03-29T05:00:00Z")),
            "tomorrow, Sunday, at 07:00 CEST"
        );
        assert_eq!(clock.moment(at("2026-03-30T05:00:00Z")), "Mon 30 Mar 07:00 CEST");
        assert_eq!(
            clock.moment(at("2025-12-30T05:00:00Z")),
            "Tue 30 Dec 2025 06:00 CET"
        );
    }

    #[test]
    fn a_stretch_over_a_change_of_the_clocks_names_both_zones() {
        let zone = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        let between = |now: &str, first: &str, last: &str| {
            let clock = Clock {
                now: at(now),
                zone: &zone,
            };
            let when = When {
                p05: Some(at(first)),
                p50: None,
                p95: Some(at(last)),
            };
            clock.between(&when).unwrap()
        };
        // An hour and a half on a clock that shows two and a half; and one of which half an hour is shown twice.
        let spring = between(
            "2026-03-28T21:00:00Z",
            "2026-03-29T00:40:00Z",
            "2026-03-29T02:10:00Z",
        );
        assert_eq!(spring, "between 01:40 CET and 04:10 CEST");
        let autumn = between(
            "2026-10-24T20:00:00Z",
            "2026-10-25T00:20:00Z",
            "2026-10-25T01:20:00Z",
        );
        assert_eq!(autumn, "between 02:20 CEST and 02:20 CET");
        let days = between(
            "2026-10-24T08:00:00Z",
            "2026-10-24T20:20:00Z",
            "2026-10-25T11:00:00Z",
        );
        assert_eq!(days, "between Sat 22:20 CEST and Sun 12:00 CET");
        let calm = between(
            "2026-03-04T08:00:00Z",
            "2026-03-04T20:20:00Z",
            "2026-03-04T22:00:00Z",
        );
        assert_eq!(calm, "between 21:20 and 23:00 CET");
    }

    #[test]
    fn an_old_time_gets_its_date() {
        let clock = Clock {
            now: at("2026-03-04T12:00:00Z"),
            zone: &TimeZone::UTC,
        };
        assert_eq!(clock.ago(at("2026-03-04T11:58:00Z")), "2 minutes ago");
        assert_eq!(
            clock.ago(at("2026-03-01T12:00:00Z")),
            "Sun 1 Mar 12:00 UTC, 3 days ago"
        );
        assert!(
            clock
                .ago(at("2026-03-04T13:00:00Z"))
                .ends_with("ahead of the clock")
        );
    }
}
