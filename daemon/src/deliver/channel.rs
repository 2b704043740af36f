//! The ways out: each takes one letter, and says whether it has arrived.

use std::{sync::Arc, time::Duration};

use fobwatch_core::alert::AlertRecord;
use serde::Serialize;
use tokio::time::timeout;

use super::{
    letter::{About, Letter},
    mail::Mailer,
    undelivered::Undelivered,
    webhook::Poster,
};
use crate::mqtt::{PublishError, Publisher};

/// How long a broker may take to confirm, and a link that is being made anew to stand.
const PATIENCE: Duration = Duration::from_secs(60);

/// How one is told. Cheap to clone.
#[derive(Clone, Debug)]
pub(crate) enum Channel {
    /// A broker: the retained state of the alert, and the event.
    Broker(Publisher),
    /// An address that is posted to.
    Webhook(Arc<Poster>),
    /// A mail server.
    Email(Arc<Mailer>),
    /// The other side in the simulation of faults.
    #[cfg(any(test, feature = "faults"))]
    Simulated(Arc<dyn super::simulated::OtherSide>),
}

impl Channel {
    /// A wait grows no longer than this: a broker's link comes back by itself and tells nobody, others are spared.
    pub(super) fn longest_wait(&self) -> Duration {
        match self {
            Self::Broker(_) => Duration::from_secs(30),
            Self::Webhook(_) | Self::Email(_) => Duration::from_secs(600),
            #[cfg(any(test, feature = "faults"))]
            Self::Simulated(_) => Duration::from_secs(600),
        }
    }

    /// Returns once the other side has taken it. `picture`: the batch's chart.
    pub(super) async fn deliver(&self, letter: &Letter, picture: Option<&str>) -> Result<(), Undelivered> {
        match self {
            Self::Broker(publisher) => over_broker(publisher, letter).await,
            Self::Webhook(poster) => poster.post(letter).await,
            Self::Email(mailer) => mailer.send(letter, picture).await,
            #[cfg(any(test, feature = "faults"))]
            Self::Simulated(other) => other.takes(letter),
        }
    }

    /// Whether it shows a picture.
    pub(super) fn shows_pictures(&self) -> bool {
        matches!(self, Self::Email(_))
    }
}

async fn over_broker(publisher: &Publisher, letter: &Letter) -> Result<(), Undelivered> {
    let told = timeout(PATIENCE, tell_broker(publisher, letter)).await;
    told.map_err(|_late| Undelivered::later("the broker does not confirm it"))?
}

/// An alert as its retained state, then as an event that is not kept; word of fobwatch itself as a state.
async fn tell_broker(publisher: &Publisher, letter: &Letter) -> Result<(), Undelivered> {
    let failed = |error: PublishError| Undelivered::later(error.to_string());
    let unwritten = |error: serde_json::Error| Undelivered::never(error.to_string());
    if let About::Notice(notice) = &letter.about {
        let payload = serde_json::to_string(notice).map_err(unwritten)?;
        let topic = format!("notice/{}", notice.about);
        return publisher.below_prefix(&topic, payload).await.map_err(failed);
    }
    for alert in letter.alerts() {
        publisher.alert(alert).await.map_err(failed)?;
        let event = Event {
            record: "event",
            id: &letter.key,
            again: matches!(letter.about, About::Again(_)),
            alert,
        };
        let payload = serde_json::to_string(&event).map_err(unwritten)?;
        publisher.event(payload).await.map_err(failed)?;
    }
    Ok(())
}

/// An alert as something that happened; who gets one twice knows it by its `id`.
#[derive(Serialize)]
struct Event<'a> {
    record: &'static str,
    id: &'a str,
    /// It is told again.
    again: bool,
    #[serde(flatten)]
    alert: &'a AlertRecord,
}
