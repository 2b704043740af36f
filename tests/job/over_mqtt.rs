//! Simulator -> a real mosquitto -> watch -> store -> alert seen by a subscriber.

use fobwatch_tests::{Broker, Daemon, Subscriber, kept, run};
use serde_json::Value;

use crate::kitchen::{Disk, Kitchen, PATIENCE, until_online};

#[test]
fn a_batch_over_mqtt_ends_in_a_move_alert_that_a_subscriber_sees() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 106.0);
    let listener = Subscriber::to(&broker, "fobwatch/#", "home");
    let data = kitchen.path("data");
    let daemon = Daemon::start(&kitchen.mqtt_config(&broker, "watch"), &data, &kitchen.batches());

    until_online(&broker);
    let sent = run("fobwatch-simulator", &kitchen.simulator_mqtt(&broker, "max"));
    assert_eq!(sent.status, Some(0), "{}", sent.stderr);

    let topic = "fobwatch/hibiscus-12/alert/move_to_fridge";
    let (_, payload, _) = listener.expect("move_to_fridge", PATIENCE, |(heard, payload, _)| {
        heard == topic && payload.contains("raised")
    });
    let alert: Value = serde_json::from_str(&payload).unwrap();
    assert_eq!(alert["batch"], "hibiscus 12");
    assert_eq!(alert["alert"], "move_to_fridge");
    assert_eq!(alert["state"], "raised");
    assert_eq!(alert["priority"], "medium");
    let message = alert["message"].as_str().unwrap();
    assert!(
        message.contains("hibiscus 12") && message.contains("fridge"),
        "{message}"
    );
    // Who comes later finds it kept at the broker.
    assert_eq!(kept(&broker, "fobwatch/hibiscus-12/#").get(topic), Some(&payload));

    // Every reading is on disk exactly once, and none waits.
    kitchen.wait_until_taken(&daemon, &data);
    let stored = Disk::open(&data).readings();
    assert_eq!(stored.len(), kitchen.sent().len());
    assert!(
        stored.into_iter().eq(kitchen.in_order()),
        "in the order in which they were sent"
    );

    let asked = kitchen.last_heard();
    let answered = daemon.json(&format!("/api/v1/batches/hibiscus-12/forecast?at={asked}"));
    assert!(daemon.get("/").unwrap().contains("hibiscus 12"));
    assert_eq!(daemon.stop(), Some(0));

    // The same engine on the same rows, on one thread instead of many: the same alerts, word for word, and forecasts.
    let rows = kitchen.write("stored.csv", &Disk::open(&data).csv());
    let batch = kitchen.text_path("batches/batch.toml");
    let (rows, asked) = (rows.display().to_string(), asked.to_string());
    let replayed = run(
        "fobwatch",
        &["replay", "--batch", &batch, "--readings", &rows, "--at", &asked],
    );
    assert_eq!(replayed.status, Some(0), "{}", replayed.stderr);
    let records = || {
        replayed
            .stdout
            .lines()
            .map(|line| serde_json::from_str::<Value>(line).unwrap())
    };
    let alerts: Vec<Value> = records().filter(|record| record["record"] == "alert").collect();
    let stored: Vec<Value> = Disk::open(&data)
        .texts("SELECT body FROM alert ORDER BY id")
        .iter()
        .map(|body| {
            let mut alert: Value = serde_json::from_str(body).unwrap();
            alert["record"] = "alert".into();
            alert
        })
        .collect();
    assert!(!alerts.is_empty());
    assert_eq!(stored, alerts);
    let forecasts: Vec<Value> = records()
        .filter(|record| record["record"] == "forecast")
        .collect();
    assert_eq!(forecasts, [answered]);
}
