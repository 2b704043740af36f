//! The ways out: each takes one letter, and says whether it has arrived.

use std::time::Duration;

use tokio::time::timeout;

use super::{
    letter::{About, Letter},
    mail::Mailer,
    undelivered::Undelivered,
    webhook::Poster,
};
use crate::mqtt::Publisher;

/// How long a broker may take to confirm, and a link that is being made anew to stand.
const PATIENCE: Duration = Duration::from_secs(60);

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

impl Channel {
    /// A wait grows no longer than this: a broker's link comes back by itself and tells nobody, others are spared.
    pub(super) fn longest_wait(&self) -> Duration {
        match self {
            Self::Broker(_) => Duration::from_secs(30),
            Self::Webhook(_) | Self::Email(_) => Duration::from_secs(600),
        }
    }

    /// Returns once the other side has taken it. `picture`: the batch's chart.
    pub(super) async fn deliver(&self, letter: &Letter, picture: Option<&str>) -> Result<(), Undelivered> {
        match self {
            Self::Broker(publisher) => over_broker(publisher, letter).await,
            Self::Webhook(poster) => poster.post(letter).await,
            Self::Email(mailer) => mailer.send(letter, picture).await,
        }
    }

    /// Whether it shows a picture.
    pub(super) fn shows_pictures(&self) -> bool {
        matches!(self, Self::Email(_))
    }
}

async fn over_broker(publisher: &Publisher, letter: &Letter) -> Result<(), Undelivered> {
    let failed = |error: crate::mqtt::PublishError| Undelivered::later(error.to_string());
    if let About::Notice(notice) = &letter.about {
        let payload = serde_json::to_string(notice).map_err(|error| Undelivered::never(error.to_string()))?;
        let topic = format!("notice/{}", notice.about);
        let told = timeout(PATIENCE, publisher.below_prefix(&topic, payload)).await;
        return told
            .map_err(|_late| Undelivered::later("the broker does not confirm it"))?
            .map_err(failed);
    }
    for alert in letter.alerts() {
        match timeout(PATIENCE, publisher.alert(alert)).await {
            Ok(told) => told.map_err(failed)?,
            Err(_late) => return Err(Undelivered::later("the broker does not confirm it")),
        }
    }
    Ok(())
}
