//! Nonsense over real links: each piece is told with its place, its value and what is allowed; what makes sense before, between
//! and after it is stored.

use std::{thread::JoinHandle, time::Duration};

use fobwatch_tests::{Broker, Daemon, Terminal, wait_for};
use rumqttc::{Client, MqttOptions, QoS};

use crate::{
    bad_files::{BAD_BATCH, TOLD_OF_BATCH},
    kitchen::{Disk, Kitchen, TOPIC, until_online},
};

const PATIENCE: Duration = Duration::from_secs(60);

/// What nobody can read, and what is told of it.
fn bad_payloads() -> Vec<(Vec<u8>, &'static str)> {
    let text = |payload: &str, told| (payload.as_bytes().to_vec(), told);
    vec![
        text("", "message: is not JSON"),
        text("12.5", "message: "),
        text("[[[[[[[[[[[[[[[[[[", "message: is not JSON"),
        text(
            r#"[{"n":"pilot/pressure","u":"Pa","v":NaN}]"#,
            "message: is not JSON",
        ),
        text(
            r#"[{"n":"pilot/pressure","u":"Pa","v":1e400}]"#,
            "message: is not JSON",
        ),
        text(
            r#"[{"n":"pilot/pressure","u":"Pa","v":null,"t":1772500000}]"#,
            "record 1: ",
        ),
        text(
            r#"[{"n":"pilot/pressure","u":"Pa","v":"12","t":1772500000}]"#,
            "record 1: ",
        ),
        text(
            r#"[{"n":"pilot/pressure","u":"furlong","v":1,"t":1772500000}]"#,
            "record 1: unit `furlong` is not known; allowed: ",
        ),
        text(
            r#"[{"n":"pilot/pressure","u":"Cel","v":20,"t":1772500000}]"#,
            "record 1: unit degC does not measure pressure; allowed: bar",
        ),
        text(
            r#"[{"n":"pilot/loudness","u":"Pa","v":1,"t":1772500000}]"#,
            "record 1: quantity `loudness` is not known; allowed: pressure",
        ),
        text(
            r#"[{"n":"pilot/pressure","u":"Pa","v":-9e9,"t":1772500000}]"#,
            "record 1: -9000000000 Pa is no gauge pressure; allowed: -1.2 to 100 bar",
        ),
        text(
            r#"[{"n":"pressure","u":"Pa","v":1,"t":1772500000}]"#,
            "record 1: ",
        ),
        text(r#"[{"n":"","v":1}]"#, "record 1: "),
        text(
            r#"[{"n":"pilot/pressure","u":"Pa","v":1,"t":1e300}]"#,
            "record 1: ",
        ),
        (vec![0xff, 0xfe, 0x00], "message: "),
        (vec![b'['; 300_000], "message: is longer than 262144 bytes"),
    ]
}

/// Lines of a port with two columns, volts and degrees Celsius, that hold none.
const BAD_LINES: [(&str, &str); 5] = [
    (
        "2.5,warm",
        "column 2: the value is `warm`; allowed: a finite number",
    ),
    (
        "nan,20.5",
        "column 1: the value is `nan`; allowed: a finite number",
    ),
    ("7.5,20.5", "column 1: 7.5 V"),
    (
        "2.5,-300",
        "column 2: -300 degC is no temperature; allowed: -60 to 150 degC",
    ),
    ("2.5", "column 2: "),
];

fn publisher(broker: &Broker) -> (Client, JoinHandle<()>) {
    let mut options = MqttOptions::new("odd sensor", "127.0.0.1", broker.port());
    options
        .set_credentials(Broker::USER, Broker::PASSWORD)
        .set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut connection) = Client::new(options, 100);
    let handle =
        std::thread::spawn(move || while connection.iter().next().is_some_and(|event| event.is_ok()) {});
    (client, handle)
}

