//! Simulator -> a real mosquitto -> watch -> store -> alert seen by a subscriber.

use std::time::Duration;

use fobwatch_tests::{Broker, Daemon, Subscriber, run, wait_for};
use serde_json::Value;

use crate::kitchen::{Disk, Kitchen};

const PATIENCE: Duration = Duration::from_secs(300);

#[test]
fn a_batch_over_mqtt_ends_in_a_move_alert_that_a_subscriber_sees() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 112.0);
    let listener = Subscriber::to(&broker, "fobwatch/#", "home");
    let data = kitchen.path("data");
    let daemon = Daemon::start(&kitchen.mqtt_config(&broker, "watch"), &data, &kitchen.batches());

    let sent = run("fobwatch-simulator", &kitchen.simulator_mqtt(&broker));
    assert_eq!(sent.status, Some(0), "{}", sent.stderr);

    let (topic, payload, _) = listener.expect("move_to_fridge", PATIENCE, |(topic, payload, _)| {
        topic.contains("move_to_fridge") && payload.contains("raised")
    });
    assert!(topic.contains("hibiscus-12"), "{topic}");
    let alert: Value = serde_json::from_str(&payload).unwrap();
    assert_eq!(alert["alert"], "move_to_fridge");
    assert!(
        alert["message"].as_str().unwrap().contains("hibiscus 12"),
        "{alert}"
    );

    // Who comes later finds the state kept at the broker.
    let late = Subscriber::to(&broker, &topic, "late");
    let kept = late.expect(
        "the retained state",
        Duration::from_secs(20),
        |(_, _, retained)| *retained,
    );
    assert!(kept.1.contains("raised"), "{kept:?}");

    // Every reading is on disk exactly once, and none waits.
    let wanted = kitchen.distinct_readings();
    wait_for("every reading on disk", PATIENCE, || {
        (Disk::open(&data).count("SELECT count(*) FROM reading") == wanted).then_some(())
    });

    // The same engine: what watch raised is what replay raises on the same rows.
    let replayed = run("fobwatch", &kitchen.replay());
    let raised = |lines: &mut dyn Iterator<Item = String>| -> Vec<(String, String)> {
        lines
            .map(|line| serde_json::from_str::<Value>(&line).unwrap())
            .filter(|record| record["alert"].is_string() && record["state"] == "raised")
            .map(|record| (record["at"].to_string(), record["alert"].to_string()))
            .collect()
    };
    let expected = raised(&mut replayed.stdout.lines().map(ToOwned::to_owned));
    assert!(!expected.is_empty(), "{}", replayed.stderr);
    wait_for("the same alerts as replay's", PATIENCE, || {
        let stored = Disk::open(&data).texts("SELECT body FROM alert ORDER BY id");
        (raised(&mut stored.into_iter()) == expected).then_some(())
    });
    assert!(daemon.get("/").unwrap().contains("hibiscus 12"));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_broker_that_restarts_and_payloads_that_make_no_sense_lose_nothing() {
    let mut broker = Broker::start();
    let kitchen = Kitchen::new("plain", 24.0);
    let data = kitchen.path("data");
    let daemon = Daemon::start(&kitchen.mqtt_config(&broker, "watch"), &data, &kitchen.batches());
    let good_before = run("fobwatch-simulator", &kitchen.simulator_mqtt(&broker));
    assert_eq!(good_before.status, Some(0), "{}", good_before.stderr);
    let wanted = kitchen.distinct_readings();
    wait_for("every reading on disk", PATIENCE, || {
        (Disk::open(&data).count("SELECT count(*) FROM reading") == wanted).then_some(())
    });
    broker.restart();
    let bad = [
        "",
        "not json",
        "[{\"n\":\"pilot/pressure\",\"u\":\"Pa\",\"v\":1e400}]",
        "[{\"n\":\"pilot/pressure\",\"u\":\"furlong\",\"v\":1}]",
        "[{\"n\":\"pilot/loudness\",\"u\":\"Pa\",\"v\":1,\"t\":1772500000}]",
        "[{\"n\":\"pilot/pressure\",\"u\":\"Pa\",\"v\":-9e9,\"t\":1772500000}]",
        "[{\"n\":\"\",\"v\":null}]",
        "[[[[[[[[[[[[[[[[[[",
    ];
    let (client, handle) = publisher(&broker);
    for payload in bad {
        client
            .publish("sensors/pilot", rumqttc::QoS::AtLeastOnce, false, payload)
            .unwrap();
    }
    // One that makes sense comes after them: it must arrive.
    let good = "[{\"n\":\"pilot/pressure\",\"u\":\"Pa\",\"v\":12345.0,\"t\":1772525000.25}]";
    client
        .publish("sensors/pilot", rumqttc::QoS::AtLeastOnce, false, good)
        .unwrap();
    wait_for("the reading after the bad ones", PATIENCE, || {
        (Disk::open(&data).count("SELECT count(*) FROM reading") == wanted + 1).then_some(())
    });
    client.disconnect().unwrap();
    handle.join().unwrap();
    let log = daemon.log();
    for told in ["furlong", "loudness"] {
        assert!(log.contains(told), "{told} was not told:\n{log}");
    }
    assert_eq!(daemon.stop(), Some(0));
}

fn publisher(broker: &Broker) -> (rumqttc::Client, std::thread::JoinHandle<()>) {
    let mut options = rumqttc::MqttOptions::new("odd sensor", "127.0.0.1", broker.port());
    options.set_credentials(Broker::USER, Broker::PASSWORD);
    let (client, mut connection) = rumqttc::Client::new(options, 100);
    let handle =
        std::thread::spawn(move || while connection.iter().next().is_some_and(|event| event.is_ok()) {});
    (client, handle)
}
