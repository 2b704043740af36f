//! Readings from MQTT 3.1.1 brokers, and alerts to them.
//!
//! A session is persistent under a fixed client id: what arrives while we are away stays at the broker. A message is
//! acknowledged only once its readings are stored, so one that was not is sent again. One task alone polls the link and
//! waits for nothing but room; another decodes and waits for the store.

mod intake;
mod link;
mod publisher;

#[cfg(test)]
mod tests;

use std::{sync::Arc, time::Duration};

use rumqttc::{AsyncClient, LastWill, MqttOptions, QoS};
use tokio::{sync::mpsc, task::JoinHandle};
use tokio_util::sync::CancellationToken;

use crate::{
    config::Broker,
    decode::Calibrations,
    incoming::{Inbox, Meter},
};

pub use publisher::{PublishError, Publisher, alert_topic};

/// The largest packet that is taken from a broker: the largest there can be (MQTT 3.1.1, section 2.2.3). A smaller cap
/// would end the link at a larger packet, which the broker would then send again for ever; a message longer than
/// [`MAX_MESSAGE`](crate::decode::MAX_MESSAGE) is refused and acknowledged instead.
const MAX_PACKET: usize = 268_435_455 + 5;

/// Packets to the broker that may wait in the link.
const REQUESTS: usize = 256;

/// Messages that may wait to be decoded. When it is full nothing is read from the link until there is room.
const WAITING: usize = 1_000;

const KEEP_ALIVE: Duration = Duration::from_secs(30);
const CONNECT_WITHIN_SECONDS: u64 = 10;

/// A broker that is being listened to.
#[derive(Debug)]
pub struct Link {
    /// Its counts.
    pub meter: Arc<Meter>,
    /// Tells it alerts; `None` where the configuration gives no prefix.
    pub publisher: Option<Publisher>,
    /// Its task; it says "offline" to the broker and ends within seconds of the stop.
    pub task: JoinHandle<()>,
}

/// Begins to listen to a broker; whether it can be reached shows in the meter. Call it inside a tokio runtime.
#[must_use]
pub fn start(broker: Broker, calibrations: Arc<Calibrations>, inbox: Inbox, stop: CancellationToken) -> Link {
    let meter = Arc::new(Meter::new(&format!("broker {}", broker.name())));
    let (client, mut events) = AsyncClient::new(options(&broker), REQUESTS);
    events
        .network_options
        .set_connection_timeout(CONNECT_WITHIN_SECONDS);
    let (waiting, to_decode) = mpsc::channel(WAITING);
    let (stored, acks) = mpsc::channel(WAITING);
    let (jobs, to_publish) = mpsc::channel(publisher::WAITING);
    let broker = Arc::new(broker);
    let publisher = broker
        .publish_prefix
        .as_deref()
        .map(|prefix| Publisher::new(prefix, jobs));
    let intake = intake::Intake {
        broker: Arc::clone(&broker),
        calibrations,
        inbox,
        meter: Arc::clone(&meter),
    };
    tokio::spawn(intake.run(to_decode, stored));
    let link = link::Driver::new(broker, client, events, Arc::clone(&meter), waiting, stop);
    let task = tokio::spawn(link.run(acks, to_publish));
    Link {
        meter,
        publisher,
        task,
    }
}

fn options(broker: &Broker) -> MqttOptions {
    let mut options = MqttOptions::new(&broker.client_id, &broker.host, broker.port);
    options
        .set_keep_alive(KEEP_ALIVE)
        .set_clean_session(false)
        .set_manual_acks(true)
        .set_max_packet_size(MAX_PACKET, MAX_PACKET);
    if let Some(username) = &broker.username {
        let password = broker.password.as_ref().map_or("", |secret| secret.reveal());
        options.set_credentials(username, password);
    }
    if let Some(prefix) = &broker.publish_prefix {
        let topic = publisher::status_topic(prefix);
        options.set_last_will(LastWill::new(topic, publisher::OFFLINE, QoS::AtLeastOnce, true));
    }
    options
}
