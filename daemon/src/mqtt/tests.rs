//! Against a real broker: `mosquitto` has to be installed; without it these tests fail.

use std::{process::Command, time::Duration};

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Priority, Transition},
    batch::BatchName,
    reading::{Quantity, Source},
};
use rumqttc::{AsyncClient, Event, EventLoop, Incoming as Packet, MqttOptions, Outgoing, QoS};

use self::mosquitto::{Mosquitto, free_port};
use super::{
    publisher::{OFFLINE, ONLINE},
    *,
};
use crate::{
    config::{Config, Secret},
    incoming::{self, Incoming},
};

/// Ends a test that would wait for ever; no test depends on its length.
const PATIENCE: Duration = Duration::from_secs(60);

/// Room for the largest payload of these tests.
const MAX_PACKET: usize = 32 * 1024 * 1024;

fn broker(port: u16) -> Broker {
    broker_of("3.1.1", port)
}

fn broker_of(protocol: &str, port: u16) -> Broker {
    let text = format!(
        "[[mqtt]]\nhost = \"127.0.0.1\"\nprotocol = \"{protocol}\"\nport = {port}\npublish_prefix = \"fw\"\nsenml = [\"sensors/+/senml\"]\n\
         [[mqtt.number]]\ntopic = \"kitchen/temperature\"\nsource = \"kitchen\"\nquantity = \"room_temperature\"\nunit = \"degC\"\n"
    );
    Config::from_toml(&text, "test").unwrap().mqtt.remove(0)
}

struct Bench {
    link: Link,
    inbox: mpsc::Receiver<Incoming>,
    stop: CancellationToken,
}

fn listen(broker: Broker) -> Bench {
    let (sender, inbox) = incoming::channel();
    let stop = CancellationToken::new();
    let link = start(broker, Arc::default(), sender, stop.clone());
    Bench { link, inbox, stop }
}

impl Bench {
    async fn next(&mut self) -> Incoming {
        within(self.inbox.recv()).await.unwrap()
    }

    async fn end(self) {
        self.stop.cancel();
        within(self.link.task).await.unwrap();
    }
}

async fn within<T>(future: impl Future<Output = T>) -> T {
    tokio::time::timeout(PATIENCE, future)
        .await
        .unwrap_or_else(|_late| panic!("nothing came in a minute"))
}

/// A client of the test's own.
fn client(port: u16, id: &str, clean: bool) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options
        .set_clean_session(clean)
        .set_keep_alive(Duration::from_secs(30))
        .set_max_packet_size(MAX_PACKET, MAX_PACKET);
    AsyncClient::new(options, 100)
}

/// Polls until `wanted`, through the errors of a broker that is only starting.
async fn until(events: &mut EventLoop, mut wanted: impl FnMut(&Event) -> bool) {
    within(async {
        loop {
            match events.poll().await {
                Ok(event) if wanted(&event) => return,
                Ok(_) => {}
                Err(_starting) => tokio::time::sleep(Duration::from_millis(20)).await,
            }
        }
    })
    .await;
}

async fn publish(port: u16, topic: &str, payload: &str, retain: bool) {
    let (client, mut events) = client(port, "sensor", true);
    until(&mut events, |event| {
        matches!(event, Event::Incoming(Packet::ConnAck(_)))
    })
    .await;
    client
        .publish(topic, QoS::AtLeastOnce, retain, payload)
        .await
        .unwrap();
    until(&mut events, |event| {
        matches!(event, Event::Incoming(Packet::PubAck(_)))
    })
    .await;
    client.disconnect().await.unwrap();
    until(&mut events, |event| {
        matches!(event, Event::Outgoing(Outgoing::Disconnect))
    })
    .await;
}

