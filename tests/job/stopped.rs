//! A daemon that is killed, or stopped, in the middle of its work: nothing acknowledged is lost, nothing counts twice, no
//! alert is raised twice or forgotten, and the forecasts are the same as if nothing had happened.

use std::{
    collections::BTreeMap,
    path::Path,
    process::{Child, Command, Stdio},
    sync::OnceLock,
};

use fobwatch_tests::{Broker, Daemon, kept, program, wait_for};
use serde_json::Value;

use crate::kitchen::{Disk, Key, Kitchen, PATIENCE, until_online};

const FORECASTS: &str = "SELECT at_us || ' ' || body FROM forecast ORDER BY batch, at_us";
const ALERTS: &str = "SELECT body FROM alert ORDER BY id";

/// Simulated seconds in one: the readings of two days take ten seconds, and the engine is busy all the while.
const SPEED: &str = "17280";

/// The batch: over-lively, so that alerts come within two days.
fn kitchen() -> Kitchen {
    Kitchen::new("lively_culture", 48.0)
}

/// What is left in the end.
#[derive(Debug, PartialEq)]
struct Remains {
    readings: Vec<Key>,
    /// The forecast at the last reading, asked over the API.
    forecast: Value,
    forecasts: Vec<String>,
    alerts: Vec<String>,
    /// The states that the broker keeps, by topic.
    kept: BTreeMap<String, Value>,
}

/// Lets `daemon` come to the end, and stops it.
fn remains(kitchen: &Kitchen, broker: &Broker, daemon: Daemon, data: &Path) -> Remains {
    kitchen.wait_until_taken(&daemon, data);
    let asked = kitchen.last_heard();
    let forecast = daemon.json(&format!("/api/v1/batches/lime-and-mint-4/forecast?at={asked}"));
    wait_for("every alert to be delivered", PATIENCE, || {
        (Disk::open(data).count("SELECT count(*) FROM outbox WHERE done_us IS NULL") == 0).then_some(())
    });
    // A reminder says the same again in newer words, and one that falls into a gap is not made up for.
    let state = |payload: String| serde_json::from_str::<Value>(&payload).unwrap()["state"].clone();
    let kept = kept(broker, "fobwatch/+/alert/#");
    let kept = kept
        .into_iter()
        .map(|(topic, payload)| (topic, state(payload)))
        .collect();
    assert_eq!(daemon.stop(), Some(0));
    let disk = Disk::open(data);
    Remains {
        readings: disk.readings(),
        forecast,
        forecasts: disk.texts(FORECASTS),
        alerts: disk.texts(ALERTS),
        kept,
    }
}

/// What a daemon leaves that nobody disturbs.
fn calm() -> &'static Remains {
    static CALM: OnceLock<Remains> = OnceLock::new();
    CALM.get_or_init(|| {
        let (kitchen, broker) = (kitchen(), Broker::start());
        let data = kitchen.path("data");
        let config = kitchen.mqtt_config(&broker, "watch");
        let daemon = Daemon::start(&config, &data, &kitchen.batches());
        let mut simulator = simulator(&kitchen, &broker);
        let remains = remains(&kitchen, &broker, daemon, &data);
        assert!(simulator.wait().unwrap().success());
        assert!(remains.readings.iter().cloned().eq(kitchen.in_order()));
        assert!(
            remains.forecasts.len() > 50,
            "{} forecasts",
            remains.forecasts.len()
        );
        assert!(remains.alerts.len() >= 3, "{:#?}", remains.alerts);
        assert!(
            remains
                .kept
                .contains_key("fobwatch/lime-and-mint-4/alert/move_to_fridge"),
            "{:#?}",
            remains.kept
        );
        remains
    })
}

