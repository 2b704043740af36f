//! Somebody who publishes at the broker, as sensors do.

use std::{thread, time::Duration};

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use crate::Broker;

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
