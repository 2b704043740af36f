//! Every mapping once, over a real broker and two real pseudo-terminals, down to what is in the store.

use fobwatch_tests::{Broker, Daemon, Terminal, wait_for};
use rumqttc::{Client, MqttOptions, QoS};

use crate::kitchen::{Disk, Kitchen, PATIENCE, until_online};

const MAPPINGS: &str = r#"
[[mqtt.number]]
topic = "bare/room"
source = "bare"
quantity = "room_temperature"
unit = "degF"
[[mqtt.number]]
topic = "house/{source}/{quantity}"
[[mqtt.number]]
topic = "raw/span"
source = "span"
quantity = "pressure"
unit = "V"
[[mqtt.number]]
topic = "raw/points"
source = "points"
quantity = "pressure"
unit = "mV"
[[mqtt.number]]
topic = "raw/counts"
source = "counts"
quantity = "pressure"
unit = "count"
[[mqtt.json]]
topic = "cellar/weather"
time = "/measured"
time_form = "unix_s"
[[mqtt.json.values]]
pointer = "/air/0/pressure"
source = "cellar"
quantity = "ambient_pressure"
unit = "hPa"
"#;

const CALIBRATIONS: &str = r#"
[[calibration]]
source = "span"
quantity = "pressure"
raw = "V"
unit = "bar"
points = [[0.5, 0.0], [4.5, 10.0]]
supply_v = 4.0
nominal_supply_v = 5.0
[[calibration]]
source = "points"
quantity = "pressure"
raw = "mV"
unit = "psi"
points = [[500, 0], [4500, 100]]
[[calibration]]
source = "counts"
quantity = "pressure"
raw = "count"
unit = "bar"
points = [[410, 0], [3686, 10]]
full_count = 4096
[[calibration]]
source = "table"
quantity = "pressure"
raw = "V"
unit = "bar"
points = [[0.5, 0.0], [1.0, 1.0], [2.0, 5.0]]
[[calibration]]
source = "float"
quantity = "gravity"
raw = "deg"
unit = "SG"
points = [[25, 1.0], [50, 1.04], [60, 1.06]]
"#;

fn publish(broker: &Broker, messages: &[(&str, &str, bool)]) {
    let mut options = MqttOptions::new("some sensors", "127.0.0.1", broker.port());
    options.set_credentials(Broker::USER, Broker::PASSWORD);
    let (client, mut connection) = Client::new(options, 100);
    for (topic, payload, retain) in messages {
        client
            .publish(*topic, QoS::AtLeastOnce, *retain, *payload)
            .unwrap();
    }
    client.disconnect().unwrap();
    // All is on its way once the connection ends.
    while connection.recv().is_ok_and(|event| event.is_ok()) {}
}

#[test]
fn every_mapping_ends_in_the_store_with_the_value_that_was_meant() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 1.0);
    let (mut lines, mut packs) = (Terminal::open(), Terminal::open());
    let head = std::fs::read_to_string(kitchen.mqtt_config(&broker, "watch")).unwrap();
    let head = head.replace("[clock]\nsource = \"readings\"\n", "");
    let serial = format!(
        "[[serial]]\nport = \"{}\"\nbaud = 9600\nformat = \"delimited\"\ndelimiter = \";\"\n\
         [[serial.columns]]\ncolumn = 1\nsource = \"table\"\nquantity = \"pressure\"\nunit = \"V\"\n\
         [[serial.columns]]\ncolumn = 2\nsource = \"float\"\nquantity = \"gravity\"\nunit = \"deg\"\n\
         [[serial.columns]]\ncolumn = 3\nsource = \"text\"\nquantity = \"liquid_temperature\"\nunit = \"degC\"\n\
         [[serial]]\nport = \"{}\"\nbaud = 115200\nformat = \"senml\"\n",
        lines.path(),
        packs.path()
    );
    let config = kitchen.write("all.toml", &format!("{head}{MAPPINGS}{serial}{CALIBRATIONS}"));
    let data = kitchen.path("data");

    // What a broker retained before anybody came tells no time: it is not used.
    publish(&broker, &[("bare/room", "-40", true)]);
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    until_online(&broker);
    for port in [lines.path(), packs.path()] {
        wait_for("the port", PATIENCE, || {
            let connected = |line: &str| line.contains("Connected") && line.contains(port);
            daemon.log().lines().any(connected).then_some(())
        });
    }
    publish(
        &broker,
        &[
            ("bare/room", "68", false),
            ("house/pear/pressure", "1.5", false),
            ("house/plum/liquid_temperature", "21.5", false),
            ("raw/span", "2.0", false),
            ("raw/points", "2500", false),
            ("raw/counts", "2048", false),
            ("raw/counts", "3", false),
            (
                "cellar/weather",
                r#"{"measured":1772434800,"air":[{"pressure":1013.25}]}"#,
                false,
            ),
            (
                "sensors/x",
                r#"[{"n":"wire/pressure","u":"Pa","v":120000,"t":1772434800}]"#,
                false,
            ),
        ],
    );
    // Of delimited text the first line may have lost its head.
    lines.send(b"0.5;25;99\n1.5;50;20.69\n");
    packs.send(b"[{\"n\":\"board/liquid_temperature\",\"u\":\"Cel\",\"v\":19.5}]\n");

    // Pascal, kelvin and specific gravity. 2 V of 4 V is half of the supply: half of the span. 50 psi is 344 738 Pa and 68 degF is
    // 20 degC (NIST SP 811, B.8); a table is straight between its points.
    let wanted = [
        ("bare", "room_temperature", 293.15),
        ("board", "liquid_temperature", 292.65),
        ("cellar", "ambient_pressure", 101_325.0),
        ("counts", "pressure", 500_000.0),
        ("float", "gravity", 1.04),
        ("pear", "pressure", 150_000.0),
        ("plum", "liquid_temperature", 294.65),
        ("points", "pressure", 344_737.864),
        ("span", "pressure", 500_000.0),
        ("table", "pressure", 300_000.0),
        ("text", "liquid_temperature", 293.84),
        ("wire", "pressure", 120_000.0),
    ];
    wait_for("every reading", PATIENCE, || {
        (Disk::open(&data).readings().len() >= wanted.len()).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
    let text = Disk::open(&data).csv();
    let mut stored: Vec<Vec<&str>> = text.lines().skip(1).map(|row| row.split(',').collect()).collect();
    stored.sort_by_key(|row| row[1]);
    assert_eq!(stored.len(), wanted.len(), "{text}");
    for (row, (source, quantity, value)) in stored.iter().zip(wanted) {
        assert_eq!((row[1], row[2]), (source, quantity), "{text}");
        let off = row[3].parse::<f64>().unwrap() / value - 1.0;
        assert!(off.abs() < 1e-8, "{source}: {} instead of {value}", row[3]);
    }
    let cellar = stored.iter().find(|row| row[1] == "cellar").unwrap();
    assert_eq!(cellar[0], "2026-03-02T07:00:00Z");
}