/// Plays the batch over the broker, at which a daemon has its subscription.
fn simulator(kitchen: &Kitchen, broker: &Broker) -> Child {
    until_online(broker);
    Command::new(program("fobwatch-simulator"))
        .args(kitchen.simulator_mqtt(broker, SPEED))
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Waits until so many tenths of the readings are on disk, and not all.
fn until_tenths(kitchen: &Kitchen, data: &Path, tenths: usize) {
    let all = kitchen.sent().len();
    let stored = wait_for("a part of the readings on disk", PATIENCE, || {
        let stored = Disk::open(data).count("SELECT coalesce(sum(count), 0) FROM held");
        (stored >= all * tenths / 10).then_some(stored)
    });
    assert!(
        stored < all,
        "the readings were all there already: nothing is interrupted"
    );
}

fn same(got: &Remains) {
    let wanted = calm();
    assert_eq!(got.readings.len(), wanted.readings.len());
    assert!(got.readings == wanted.readings, "each once, in the order sent");
    assert_eq!(got.forecast, wanted.forecast);
    assert_eq!(got.alerts, wanted.alerts, "an alert was lost or raised twice");
    assert_eq!(got.kept, wanted.kept);
    assert_eq!(got.forecasts.len(), wanted.forecasts.len());
    for (got, wanted) in got.forecasts.iter().zip(&wanted.forecasts) {
        assert_eq!(got, wanted);
    }
}

#[test]
fn killed_in_mid_ingest_and_after_an_alert_it_ends_where_one_left_alone_does() {
    let (kitchen, mut broker) = (kitchen(), Broker::start());
    let data = kitchen.path("data");
    let config = kitchen.mqtt_config(&broker, "watch");
    let batches = kitchen.batches();
    let daemon = Daemon::start(&config, &data, &batches);
    let mut simulator = simulator(&kitchen, &broker);
    until_tenths(&kitchen, &data, 2);
    daemon.kill();
    let daemon = Daemon::start(&config, &data, &batches);
    until_tenths(&kitchen, &data, 5);
    // The broker goes as well.
    daemon.kill();
    broker.restart();
    let daemon = Daemon::start(&config, &data, &batches);
    // An alert is stored, and maybe not delivered yet.
    wait_for("an alert", PATIENCE, || {
        (Disk::open(&data).count("SELECT count(*) FROM alert") > 0).then_some(())
    });
    daemon.kill();
    let daemon = Daemon::start(&config, &data, &batches);
    let got = remains(&kitchen, &broker, daemon, &data);
    assert!(simulator.wait().unwrap().success());
    same(&got);
}

#[test]
fn stopped_in_mid_ingest_it_ends_in_order_and_goes_on_where_it_was() {
    let (kitchen, broker) = (kitchen(), Broker::start());
    let data = kitchen.path("data");
    let config = kitchen.mqtt_config(&broker, "watch");
    let batches = kitchen.batches();
    let daemon = Daemon::start(&config, &data, &batches);
    let mut simulator = simulator(&kitchen, &broker);
    until_tenths(&kitchen, &data, 2);
    assert_eq!(daemon.stop(), Some(0));
    for tenths in [5, 8] {
        let daemon = Daemon::start(&config, &data, &batches);
        until_tenths(&kitchen, &data, tenths);
        assert_eq!(daemon.stop(), Some(0));
    }
    let daemon = Daemon::start(&config, &data, &batches);
    let got = remains(&kitchen, &broker, daemon, &data);
    assert!(simulator.wait().unwrap().success());
    same(&got);
}

/// A batch that was filled months ago, by the wall clock: the engine has a long way to go at its first tick.
#[test]
fn stopped_in_the_middle_of_a_long_reckoning_it_does_not_finish_it_first() {
    let kitchen = Kitchen::new("plain", 1.0);
    let config = kitchen.write("wall.toml", "[display]\ntime_zone = \"UTC\"\n");
    let data = kitchen.path("data");
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    assert_eq!(daemon.stop(), Some(0));
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    assert!(daemon.get("/").unwrap().contains("hibiscus 12"));
    assert_eq!(daemon.stop(), Some(0));
}