/// The next message on `filter`: topic, payload, retained.
async fn hear(port: u16, filter: &str, wanted: impl Fn(&str) -> bool) -> (String, String, bool) {
    let (client, mut events) = client(port, "listener", true);
    client.subscribe(filter, QoS::AtLeastOnce).await.unwrap();
    let mut heard = None;
    until(&mut events, |event| {
        if let Event::Incoming(Packet::Publish(message)) = event {
            let payload = String::from_utf8(message.payload.to_vec()).unwrap();
            if wanted(&payload) {
                heard = Some((message.topic.clone(), payload, message.retain));
            }
        }
        heard.is_some()
    })
    .await;
    heard.unwrap()
}

async fn until_up(bench: &Bench) {
    within(async {
        while bench.link.meter.state().up != Some(true) {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await;
}

fn senml(bar: f64) -> String {
    format!(r#"[{{"n":"pilot/pressure","u":"bar","v":{bar},"t":1772434800}}]"#)
}

fn bar(incoming: &Incoming) -> f64 {
    (incoming.readings[0].measured.stored_value() / 100.0).round() / 1_000.0
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_not_stored_comes_again_and_what_was_stored_does_not() {
    what_was_not_stored_comes_again_and_what_was_stored_does_not_over("3.1.1").await;
    what_was_not_stored_comes_again_and_what_was_stored_does_not_over("5").await;
}

async fn what_was_not_stored_comes_again_and_what_was_stored_does_not_over(protocol: &str) {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let mut bench = listen(broker_of(protocol, mosquitto.port));
    until_up(&bench).await;
    // The status is published behind the subscription, so a listener that has it knows of both.
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;

    publish(mosquitto.port, "sensors/shelf/senml", &senml(1.25), false).await;
    let first = bench.next().await;
    assert!((bar(&first) - 1.25).abs() < 1e-9);
    drop(first); // as when the disk is full

    let mut again = bench.next().await;
    assert!((bar(&again) - 1.25).abs() < 1e-9);
    again.stored();
    publish(mosquitto.port, "sensors/shelf/senml", &senml(1.5), false).await;
    let mut next = bench.next().await;
    assert!(
        (bar(&next) - 1.5).abs() < 1e-9,
        "1.25 was acknowledged and must not come again"
    );
    next.stored();
    let state = bench.link.meter.state();
    assert_eq!(state.interruptions.get("not_stored"), Some(&1), "{state:?}");
    bench.end().await;
}

/// A broker may send without limit, whatever was acknowledged so far.
#[tokio::test(flavor = "multi_thread")]
async fn a_flood_that_cannot_be_stored_as_fast_keeps_the_link_and_arrives_whole() {
    const MANY: u32 = 3_000;
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let mut bench = listen(broker(mosquitto.port));
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
    let before = bench.link.meter.state().interruptions;
    // Nobody takes anything out of the inbox until the broker has got it all.
    let (client, mut events) = client(mosquitto.port, "sensor", true);
    let mut confirmed = 0;
    let publishing = tokio::spawn(async move {
        for number in 0..MANY {
            let payload = senml(f64::from(number) / 1_000.0);
            let topic = "sensors/shelf/senml";
            client
                .publish(topic, QoS::AtLeastOnce, false, payload)
                .await
                .unwrap();
        }
        client
    });
    until(&mut events, |event| {
        confirmed += u32::from(matches!(event, Event::Incoming(Packet::PubAck(_))));
        confirmed == MANY
    })
    .await;
    publishing.await.unwrap();
    for number in 0..MANY {
        let mut incoming = bench.next().await;
        assert!((bar(&incoming) - f64::from(number) / 1_000.0).abs() < 1e-9);
        incoming.stored();
    }
    let state = bench.link.meter.state();
    assert_eq!(state.interruptions, before, "{state:?}");
    bench.end().await;
}

/// Whoever stores may be gone, or wait for the link in his turn.
#[tokio::test(flavor = "multi_thread")]
async fn a_link_ends_although_nobody_stores_what_it_brought_and_that_comes_again() {
    for protocol in ["3.1.1", "5"] {
        let folder = tempfile::tempdir().unwrap();
        let mosquitto = Mosquitto::start(folder.path());
        let mut bench = listen(broker_of(protocol, mosquitto.port));
        hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
        for bar in [1.25, 1.5] {
            publish(mosquitto.port, "sensors/shelf/senml", &senml(bar), false).await;
        }
        let held = bench.next().await;
        let Bench { link, inbox, stop } = bench;
        stop.cancel();
        within(link.task).await.unwrap();
        drop((held, inbox));

        let mut bench = listen(broker_of(protocol, mosquitto.port));
        for expected in [1.25, 1.5] {
            let mut again = bench.next().await;
            assert!((bar(&again) - expected).abs() < 1e-9, "{protocol}: {again:?}");
            again.stored();
        }
        bench.end().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_came_while_away_is_kept_and_a_restarted_broker_is_heard_again() {
    what_came_while_away_is_kept_and_a_restarted_broker_is_heard_again_over("3.1.1").await;
    what_came_while_away_is_kept_and_a_restarted_broker_is_heard_again_over("5").await;
}

async fn what_came_while_away_is_kept_and_a_restarted_broker_is_heard_again_over(protocol: &str) {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let bench = listen(broker_of(protocol, mosquitto.port));
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
    bench.end().await;
    hear(mosquitto.port, "fw/status", |payload| payload == OFFLINE).await;
    publish(mosquitto.port, "kitchen/temperature", "12.5", false).await;
    publish(mosquitto.port, "sensors/shelf/senml", &senml(0.5), false).await;

    // The bare number tells no time: it is gone, rather than taken for a fresh one.
    let mut bench = listen(broker_of(protocol, mosquitto.port));
    let mut kept = bench.next().await;
    assert!((bar(&kept) - 0.5).abs() < 1e-9);
    kept.stored();
    publish(mosquitto.port, "sensors/shelf/senml", &senml(0.625), false).await;
    let mut live = bench.next().await;
    assert!((bar(&live) - 0.625).abs() < 1e-9);
    live.stored();

    let mosquitto = mosquitto.restart();
    publish(mosquitto.port, "sensors/shelf/senml", &senml(0.75), false).await;
    let mut after = bench.next().await;
    while (bar(&after) - 0.625).abs() < 1e-9 {
        // The broker went before it read the acknowledgement: it sends again, and the store knows it.
        after.stored();
        after = bench.next().await;
    }
    assert!((bar(&after) - 0.75).abs() < 1e-9);
    after.stored();
    bench.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nonsense_is_counted_and_acknowledged_and_the_rest_goes_on() {
    nonsense_is_counted_and_acknowledged_and_the_rest_goes_on_over("3.1.1").await;
    nonsense_is_counted_and_acknowledged_and_the_rest_goes_on_over("5").await;
}

async fn nonsense_is_counted_and_acknowledged_and_the_rest_goes_on_over(protocol: &str) {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    publish(mosquitto.port, "kitchen/temperature", "19.5", true).await;
    let mut bench = listen(broker_of(protocol, mosquitto.port));
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
    for nonsense in [
        "{",
        "[{\"n\":\"pilot/pressure\",\"u\":\"furlong\",\"v\":1}]",
        "\u{fffd}",
    ] {
        publish(mosquitto.port, "sensors/shelf/senml", nonsense, false).await;
    }
    let endless = "7".repeat(17 * 1024 * 1024);
    publish(mosquitto.port, "sensors/shelf/senml", &endless, false).await;
    publish(mosquitto.port, "kitchen/temperature", "unavailable", false).await;
    publish(mosquitto.port, "kitchen/temperature", "21.5", false).await;
    let mut good = bench.next().await;
    assert_eq!(good.readings[0].measured.quantity(), Quantity::RoomTemperature);
    // The retained 19.5 has no time of its own: it must not pass for a fresh value.
    assert!((good.readings[0].measured.stored_value() - 294.65).abs() < 1e-9);
    good.stored();
    let state = bench.link.meter.state();
    let expected = [
        ("bad_value", 1),
        ("not_json", 2),
        ("too_long", 1),
        ("unknown_unit", 1),
    ];
    assert_eq!(state.refused, expected.into());
    assert!(state.interruptions.is_empty(), "{state:?}");
    bench.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_is_a_retained_state_and_a_lost_daemon_is_offline() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let bench = listen(broker(mosquitto.port));
    until_up(&bench).await;
    let publisher = bench.link.publisher.clone().unwrap();
    let mut alert = AlertRecord {
        batch: BatchName::new("Lime and mint 4").unwrap(),
        alert: AlertName::MoveToFridge,
        state: Transition::Raised,
        priority: Priority::Medium,
        at: "2026-03-05T14:20:00Z".parse().unwrap(),
        message: "Move lime and mint 4 to the fridge.".to_owned(),
        who: None,
        source: None,
        quantity: None,
    };
    within(publisher.alert(&alert)).await.unwrap();
    // Someone who subscribes only now gets it as the state.
    let (topic, payload, retained) = hear(mosquitto.port, "fw/+/alert/+", |_| true).await;
    assert_eq!(topic, "fw/lime-and-mint-4/alert/move_to_fridge");
    assert!(retained);
    let read: serde_json::Value = serde_json::from_str(&payload).unwrap();
    assert_eq!(read["record"], "alert");
    assert_eq!(read["state"], "raised");
    assert_eq!(serde_json::from_str::<AlertRecord>(&payload).unwrap(), alert);

    alert.source = Some(Source::new("pilot+#").unwrap());
    alert.quantity = Some(Quantity::Pressure);
    assert_eq!(
        alert_topic("fw", &alert),
        "fw/lime-and-mint-4/alert/move_to_fridge/pilot--/pressure"
    );

    // The daemon dies without a goodbye: the broker tells its last will.
    bench.link.task.abort();
    hear(mosquitto.port, "fw/status", |payload| payload == OFFLINE).await;
    assert!(within(publisher.alert(&alert)).await.is_err());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_password_is_needed_and_a_wrong_one_is_told() {
    a_password_is_needed_and_a_wrong_one_is_told_over("3.1.1").await;
    a_password_is_needed_and_a_wrong_one_is_told_over("5").await;
}

async fn a_password_is_needed_and_a_wrong_one_is_told_over(protocol: &str) {
    let folder = tempfile::tempdir().unwrap();
    let made = Command::new("mosquitto_passwd")
        .args(["-c", "-b"])
        .arg(folder.path().join("passwd"))
        .args(["me", "blue door"])
        .status()
        .unwrap_or_else(|error| panic!("mosquitto has to be installed for this test: {error}"));
    assert!(made.success());
    let mosquitto = Mosquitto::start(folder.path());
    let mut config = broker_of(protocol, mosquitto.port);
    config.username = Some("me".to_owned());
    config.password = Some(Secret::new("red door"));
    let bench = listen(config.clone());
    within(async {
        while !bench.link.meter.state().interruptions.contains_key("refused") {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await;
    assert_eq!(bench.link.meter.state().up, Some(false));
    let publisher = bench.link.publisher.clone().unwrap();
    let refused = within(publisher.retained("fw/x".to_owned(), "1".to_owned())).await;
    assert_eq!(refused, Err(PublishError::NotConnected));
    bench.end().await;

    config.password = Some(Secret::new("blue door"));
    let bench = listen(config);
    until_up(&bench).await;
    bench.end().await;
}

/// Whoever began the link begins it again (`running/inputs.rs`).
#[tokio::test(flavor = "multi_thread")]
async fn a_fault_of_the_intake_ends_the_link_and_is_shown() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let bench = listen(broker(mosquitto.port));
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
    publish(mosquitto.port, intake::FAULT, &senml(1.25), false).await;
    let ended = within(bench.link.task).await.unwrap_err();
    assert!(ended.is_panic());
    let state = bench.link.meter.state();
    assert_eq!(
        (state.up, state.complaint.as_deref()),
        (Some(false), Some(incoming::STUMBLED))
    );
    hear(mosquitto.port, "fw/status", |payload| payload == OFFLINE).await;
}

mod mosquitto;
mod onlooking;
mod restarts;
mod retained;
mod secured;
