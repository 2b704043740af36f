//! kill -9 in the middle of ingest: nothing acknowledged is lost, nothing counts twice, and the forecasts are the same.

use std::{
    process::{Command, Stdio},
    time::Duration,
};

use fobwatch_tests::{Broker, Daemon, program, run, wait_for};

use crate::kitchen::{Disk, Kitchen};

const PATIENCE: Duration = Duration::from_secs(300);
const FORECASTS: &str = "SELECT at_us || ' ' || body FROM forecast ORDER BY batch, at_us";
const ALERTS: &str = "SELECT body FROM alert ORDER BY id";

#[test]
fn a_daemon_killed_in_mid_ingest_ends_where_one_left_alone_does() {
    let kitchen = Kitchen::new("plain", 60.0);
    let wanted = kitchen.distinct_readings();
    let all_there = |data: &std::path::Path| {
        wait_for("every reading on disk", PATIENCE, || {
            (Disk::open(data).count("SELECT count(*) FROM reading") == wanted).then_some(())
        });
    };

    // Left alone.
    let broker = Broker::start();
    let calm = kitchen.path("calm");
    let daemon = Daemon::start(&kitchen.mqtt_config(&broker, "calm"), &calm, &kitchen.batches());
    assert_eq!(
        run("fobwatch-simulator", &kitchen.simulator_mqtt(&broker)).status,
        Some(0)
    );
    all_there(&calm);
    let expected = settled(&calm, FORECASTS);
    assert!(expected.len() > 50, "{} forecasts", expected.len());
    let alerts = Disk::open(&calm).texts(ALERTS);
    assert_eq!(daemon.stop(), Some(0));

    // Killed twice while the readings come in, once with the broker gone as well.
    let mut broker = Broker::start();
    let rough = kitchen.path("rough");
    let config = kitchen.mqtt_config(&broker, "rough");
    let daemon = Daemon::start(&config, &rough, &kitchen.batches());
    let mut simulator = Command::new(program("fobwatch-simulator"))
        .args(kitchen.simulator_mqtt(&broker))
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let part = |share: u64| {
        wait_for("a part of the readings on disk", PATIENCE, || {
            (Disk::open(&rough).count("SELECT count(*) FROM reading") >= wanted * share / 10).then_some(())
        });
    };
    part(3);
    daemon.kill();
    let daemon = Daemon::start(&config, &rough, &kitchen.batches());
    part(6);
    daemon.kill();
    broker.restart();
    let daemon = Daemon::start(&config, &rough, &kitchen.batches());
    assert_eq!(simulator.wait().unwrap().code(), Some(0));
    all_there(&rough);
    let forecasts = settled(&rough, FORECASTS);
    assert_eq!(forecasts.len(), expected.len());
    for (got, want) in forecasts.iter().zip(&expected) {
        assert_eq!(got, want);
    }
    assert_eq!(
        Disk::open(&rough).texts(ALERTS),
        alerts,
        "an alert was lost or raised twice"
    );
    let twice = "SELECT count(*) FROM (SELECT 1 FROM reading GROUP BY series, at_us HAVING count(*) > 1)";
    assert_eq!(Disk::open(&rough).count(twice), 0);
    assert_eq!(daemon.stop(), Some(0));
}

/// What `sql` answers once it has stopped growing: the engine is done with what is on disk.
fn settled(data: &std::path::Path, sql: &str) -> Vec<String> {
    let mut before = Vec::new();
    let mut same = 0;
    wait_for("the engine to be done", PATIENCE, || {
        let now = Disk::open(data).texts(sql);
        same = if now == before && !now.is_empty() {
            same + 1
        } else {
            0
        };
        before = now;
        (same > 100).then(|| before.clone())
    })
}
