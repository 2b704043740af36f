//! What we tell a broker: alerts as retained states, one topic each, and whether we are online.

use fobwatch_core::alert::AlertRecord;
use serde::Serialize;
use tokio::sync::{mpsc, oneshot};

/// Publishes that may wait; who publishes waits with them.
pub(super) const WAITING: usize = 64;

pub(super) const ONLINE: &str = "online";
pub(super) const OFFLINE: &str = "offline";

/// Tells one broker. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Publisher {
    prefix: String,
    jobs: mpsc::Sender<Job>,
}

/// Whether the broker keeps a message for those who come later.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Keep {
    /// It is the state of something.
    Retained,
    /// It is said once.
    Passing,
}

impl Keep {
    pub(super) fn retains(self) -> bool {
        self == Self::Retained
    }
}

/// A message on its way out.
#[derive(Debug)]
pub(super) struct Job {
    pub(super) topic: String,
    pub(super) payload: String,
    pub(super) keep: Keep,
    pub(super) done: oneshot::Sender<Result<(), PublishError>>,
}

/// Why the broker has not got a message. Sending it again later may help, and does no harm: states are retained.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PublishError {
    /// There is no link to the broker.
    #[error("there is no link to the broker")]
    NotConnected,
    /// The link was lost before the broker confirmed it.
    #[error("the link to the broker was lost before it confirmed the message")]
    LinkLost,
    /// The broker answered that it does not want the message (MQTT 5); a person has to change its rules.
    #[error("the broker refuses the message: its rules do not let this user publish there")]
    Refused,
    /// The daemon is stopping.
    #[error("the link to the broker is closed for good")]
    Stopped,
    /// The message is no JSON that could be written.
    #[error("the message could not be written as JSON")]
    NotWritten,
}

#[derive(Serialize)]
struct Tagged<'a> {
    record: &'static str,
    #[serde(flatten)]
    alert: &'a AlertRecord,
}

impl Publisher {
    pub(super) fn new(prefix: &str, jobs: mpsc::Sender<Job>) -> Self {
        Self {
            prefix: prefix.to_owned(),
            jobs,
        }
    }

    /// Publishes a transition as the retained state of its alert, and waits until the broker has confirmed it.
    ///
    /// # Errors
    /// The broker may not have got it.
    pub async fn alert(&self, alert: &AlertRecord) -> Result<(), PublishError> {
        let tagged = Tagged {
            record: "alert",
            alert,
        };
        let payload = serde_json::to_string(&tagged).map_err(|_no_json| PublishError::NotWritten)?;
        self.retained(alert_topic(&self.prefix, alert), payload).await
    }

    /// Publishes something that happened on `<prefix>/event`, which the broker does not keep, and waits until it has confirmed it.
    ///
    /// # Errors
    /// The broker may not have got it.
    pub async fn event(&self, payload: String) -> Result<(), PublishError> {
        self.passing(format!("{}/event", self.prefix), payload).await
    }

    /// Publishes a retained message on `<prefix>/<topic>`, and waits until the broker has confirmed it.
    ///
    /// # Errors
    /// The broker may not have got it.
    pub async fn below_prefix(&self, topic: &str, payload: String) -> Result<(), PublishError> {
        self.retained(format!("{}/{topic}", self.prefix), payload).await
    }

    /// Publishes a retained message on a topic below our prefix or anywhere else, and waits until the broker has
    /// confirmed it.
    ///
    /// # Errors
    /// The broker may not have got it.
    pub async fn retained(&self, topic: String, payload: String) -> Result<(), PublishError> {
        self.publish(topic, payload, Keep::Retained).await
    }

    /// Publishes a message that the broker does not keep, and waits until it has confirmed it.
    ///
    /// # Errors
    /// The broker may not have got it.
    pub async fn passing(&self, topic: String, payload: String) -> Result<(), PublishError> {
        self.publish(topic, payload, Keep::Passing).await
    }

    async fn publish(&self, topic: String, payload: String, keep: Keep) -> Result<(), PublishError> {
        let (done, answer) = oneshot::channel();
        let job = Job {
            topic,
            payload,
            keep,
            done,
        };
        self.jobs
            .send(job)
            .await
            .map_err(|_closed| PublishError::Stopped)?;
        answer.await.unwrap_or(Err(PublishError::Stopped))
    }
}

/// `<prefix>/<batch-slug>/alert/<name>`, with `/<source>/<quantity>` behind it for the alert of a sensor.
#[must_use]
pub fn alert_topic(prefix: &str, alert: &AlertRecord) -> String {
    let mut topic = format!("{prefix}/{}/alert/{}", alert.batch.slug(), alert.alert);
    if let Some(source) = &alert.source {
        let level = source.as_str().replace(['+', '#', '$'], "-");
        topic.push('/');
        topic.push_str(&level);
    }
    if let Some(quantity) = alert.quantity {
        topic.push('/');
        topic.push_str(quantity.name());
    }
    topic
}

pub(super) fn status_topic(prefix: &str) -> String {
    format!("{prefix}/status")
}
