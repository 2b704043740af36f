//! Where alerts go, which of them, and when.

use fobwatch_core::alert::{AlertRecord, Priority, Transition};
use jiff::{SignedDuration, Timestamp, civil::Time, tz::TimeZone};

use crate::config::{Broker, Config, Digest, Email, Picks, Webhook};

/// One channel's rows in the outbox; the name is the same after a restart.
#[derive(Clone, Debug, PartialEq)]
pub struct Destination {
    /// Its name.
    pub name: String,
    /// Which alerts go there.
    pub picks: Picks,
    /// The zone of the times that it is told at, and of.
    pub zone: TimeZone,
    /// It keeps the state of each alert, so it wants to know of those that are seen to as well.
    pub keeps_states: bool,
}

/// When something is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Not before this time.
    pub at: Timestamp,
    /// It goes together with others that are.
    pub gathered: bool,
}

impl Destination {
    pub(crate) fn of_broker(broker: &Broker) -> Self {
        Self {
            name: format!("mqtt:{}:{}", broker.name(), broker.client_id),
            picks: Picks::all(),
            zone: TimeZone::UTC,
            keeps_states: true,
        }
    }

    pub(crate) fn of_webhook(webhook: &Webhook, zone: &TimeZone) -> Self {
        Self {
            name: format!("webhook:{}", webhook.name),
            picks: webhook.picks.clone(),
            zone: zone.clone(),
            keeps_states: false,
        }
    }

    pub(crate) fn of_email(email: &Email, zone: &TimeZone) -> Self {
        Self {
            name: format!("email:{}", email.name),
            picks: email.picks.clone(),
            zone: zone.clone(),
            keeps_states: false,
        }
    }

    /// All that a configuration names.
    pub(crate) fn all(config: &Config) -> Vec<Self> {
        let zone = &config.display.zone;
        let brokers = config
            .mqtt
            .iter()
            .filter(|broker| broker.publish_prefix.is_some());
        brokers
            .map(Self::of_broker)
            .chain(config.webhooks.iter().map(|of| Self::of_webhook(of, zone)))
            .chain(config.emails.iter().map(|of| Self::of_email(of, zone)))
            .collect()
    }

    /// When this transition is due there; `None`: it does not go there. What becomes of an alert is due at once also where its beginning
    /// waits: whoever was told of it by then hears of that, nobody else does.
    #[must_use]
    pub fn due(&self, alert: &AlertRecord, now: Timestamp) -> Option<Due> {
        if !self.picks.wants(alert) {
            return None;
        }
        if begins(alert) && self.waits() {
            return Some(Due {
                at: now.saturating_add(self.picks.after).unwrap_or(now),
                gathered: false,
            });
        }
        Some(self.soonest(alert.priority, now))
    }

    /// When the reminder is due that follows one (`told`: how many there were) that was delivered at `now`; `None`: it was told often
    /// enough. Alerts of pressure are told again by the engine, as long as they are unresolved.
    #[must_use]
    pub fn reminder(&self, alert: &AlertRecord, told: i64, now: Timestamp) -> Option<Due> {
        let enough = told >= i64::from(self.picks.remind_at_most);
        if enough || !begins(alert) || alert.alert.is_of_pressure() || !self.picks.wants(alert) {
            return None;
        }
        let at = now.checked_add(self.picks.remind_after).ok()?;
        let due = self.soonest(alert.priority, at);
        // A gathered one is told with the first that goes after its time.
        Some(due)
    }

    /// Whether alerts are told there only once nobody has seen to them for a time.
    pub(crate) fn waits(&self) -> bool {
        self.picks.after > SignedDuration::ZERO
    }

    /// At once, or with the next that are gathered. A high or critical alert is never held back.
    fn soonest(&self, priority: Priority, now: Timestamp) -> Due {
        let digest = self
            .picks
            .digest
            .filter(|digest| priority <= digest.most && priority < Priority::High);
        match digest {
            None => Due {
                at: now,
                gathered: false,
            },
            Some(Digest { when, .. }) => Due {
                at: match when {
                    crate::config::DigestWhen::At(time) => next(time, now, &self.zone),
                    crate::config::DigestWhen::After(wait) => now.saturating_add(wait).unwrap_or(now),
                },
                gathered: true,
            },
        }
    }
}

/// The alert stands from here on.
pub(crate) fn begins(alert: &AlertRecord) -> bool {
    matches!(alert.state, Transition::Raised | Transition::Unshelved)
}