/// A pressure of the pilot at so many seconds after 2026-03-02T07:00:00Z, as SenML.
fn pressure(seconds: f64) -> String {
    let at = 1_772_434_800.0 + seconds;
    format!(r#"[{{"n":"pilot/pressure","u":"Pa","v":{seconds},"t":{at}}}]"#)
}

fn told(daemon: &Daemon, place: &str, what: &str) {
    wait_for(&format!("`{what}` of {place}"), PATIENCE, || {
        let log = daemon.log();
        log.lines()
            .any(|line| line.contains("WARN") && line.contains(place) && line.contains(what))
            .then_some(())
    });
}

fn stored(data: &std::path::Path, wanted: usize) {
    wait_for(&format!("{wanted} readings"), PATIENCE, || {
        (Disk::open(data).readings().len() == wanted).then_some(())
    });
}

#[test]
fn payloads_that_make_no_sense_are_told_and_the_rest_is_stored() {
    let mut broker = Broker::start();
    let kitchen = Kitchen::new("plain", 1.0);
    let data = kitchen.path("data");
    // A batch file that makes no sense does not keep the other batch from being watched.
    kitchen.write("batches/bad.toml", BAD_BATCH);
    let daemon = Daemon::start(&kitchen.mqtt_config(&broker, "watch"), &data, &kitchen.batches());
    let log = daemon.log();
    for told in TOLD_OF_BATCH {
        assert!(log.contains(told), "`{told}` is not told:\n{log}");
    }
    let watched = daemon.json("/api/v1/batches");
    assert_eq!(watched["batches"].as_array().unwrap().len(), 1);
    assert_eq!(watched["batches"][0]["slug"], "hibiscus-12");

    until_online(&broker);
    let (client, handle) = publisher(&broker);
    let send = |topic: String, payload: Vec<u8>| {
        client.publish(topic, QoS::AtLeastOnce, false, payload).unwrap();
    };
    let bad = bad_payloads();
    for (number, (payload, _)) in bad.iter().enumerate() {
        send(format!("{TOPIC}/odd-{number}"), payload.clone());
        // One that makes sense after each.
        let seconds = f64::from(u32::try_from(number).unwrap());
        send(format!("{TOPIC}/pilot"), pressure(seconds).into_bytes());
    }
    for (number, (_, what)) in bad.iter().enumerate() {
        told(&daemon, &format!("{TOPIC}/odd-{number}\""), what);
    }
    stored(&data, bad.len());

    // A pack keeps its good records.
    let pack = r#"[{"bn":"pilot/","bt":1772436000,"n":"pressure","u":"Pa","v":10},{"n":"pressure","u":"parsec","v":1},
        {"n":"liquid_temperature","u":"Cel","v":21}]"#;
    send(format!("{TOPIC}/pack"), pack.as_bytes().to_vec());
    told(
        &daemon,
        &format!("{TOPIC}/pack"),
        "record 2: unit `parsec` is not known",
    );
    stored(&data, bad.len() + 2);

    // Readings that make sense, though not here: of 2099, of 1999, of a stranger. They are kept, and not used.
    for odd in [
        r#"[{"n":"pilot/pressure","u":"Pa","v":3e5,"t":4070908800}]"#,
        r#"[{"n":"pilot/pressure","u":"Pa","v":3e5,"t":915148800}]"#,
        r#"[{"n":"balcony/pressure","u":"Pa","v":3e5,"t":1772436000}]"#,
        r#"[{"n":"pilot/pressure","u":"Pa","v":11,"t":1772436060}]"#,
    ] {
        send(format!("{TOPIC}/pilot"), odd.as_bytes().to_vec());
    }
    stored(&data, bad.len() + 6);
    let aside = wait_for("what is set aside", PATIENCE, || {
        let aside = daemon.json("/api/v1/batches")["batches"][0]["set_aside"].clone();
        (aside.as_object()?.len() == 3).then_some(aside)
    });
    for reason in ["from_the_future", "before_sealing", "other_source"] {
        assert_eq!(aside[reason], 1, "{aside}");
    }

    // The broker goes and comes back.
    broker.restart();
    until_online(&broker);
    client.disconnect().ok();
    handle.join().unwrap();
    let (client, handle) = publisher(&broker);
    client
        .publish(
            format!("{TOPIC}/pilot"),
            QoS::AtLeastOnce,
            false,
            pressure(1500.0),
        )
        .unwrap();
    stored(&data, bad.len() + 7);
    client.disconnect().unwrap();
    handle.join().unwrap();
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn lines_that_make_no_sense_are_told_and_the_rest_is_stored() {
    let kitchen = Kitchen::new("plain", 1.0);
    let (mut senml, mut columns) = (Terminal::open(), Terminal::open());
    let config = kitchen.write(
        "serial.toml",
        &format!(
            "[clock]\nsource = \"readings\"\n\n[[serial]]\nport = \"{}\"\nbaud = 115200\nformat = \"senml\"\n\n[[serial]]\nport = \"{}\"\nbaud = 9600\n\
             format = \"delimited\"\ndelimiter = \",\"\n\n[[serial.columns]]\ncolumn = 1\nsource = \"pilot\"\n\
             quantity = \"pressure\"\nunit = \"V\"\n\n[[serial.columns]]\ncolumn = 2\nsource = \"pilot\"\n\
             quantity = \"liquid_temperature\"\nunit = \"degC\"\n\n[[calibration]]\nsource = \"pilot\"\n\
             quantity = \"pressure\"\nraw = \"V\"\nunit = \"bar\"\npoints = [[0.5, 0.0], [4.5, 10.0]]\nsupply_v = 5.0\n\
             nominal_supply_v = 5.0\n",
            senml.path(),
            columns.path()
        ),
    );
    let data = kitchen.path("data");
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    // What is sent before a port is open is lost.
    for port in [senml.path(), columns.path()] {
        wait_for("the port", PATIENCE, || {
            let connected = |line: &str| line.contains("Connected") && line.contains(port);
            daemon.log().lines().any(connected).then_some(())
        });
    }

    let bad: Vec<_> = bad_payloads()
        .into_iter()
        .filter(|(payload, _)| !payload.is_empty() && payload.len() < 1000)
        .collect();
    for (number, (payload, what)) in bad.iter().enumerate() {
        senml.send(payload);
        senml.send(b"\r\n");
        senml.send(pressure(f64::from(u32::try_from(number).unwrap())).as_bytes());
        senml.send(b"\r\n");
        stored(&data, number + 1);
        if number == 0 {
            told(&daemon, senml.path(), what);
        }
    }
    // The log tells a port's first trouble of each kind.
    for what in [
        "unit `furlong`",
        "quantity `loudness`",
        "-9000000000 Pa is no gauge pressure",
        "does not measure pressure",
    ] {
        told(&daemon, senml.path(), what);
    }
    // A line without an end, longer than any reading, and one that is good behind it.
    senml.send(&[b'7'; 20_000]);
    senml.send(format!("\n{}\n", pressure(900.0)).as_bytes());
    told(&daemon, senml.path(), "is longer than 16384 bytes");
    stored(&data, bad.len() + 1);

    // The first line may have lost its head.
    columns.send(b"5,20.5\n");
    let mut wanted = bad.len() + 1;
    for (line, _) in BAD_LINES {
        columns.send(line.as_bytes());
        columns.send(b"\n");
    }
    // What is good in a line is kept: two temperatures, two voltages.
    for (_, what) in [&BAD_LINES[0], &BAD_LINES[2], &BAD_LINES[3]] {
        told(&daemon, columns.path(), what);
    }
    columns.send(b"2.485,20.69\n");
    wanted += 2;
    wait_for("the good line", PATIENCE, || {
        (Disk::open(&data).readings().len() >= wanted).then_some(())
    });
    assert!(daemon.get("/").unwrap().contains("hibiscus 12"));
    assert_eq!(daemon.stop(), Some(0));
    let rows = Disk::open(&data).csv();
    // 2.485 V of 5 V is 49.7 % of the supply: 4.9625 bar.
    let last = rows
        .lines()
        .rfind(|row| row.contains(",pilot,pressure,"))
        .unwrap();
    let pascal: f64 = last.split(',').nth(3).unwrap().parse().unwrap();
    assert!((pascal - 496_250.0).abs() < 1.0, "{rows}");
}
