//! The ways out: each takes one alert, and says whether it has arrived.

use std::time::Duration;

use fobwatch_core::alert::AlertRecord;

use super::{mail::Mailer, webhook::Poster};
use crate::mqtt::Publisher;

/// How one is told.
#[derive(Debug)]
pub(crate) enum Channel {
    /// A broker: the retained state of the alert.
    Broker(Publisher),
    /// An address that is posted to.
    Webhook(Box<Poster>),
    /// A mail server.
    Email(Box<Mailer>),
}

/// Why an alert has not arrived. It never holds a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Undelivered {
    pub(crate) why: String,
    /// When it may go better.
    pub(crate) again: Again,
}

/// When to try again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Again {
    /// Later, and not before this time if one was given.
    Later(Option<Duration>),
    /// Never: this alert will not be taken there.
    Never,
}

impl Undelivered {
    pub(crate) fn later(why: impl Into<String>) -> Self {
        Self {
            why: why.into(),
            again: Again::Later(None),
        }
    }
}

impl Channel {
    /// A wait grows no longer than this: a broker's link comes back by itself and tells nobody, others are spared.
    pub(super) fn longest_wait(&self) -> Duration {
        match self {
            Self::Broker(_) => Duration::from_secs(30),
            Self::Webhook(_) | Self::Email(_) => Duration::from_secs(600),
        }
    }

    /// Returns once the other side has taken it. `key` is the same whenever this alert is delivered; `picture`: the batch's chart.
    pub(super) async fn deliver(
        &self,
        alert: &AlertRecord,
        key: &str,
        picture: Option<&str>,
    ) -> Result<(), Undelivered> {
        match self {
            Self::Broker(publisher) => publisher
                .alert(alert)
                .await
                .map_err(|error| Undelivered::later(error.to_string())),
            Self::Webhook(poster) => poster.post(alert, key).await,
            Self::Email(mailer) => mailer.send(alert, key, picture).await,
        }
    }

    /// Whether it shows a picture.
    pub(super) fn shows_pictures(&self) -> bool {
        matches!(self, Self::Email(_))
    }
}
