//! Somebody who publishes at the broker, as sensors do.

use std::{thread, time::Duration};

use rumqttc::{Client, Event, MqttOptions, Outgoing, Packet, QoS};

use crate::{Broker, wait_for};

/// Publishes payloads on a topic, in order, and waits until the broker has confirmed each.
///
/// # Panics
/// The broker goes away.
pub fn publish(broker: &Broker, topic: &str, retained: bool, payloads: Vec<String>) {
    let mut options = MqttOptions::new("publishes for a test", "127.0.0.1", broker.port());
    options
        .set_credentials(Broker::USER, Broker::PASSWORD)
        .set_max_packet_size(1 << 20, 1 << 20)
        .set_keep_alive(Duration::from_secs(30));
    let (client, mut connection) = Client::new(options, 100);
    let count = payloads.len();
    let topic = topic.to_owned();
    let sender = thread::spawn(move || {
        for payload in payloads {
            client
                .publish(&topic, QoS::AtLeastOnce, retained, payload)
                .expect("the link takes it");
        }
        client
    });
    let mut confirmed = 0;
    for event in connection.iter() {
        if let Event::Incoming(Packet::PubAck(_)) = event.expect("the broker is there") {
            confirmed += 1;
            if confirmed == count {
                break;
            }
        }
    }
    let client = sender.join().expect("all was handed over");
    // It may be gone already.
    client.disconnect().ok();
}

/// Publishes SenML messages on topics, in order, until the broker has confirmed each: one that goes away meanwhile gets
/// those that it has not confirmed again.
///
/// # Panics
/// The broker stays away for a minute.
pub fn publish_through(port: u16, messages: &[(String, String)]) {
    for some in messages.chunks(AT_ONCE) {
        wait_for(
            "the broker to confirm what was sent",
            Duration::from_secs(60),
            || confirmed(port, some).then_some(()),
        );
    }
}

/// Messages that are sent again together.
const AT_ONCE: usize = 100;

/// Whether the broker has confirmed all of them.
fn confirmed(port: u16, messages: &[(String, String)]) -> bool {
    let mut options = MqttOptions::new("a sensor", "127.0.0.1", port);
    options
        .set_credentials(Broker::USER, Broker::PASSWORD)
        .set_clean_session(true);
    let (client, mut connection) = Client::new(options, messages.len() + 8);
    for (topic, payload) in messages {
        let queued = client.publish(topic.clone(), QoS::AtLeastOnce, false, payload.clone());
        queued.expect("there is room for it");
    }
    let mut left = messages.len();
    while left > 0 {
        match connection.recv() {
            Ok(Ok(Event::Incoming(Packet::PubAck(_)))) => left -= 1,
            Ok(Ok(_)) => {}
            Ok(Err(_)) | Err(_) => return false,
        }
    }
    client.disconnect().expect("there is room for the farewell");
    while let Ok(Ok(event)) = connection.recv() {
        if matches!(event, Event::Outgoing(Outgoing::Disconnect)) {
            break;
        }
    }
    true
}