/// The first moment after `now` at which local clocks show `time`; one that they leap over counts as that much later.
fn next(time: Time, now: Timestamp, zone: &TimeZone) -> Timestamp {
    let today = now.to_zoned_datetime(zone.clone()).date();
    let days = [Some(today), today.tomorrow().ok()];
    let moments = days
        .into_iter()
        .flatten()
        .filter_map(|day| zone.to_timestamp(day.to_datetime(time)).ok());
    moments.into_iter().find(|at| *at > now).unwrap_or(now)
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{alert::AlertName, batch::BatchName};

    use super::*;
    use crate::config::DigestWhen;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn alert(name: AlertName, state: Transition) -> AlertRecord {
        AlertRecord {
            batch: BatchName::new("plum 1").unwrap(),
            alert: name,
            state,
            priority: name.priority(),
            at: at("2026-03-28T12:00:00Z"),
            message: "A sentence.".to_owned(),
            who: None,
            source: None,
            quantity: None,
        }
    }

    fn destination(picks: Picks) -> Destination {
        Destination {
            name: "webhook:phone".to_owned(),
            picks,
            zone: TimeZone::get("Europe/Lisbon").unwrap(),
            keeps_states: false,
        }
    }

    fn gathering(when: DigestWhen, most: Priority) -> Destination {
        destination(Picks {
            digest: Some(Digest { when, most }),
            ..Picks::all()
        })
    }

    #[test]
    fn low_priority_waits_for_the_local_time_over_a_change_of_clocks_and_danger_never_waits() {
        let phone = gathering(DigestWhen::At(Time::constant(18, 0, 0, 0)), Priority::Low);
        let low = alert(AlertName::FridgeSoon, Transition::Raised);
        // On 29 March 2026 clocks in Lisbon go from UTC to UTC+1 (Directive 2000/84/EC).
        for (now, due) in [
            ("2026-03-28T12:00:00Z", "2026-03-28T18:00:00Z"),
            ("2026-03-28T18:00:00Z", "2026-03-29T17:00:00Z"),
            ("2026-03-29T16:59:59Z", "2026-03-29T17:00:00Z"),
        ] {
            let wanted = Due {
                at: at(due),
                gathered: true,
            };
            assert_eq!(phone.due(&low, at(now)), Some(wanted), "{now}");
        }
        let now = at("2026-03-28T12:00:00Z");
        let at_once = Some(Due {
            at: now,
            gathered: false,
        });
        let greedy = gathering(
            DigestWhen::After(SignedDuration::from_hours(4)),
            Priority::Critical,
        );
        for name in [
            AlertName::LimitNear,
            AlertName::OverLimit,
            AlertName::SuddenLoss,
            AlertName::MoveToFridge,
        ] {
            for state in [Transition::Raised, Transition::Cleared] {
                assert_eq!(phone.due(&alert(name, state), now), at_once, "{name}");
            }
        }
        assert_eq!(
            greedy.due(&alert(AlertName::OverLimit, Transition::Raised), now),
            at_once
        );
        let after = greedy.due(&low, now).unwrap();
        assert_eq!((after.at, after.gathered), (at("2026-03-28T16:00:00Z"), true));
    }

    #[test]
    fn a_time_that_clocks_leap_over_is_an_hour_later() {
        let phone = gathering(DigestWhen::At(Time::constant(1, 30, 0, 0)), Priority::Low);
        let low = alert(AlertName::FridgeSoon, Transition::Raised);
        let due = phone.due(&low, at("2026-03-28T12:00:00Z")).unwrap();
        assert_eq!(due.at, at("2026-03-29T01:30:00Z"));
    }

    #[test]
    fn reminders_have_an_end_and_none_follows_what_was_seen_or_is_of_pressure() {
        let phone = destination(Picks {
            remind_after: SignedDuration::from_hours(6),
            remind_at_most: 2,
            ..Picks::all()
        });
        let now = at("2026-03-28T12:00:00Z");
        let raised = alert(AlertName::MoveToFridge, Transition::Raised);
        let due = Due {
            at: at("2026-03-28T18:00:00Z"),
            gathered: false,
        };
        assert_eq!(phone.reminder(&raised, 0, now), Some(due));
        assert_eq!(phone.reminder(&raised, 1, now), Some(due));
        assert_eq!(phone.reminder(&raised, 2, now), None);
        // Those of low priority, too, with the next that are gathered.
        let phone = Destination {
            picks: Picks {
                digest: Some(Digest {
                    when: DigestWhen::At(Time::constant(20, 0, 0, 0)),
                    most: Priority::Low,
                }),
                ..phone.picks.clone()
            },
            ..phone
        };
        let low = alert(AlertName::FridgeSoon, Transition::Raised);
        assert_eq!(low.priority, Priority::Low);
        let gathered = Due {
            at: at("2026-03-28T20:00:00Z"),
            gathered: true,
        };
        assert_eq!(phone.reminder(&low, 1, now), Some(gathered));
        assert_eq!(phone.reminder(&low, 2, now), None);
        for other in [
            alert(AlertName::MoveToFridge, Transition::Acknowledged),
            alert(AlertName::MoveToFridge, Transition::Cleared),
            alert(AlertName::OverLimit, Transition::Raised),
        ] {
            assert_eq!(phone.reminder(&other, 0, now), None, "{other:?}");
        }
    }
}
