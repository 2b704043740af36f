//! Where alerts go, and which of them.

use fobwatch_core::alert::{AlertRecord, Transition};
use jiff::{SignedDuration, Timestamp};

use crate::config::{Broker, Config, Email, Picks, Webhook};

/// One channel's rows in the outbox; the name is the same after a restart.
#[derive(Clone, Debug, PartialEq)]
pub struct Destination {
    /// Its name.
    pub name: String,
    /// Which alerts go there.
    pub picks: Picks,
}

impl Destination {
    pub(crate) fn of_broker(broker: &Broker) -> Self {
        Self {
            name: format!("mqtt:{}:{}", broker.name(), broker.client_id),
            picks: Picks::all(),
        }
    }

    pub(crate) fn of_webhook(webhook: &Webhook) -> Self {
        Self {
            name: format!("webhook:{}", webhook.name),
            picks: webhook.picks.clone(),
        }
    }

    pub(crate) fn of_email(email: &Email) -> Self {
        Self {
            name: format!("email:{}", email.name),
            picks: email.picks.clone(),
        }
    }

    /// All that a configuration names.
    pub(crate) fn all(config: &Config) -> Vec<Self> {
        let brokers = config
            .mqtt
            .iter()
            .filter(|broker| broker.publish_prefix.is_some());
        brokers
            .map(Self::of_broker)
            .chain(config.webhooks.iter().map(Self::of_webhook))
            .chain(config.emails.iter().map(Self::of_email))
            .collect()
    }

    /// When this transition is due there; `None`: it does not go there. A channel that waits for an acknowledgement carries alerts
    /// that begin alone.
    #[must_use]
    pub fn due(&self, alert: &AlertRecord, now: Timestamp) -> Option<Timestamp> {
        let waits = self.picks.after > SignedDuration::ZERO;
        let begins = matches!(alert.state, Transition::Raised | Transition::Unshelved);
        if !self.picks.wants(alert) || (waits && !begins) {
            return None;
        }
        Some(now.saturating_add(self.picks.after).unwrap_or(now))
    }
}
