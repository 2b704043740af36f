//! Somebody who listens at the broker, as a home server would.

use std::{
    collections::BTreeMap,
    sync::mpsc::{Receiver, RecvTimeoutError, channel},
    thread,
    time::{Duration, Instant},
};

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use crate::Broker;

/// A message: topic, payload, and whether the broker had kept it.
pub type Message = (String, String, bool);

/// Listens to one topic filter on a thread of its own.
pub struct Subscriber {
    messages: Receiver<Message>,
    client: Client,
}

impl Subscriber {
    /// Subscribes and waits until the broker has confirmed it.
    ///
    /// # Panics
    /// The broker does not answer.
    #[must_use]
    pub fn to(broker: &Broker, filter: &str, client_id: &str) -> Self {
        let mut options = MqttOptions::new(client_id, "127.0.0.1", broker.port());
        options
            .set_credentials(Broker::USER, Broker::PASSWORD)
            .set_keep_alive(Duration::from_secs(30));
        let (client, mut connection) = Client::new(options, 100);
        client
            .subscribe(filter, QoS::AtLeastOnce)
            .expect("the subscription is queued");
        let (send, messages) = channel();
        let (confirmed, is_confirmed) = channel();
        thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::SubAck(_))) => confirmed.send(()).ok(),
                    Ok(Event::Incoming(Packet::Publish(message))) => {
                        let payload = String::from_utf8_lossy(&message.payload).into_owned();
                        if send.send((message.topic, payload, message.retain)).is_err() {
                            return;
                        }
                        None
                    }
                    Ok(_) => None,
                    Err(_) => return,
                };
            }
        });
        is_confirmed
            .recv_timeout(Duration::from_secs(20))
            .expect("the broker confirms the subscription");
        Self { messages, client }
    }

    /// The first message that `wanted` accepts.
    ///
    /// # Panics
    /// None came within `patience`; what did come is shown.
    #[must_use]
    pub fn expect(&self, what: &str, patience: Duration, wanted: impl Fn(&Message) -> bool) -> Message {
        let deadline = Instant::now() + patience;
        let mut others = Vec::new();
        loop {
            match self
                .messages
                .recv_timeout(deadline.saturating_duration_since(Instant::now()))
            {
                Ok(message) if wanted(&message) => return message,
                Ok(message) => others.push(message),
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                    panic!("no {what} within {} s; heard: {others:#?}", patience.as_secs())
                }
            }
        }
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        // It may be gone already with its broker.
        self.client.disconnect().ok();
    }
}

/// What the broker keeps under `filter`, payloads by topic: what somebody who comes later finds.
///
/// # Panics
/// The broker does not answer.
#[must_use]
pub fn kept(broker: &Broker, filter: &str) -> BTreeMap<String, String> {
    // The broker sends what it keeps before anything that is published later.
    const END: &str = "tests/end-of-what-is-kept";
    let listener = Subscriber::to(broker, filter, "looks for what is kept");
    listener
        .client
        .subscribe(END, QoS::AtLeastOnce)
        .expect("the subscription is queued");
    listener
        .client
        .publish(END, QoS::AtLeastOnce, false, "")
        .expect("the end is queued");
    let mut found = BTreeMap::new();
    loop {
        let (topic, payload, retained) = listener
            .messages
            .recv_timeout(Duration::from_secs(20))
            .expect("the broker sends on what was published");
        if topic == END {
            return found;
        }
        if retained {
            found.insert(topic, payload);
        }
    }
}
