//! Messages -> readings -> the inbox, and back: which messages may be acknowledged.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::{OwnedSemaphorePermit, mpsc, oneshot};
use tracing::{debug, warn};

use crate::{
    config::Broker,
    decode::{Calibrations, Decoded},
    incoming::{Inbox, Incoming, Meter},
    kept_up,
};

use super::wire::{Message, Receipt};

/// A message as it came.
#[derive(Debug)]
pub(super) struct Arrived {
    /// Which connection it came on: an acknowledgement is worth nothing on another.
    pub(super) connection: u64,
    pub(super) at: Timestamp,
    pub(super) message: Message,
    /// The room that it takes until it is settled: what it gives is larger than itself.
    pub(super) held: OwnedSemaphorePermit,
}

/// What became of a message.
#[derive(Debug)]
pub(super) struct Settled {
    pub(super) connection: u64,
    pub(super) receipt: Receipt,
    /// Its readings are durable, or it has none; else it has to come again.
    pub(super) stored: bool,
}

pub(super) struct Intake {
    pub(super) broker: Arc<Broker>,
    pub(super) calibrations: Arc<Calibrations>,
    pub(super) inbox: Inbox,
    pub(super) meter: Arc<Meter>,
    /// Who carries out commands; `None`: nobody.
    pub(super) commands: Option<mpsc::Sender<Commanded>>,
    /// Who keeps what other daemons tell.
    pub(super) overheard: mpsc::Sender<Overheard>,
}

/// A message on the command topic.
#[derive(Debug)]
pub struct Commanded {
    /// What it says.
    pub payload: Vec<u8>,
    /// The broker had kept it, so nobody knows how old it is.
    pub retained: bool,
}

/// A message of another daemon of the site.
#[derive(Debug)]
pub struct Overheard {
    /// Which broker sent it.
    pub broker: String,
    /// Its prefix.
    pub peer: String,
    /// The topic below that.
    pub topic: String,
    /// What it says.
    pub payload: Vec<u8>,
    /// To be told once it is kept; dropped untold, the broker sends it again.
    pub kept: oneshot::Sender<()>,
}

/// What stands for a fault of this program, in tests.
#[cfg(test)]
pub(super) const FAULT: &str = "sensors/fault/senml";

type Pending = (u64, Receipt, Option<oneshot::Receiver<()>>, OwnedSemaphorePermit);

impl Intake {
    /// Decodes until the link or the inbox is closed; after the link it waits for nobody. Messages are settled in the order in which they came, while the
    /// next ones are decoded already.
    pub(super) async fn run(self, mut arrived: mpsc::Receiver<Arrived>, settled: mpsc::Sender<Settled>) {
        let (pending, to_settle) = mpsc::channel(super::WAITING);
        let settling = tokio::spawn(settle(to_settle, settled));
        while let Some(Arrived {
            connection,
            at,
            message,
            held,
        }) = arrived.recv().await
        {
            let stored = if let Some((peer, topic)) = self.broker.peer(&message.topic) {
                let (kept, stored) = oneshot::channel();
                let overheard = Overheard {
                    broker: self.broker.name(),
                    peer: peer.to_owned(),
                    topic: topic.to_owned(),
                    payload: message.payload,
                    kept,
                };
                let taken = unless(pending.closed(), self.overheard.send(overheard)).await;
                if !matches!(taken, Some(Ok(()))) {
                    break;
                }
                Some(stored)
            } else {
                match self.read(&message, at) {
                    None => None,
                    Some((incoming, stored)) => {
                        let taken = unless(pending.closed(), self.inbox.send(incoming)).await;
                        if !matches!(taken, Some(Ok(()))) {
                            break;
                        }
                        Some(stored)
                    }
                }
            };
            if pending
                .send((connection, message.receipt, stored, held))
                .await
                .is_err()
            {
                break;
            }
        }
        drop(pending);
        kept_up::part(settling).await;
    }

    /// What a message holds for the watch loop, and who hears once that is stored; `None`: nothing.
    pub(super) fn read(&self, message: &Message, at: Timestamp) -> Option<(Incoming, oneshot::Receiver<()>)> {
        if self.command(message) {
            return None;
        }
        #[cfg(test)]
        assert!(message.topic != FAULT, "a fault of ours");
        let readings = self.decode(message, at).readings;
        if readings.is_empty() {
            return None;
        }
        let (ack, stored) = oneshot::channel();
        let incoming = Incoming {
            kind: crate::incoming::Kind::Mqtt,
            readings,
            received_at: at,
            ack: Some(ack),
        };
        Some((incoming, stored))
    }

    /// Whether it is a command, which goes to those who carry them out. While too many wait it is dropped: its sender hears no answer.
    fn command(&self, message: &Message) -> bool {
        let Some(commands) = &self.commands else {
            return false;
        };
        if self.broker.command_topic().as_deref() != Some(message.topic.as_str()) {
            return false;
        }
        let commanded = Commanded {
            payload: message.payload.clone(),
            retained: message.retained,
        };
        if commands.try_send(commanded).is_err() {
            warn!(broker = %self.broker.name(), "A command is not taken: too many wait.");
        }
        true
    }

    fn decode(&self, message: &Message, at: Timestamp) -> Decoded {
        let topic = &message.topic;
        let (decoded, untimed) = timely(&self.broker, message, at, &self.calibrations).unwrap_or_default();
        if untimed > 0 {
            self.meter.untimed();
            debug!(%topic, "A retained message without a time of its own is not used.");
        }
        self.meter.took(decoded.readings.len());
        for bad in &decoded.refused {
            self.meter.refused(topic, bad);
        }
        decoded
    }
}

/// What a message gives, and how many of its readings are left out because nobody knows when they were measured; `None`: no
/// route takes it.
pub(crate) fn timely(
    broker: &Broker,
    message: &Message,
    at: Timestamp,
    calibrations: &Calibrations,
) -> Option<(Decoded, usize)> {
    let read = |at| broker.decode(&message.topic, &message.payload, at, calibrations);
    let mut decoded = read(at)?;
    let before = decoded.readings.len();
    if message.retained {
        // A retained message was sent at some time before we came: what takes its time from its arrival would make an old
        // value look fresh, at every connection anew. What stays the same an hour later has its own time.
        let later = read(at.checked_add(SignedDuration::from_hours(1)).unwrap_or(at)).unwrap_or_default();
        decoded
            .readings
            .retain(|reading| later.readings.contains(reading));
    }
    let untimed = before - decoded.readings.len();
    Some((decoded, untimed))
}

/// What `wanted` comes to, unless it is over before.
async fn unless<T>(over: impl Future<Output = ()>, wanted: impl Future<Output = T>) -> Option<T> {
    tokio::select! {
        biased;
        done = wanted => Some(done),
        () = over => None,
    }
}

async fn settle(mut pending: mpsc::Receiver<Pending>, settled: mpsc::Sender<Settled>) {
    while let Some((connection, receipt, stored, held)) = pending.recv().await {
        let stored = match stored {
            None => true,
            Some(stored) => match unless(settled.closed(), stored).await {
                Some(stored) => stored.is_ok(),
                // Nothing can be acknowledged any more, and whoever was to store it may be waiting for us.
                None => return,
            },
        };
        drop(held);
        let outcome = Settled {
            connection,
            receipt,
            stored,
        };
        if settled.send(outcome).await.is_err() {
            return;
        }
    }
}
