//! Sensors over MQTT and a serial line for a long time, while the broker is restarted and the plug is pulled each hour.
//!
//! An hour of readings goes out in the order of the recording, first those of the broker, then those of the line. A board on
//! a line that was pulled out in the middle of an hour says the whole hour again, as one that keeps its last lines would;
//! a sensor at a broker sends again what the broker has not acknowledged.

use std::{
    fs,
    path::Path,
    time::{Duration, Instant},
};

use fobwatch_simulator::{Emitted, Scenario, Simulation, readings_csv};
use serde_json::Value;

use crate::{Broker, Daemon, Disk, Terminal, kept, key, publish_through, run, wait_for};

const PATIENCE: Duration = Duration::from_secs(300);
const ALERTS: &str = "SELECT body FROM alert ORDER BY id";

/// What came of it.
#[derive(Debug)]
pub struct Soaked {
    /// Readings sent, each counted once.
    pub sent: usize,
    /// Readings in the store.
    pub stored: usize,
    /// Whether the store holds what was sent, each once and in that order.
    pub whole: bool,
    /// Restarts of the broker.
    pub restarts: usize,
    /// Plugs pulled.
    pub pulled: usize,
    /// Changes of alerts that the daemon raised.
    pub alerts: Vec<Value>,
    /// Those of `fobwatch replay` on the same readings, without any fault.
    pub replayed: Vec<Value>,
    /// How long it took.
    pub took: Duration,
}

/// Plays `hours` of a batch.
///
/// # Panics
/// A part does not start, or something does not come through within five minutes.
#[must_use]
pub fn soak(scenario: &str, hours: u32) -> Soaked {
    let began = Instant::now();
    let mut scenario = Scenario::shipped(scenario).expect("a shipped scenario");
    scenario.lasts_h = f64::from(hours);
    let played = Simulation::run(&scenario, 7);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("batches/batch.toml"), &played.batch_toml).expect("a file is written");
    let mut broker = Broker::start();
    let config = format!(
        "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\n\
         client_id = \"soaked\"\nusername = \"{}\"\npassword_file = \"{}\"\npublish_prefix = \"fobwatch\"\nsenml = [\"sensors/#\"]\n\
         [[serial]]\nport = \"{}\"\nbaud = 115200\nformat = \"senml\"\n",
        broker.port(),
        Broker::USER,
        broker.password_file(),
        path("line").display()
    );
    fs::write(path("fobwatch.toml"), config).expect("a file is written");
    let daemon = Daemon::start(&path("fobwatch.toml"), &path("data"), &path("batches"));

    let mut sent: Vec<Emitted> = Vec::new();
    let (mut restarts, mut pulled) = (0, 0);
    let mut opened = 0;
    for hour in 0..hours {
        let from = scenario.bottled_at + jiff::SignedDuration::from_hours(i64::from(hour));
        let until = from + jiff::SignedDuration::from_hours(1);
        let of_this_hour = |reading: &&Emitted| reading.arrival >= from && reading.arrival < until;
        let (line, wire): (Vec<_>, Vec<_>) = played
            .readings
            .iter()
            .filter(of_this_hour)
            .cloned()
            .partition(|reading| reading.source != "pilot");

        // The first half; then the broker goes away, and what was on its way may come twice.
        let half = wire.len() / 2;
        if hour == 0 {
            until_online(&broker);
        }
        publish(&broker, &wire[..half]);
        restarts += 1;
        if hour % 4 == 3 {
            // Every fourth time it comes back without any session or message, and sensors say all again once it is heard.
            broker.restart_empty();
            until_online(&broker);
            publish(&broker, &wire);
        } else {
            broker.restart();
            publish(&broker, &wire[half..]);
        }
        sent.extend(wire);
        stored(&path("data"), sent.len());

        // The plug is pulled in the middle of a line, and comes back as another terminal under the same name.
        for whole in [false, true] {
            let mut terminal = Terminal::open();
            fs::remove_file(path("line")).ok();
            std::os::unix::fs::symlink(terminal.path(), path("line")).expect("a link is made");
            opened += 1;
            connected(&daemon, opened);
            let lines: Vec<String> = line.iter().map(|reading| reading.senml() + "\n").collect();
            let text = lines.concat();
            if whole {
                terminal.send(text.as_bytes());
                sent.extend(line.iter().cloned());
                stored(&path("data"), sent.len());
            } else {
                terminal.send(&text.as_bytes()[..text.len() / 2]);
            }
            fs::remove_file(path("line")).ok();
            drop(terminal);
            pulled += 1;
        }
        if hour % 24 == 23 {
            eprintln!("{} of {hours} h, {} readings", hour + 1, sent.len());
        }
    }

    let mut seen = std::collections::BTreeSet::new();
    sent.retain(|reading| seen.insert((reading.source.clone(), reading.quantity, reading.at)));
    fs::write(path("sent.csv"), readings_csv(&sent)).expect("a file is written");
    let batch = path("batches/batch.toml").display().to_string();
    let rows = path("sent.csv").display().to_string();
    let replayed = run("fobwatch", &["replay", "--batch", &batch, "--readings", &rows]);
    assert_eq!(replayed.status, Some(0), "{}", replayed.stderr);
    let replayed: Vec<Value> = replayed
        .stdout
        .lines()
        .map(|record| serde_json::from_str(record).expect("a record is JSON"))
        .filter(|record: &Value| record["record"] == "alert")
        .collect();
    let last = sent.iter().map(|reading| reading.at).max();
    wait_for("the engine to be done", PATIENCE, || {
        let at = daemon.json("/api/v1/batches")["batches"][0]["at"]
            .as_str()?
            .parse::<jiff::Timestamp>()
            .ok()?;
        (Some(at) >= last).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));

    let store = Disk::open(&path("data"));
    let there = store.readings();
    let alerts = store
        .texts(ALERTS)
        .iter()
        .map(|body| {
            let mut alert: Value = serde_json::from_str(body).expect("an alert is JSON");
            alert["record"] = "alert".into();
            alert
        })
        .collect();
    Soaked {
        sent: sent.len(),
        stored: there.len(),
        whole: there.into_iter().eq(sent.iter().map(key)),
        restarts,
        pulled,
        alerts,
        replayed,
        took: began.elapsed(),
    }
}

/// Waits until a daemon has subscribed: it says `online` behind its subscriptions.
fn until_online(broker: &Broker) {
    wait_for("the daemon at the broker", PATIENCE, || {
        (kept(broker, "fobwatch/status").get("fobwatch/status")? == "online").then_some(())
    });
}

/// Waits until the daemon has opened the line so often.
fn connected(daemon: &Daemon, times: usize) {
    wait_for(&format!("opening {times} of the line"), PATIENCE, || {
        let log = daemon.log();
        let is = |line: &&str| line.contains("Connected") && line.contains("serial");
        (log.lines().filter(is).count() >= times).then_some(())
    });
}

/// Publishes and waits for every acknowledgement.
fn publish(broker: &Broker, readings: &[Emitted]) {
    let message = |reading: &Emitted| (format!("sensors/{}", reading.source), reading.senml());
    let messages: Vec<_> = readings.iter().map(message).collect();
    publish_through(broker.port(), &messages);
}

fn stored(data: &Path, wanted: usize) {
    let store = Disk::open(data);
    wait_for(&format!("{wanted} readings in the store"), PATIENCE, || {
        (store.count("SELECT coalesce(sum(count), 0) FROM held") >= wanted).then_some(())
    });
}
