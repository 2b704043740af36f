//! A recorded folder, with faults of its sensors in it, played back over a real broker and a real pseudo-terminal: what the
//! daemon stores is what stands in the folder.

use std::{
    io::Write,
    process::{Command, Stdio},
};

use fobwatch_tests::{Broker, Daemon, program, run, wait_for};

use crate::kitchen::{Disk, Kitchen, PATIENCE, TOPIC, until_online};

const FAULTS: [&str; 5] = [
    "kind = \"swapped\", source = \"pilot\", quantity = \"liquid_temperature\", with_source = \"kitchen\", with_quantity = \
     \"room_temperature\", from_h = 1, for_h = 1",
    "kind = \"stuck\", source = \"pilot\", quantity = \"pressure\", from_h = 2, for_h = 0.5",
    "kind = \"drift\", source = \"pilot\", quantity = \"pressure\", from_h = 3, size = 0.1",
    "kind = \"dying\", source = \"kitchen\", from_h = 2, for_h = 3",
    "kind = \"brownout\", source = \"pilot\", from_h = 4, for_h = 0.2",
];

/// Rows of a CSV, each as it stands there.
fn rows(text: &str) -> Vec<&str> {
    text.lines().skip(1).collect()
}

#[test]
fn a_recorded_folder_is_stored_as_it_stands_over_a_broker_and_over_a_line() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 6.0);
    let recorded = kitchen.text_path("recorded");
    let mut write = vec!["write", "--scenario"];
    let scenario = kitchen.text_path("scenario.toml");
    write.extend([scenario.as_str(), "--out", recorded.as_str()]);
    for fault in FAULTS {
        write.extend(["--fault", fault]);
    }
    let written = run("fobwatch-simulator", &write);
    assert_eq!(written.status, Some(0), "{}", written.stderr);

    // As `export --batch` writes it: the daemon's own units, and times to the millisecond.
    let first = kitchen.path("first");
    let config = kitchen.write("plain.toml", "[clock]\nsource = \"readings\"\n");
    let daemon = Daemon::start(&config, &first, &kitchen.batches());
    let data = first.display().to_string();
    let csv = format!("{recorded}/readings.csv");
    let imported = run("fobwatch", &["import", csv.as_str(), "--data", data.as_str()]);
    assert!(
        imported.stdout.contains("accepted") || imported.status == Some(0),
        "{}",
        imported.stderr
    );
    let exported = kitchen.text_path("exported");
    let done = run(
        "fobwatch",
        &[
            "export",
            "--batch",
            "hibiscus 12",
            "--to",
            exported.as_str(),
            "--data",
            data.as_str(),
        ],
    );
    assert_eq!(done.status, Some(0), "{}", done.stderr);
    // The batch's own rows begin with its sealing; all that the store holds is played.
    let readings = format!("{exported}/readings.csv");
    let own = std::fs::read_to_string(&readings).unwrap();
    assert!(rows(&own).iter().all(|row| !row.starts_with("1970")));
    let all = run("fobwatch", &["export", "--data", data.as_str()]);
    assert_eq!(all.status, Some(0), "{}", all.stderr);
    assert_eq!(daemon.stop(), Some(0));
    let text = all.stdout;
    std::fs::write(&readings, &text).unwrap();
    // A board that has lost its power tells times from 1970 for a while, which SenML cannot carry: they are told and left out.
    let (unset, wanted): (Vec<_>, Vec<_>) = rows(&text).into_iter().partition(|row| row.starts_with("1970"));
    assert_eq!(unset.len(), 4);
    assert!(wanted.len() > 100, "{}", wanted.len());

    // Over the broker.
    let data = kitchen.path("over_mqtt");
    let daemon = Daemon::start(&kitchen.mqtt_config(&broker, "watch"), &data, &kitchen.batches());
    until_online(&broker);
    let address = format!("127.0.0.1:{}", broker.port());
    let secret = broker.password_file();
    let played = run(
        "fobwatch-simulator",
        &[
            "play",
            &exported,
            "--broker",
            &address,
            "--topic",
            TOPIC,
            "--username",
            Broker::USER,
            "--password-file",
            &secret,
            "--speed",
            "100000",
        ],
    );
    assert_eq!(played.status, Some(0), "{}", played.stderr);
    assert!(
        played.stderr.contains("readings are out"),
        "it tells how far it is: {}",
        played.stderr
    );
    assert!(played.stderr.contains("4 rows are left out"), "{}", played.stderr);
    wait_for("every row over the broker", PATIENCE, || {
        (Disk::open(&data).readings().len() >= wanted.len()).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(rows(&Disk::open(&data).csv()), wanted);

    // Over a line, a day and a half later.
    let begins = "2026-03-03T19:00:00Z";
    let link = kitchen.text_path("line");
    let mut play = Command::new(program("fobwatch-simulator"))
        .args(["play", &exported, "--link", &link, "--hold", "--begins", begins])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let config = kitchen.write(
        "line.toml",
        &format!("[clock]\nsource = \"readings\"\n\n[[serial]]\nport = \"{link}\"\nbaud = 115200\nformat = \"senml\"\n"),
    );
    let data = kitchen.path("over_line");
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    wait_for("the line", PATIENCE, || {
        let log = daemon.log();
        log.lines()
            .any(|line| line.contains("Connected") && line.contains(&link))
            .then_some(())
    });
    play.stdin.take().unwrap().write_all(b"\n").unwrap();
    assert!(play.wait().unwrap().success());
    wait_for("every row over the line", PATIENCE, || {
        (Disk::open(&data).readings().len() >= wanted.len()).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
    let stored = Disk::open(&data).csv();
    let stored = rows(&stored);
    let split = |row: &str| {
        let (at, rest) = row.split_once(',').unwrap();
        (at.parse::<jiff::Timestamp>().unwrap(), rest.to_owned())
    };
    let by = begins
        .parse::<jiff::Timestamp>()
        .unwrap()
        .duration_since(split(wanted[0]).0);
    let moved: Vec<_> = wanted
        .iter()
        .map(|row| split(row))
        .map(|(at, rest)| (at + by, rest))
        .collect();
    let stored: Vec<_> = stored.iter().map(|row| split(row)).collect();
    assert_eq!(stored, moved);
}
