//! A broker that is restarted again and again while a sensor speaks.

use super::*;

const RESTARTS: u32 = 8;
const BETWEEN: u32 = 20;

/// Publishes the messages of one hour and waits until the broker has them all.
async fn speak(port: u16, hour: u32) {
    let (client, mut events) = client(port, "sensor", true);
    until(&mut events, |event| {
        matches!(event, Event::Incoming(Packet::ConnAck(_)))
    })
    .await;
    for number in 0..BETWEEN {
        let payload = senml(f64::from(hour * BETWEEN + number) / 1_000.0);
        client
            .publish("sensors/shelf/senml", QoS::AtLeastOnce, false, payload)
            .await
            .unwrap();
    }
    let mut confirmed = 0;
    until(&mut events, |event| {
        confirmed += u32::from(matches!(event, Event::Incoming(Packet::PubAck(_))));
        confirmed == BETWEEN
    })
    .await;
}

async fn restarts_lose_nothing(protocol: &str) {
    let folder = tempfile::tempdir().unwrap();
    let mut mosquitto = Mosquitto::start(folder.path());
    let mut bench = listen(broker_of(protocol, mosquitto.port));
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
    for hour in 0..RESTARTS {
        // It goes down while messages are on their way to us, or wait for us.
        speak(mosquitto.port, hour).await;
        mosquitto = mosquitto.restart();
    }
    let mut missing: std::collections::BTreeSet<u32> = (0..RESTARTS * BETWEEN).collect();
    while !missing.is_empty() {
        let mut heard = bench.next().await;
        let number = (bar(&heard) * 1_000.0).round();
        missing.retain(|wanted| (f64::from(*wanted) - number).abs() > 0.5);
        heard.stored();
    }
    bench.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn every_message_arrives_through_restarts_of_the_broker() {
    restarts_lose_nothing("3.1.1").await;
    restarts_lose_nothing("5").await;
}
