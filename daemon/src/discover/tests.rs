//! What is offered for a message has to be accepted by the configuration, and read that message.

use fobwatch_core::reading::Quantity;

use super::{guess, heard::Heard, *};
use crate::{basic_string::quoted, config::Config};

/// The reading of `payload` under the block that is offered for it: source, quantity, stored value.
fn accepted(topic: &str, payload: &str) -> Vec<(String, Quantity, f64)> {
    let offer = guess::offer(topic, payload.as_bytes()).unwrap_or_else(|| panic!("nothing for {payload}"));
    let now = "2026-03-02T07:00:00Z".parse().unwrap();
    let text = match (&offer, topic) {
        (Offer::Table(table), "") => format!("[[serial]]\nport = \"x\"\n{table}"),
        (Offer::Table(table), _) => format!("[[mqtt]]\nhost = \"h\"\n{table}"),
        (Offer::Senml(topic), _) => format!("[[mqtt]]\nhost = \"h\"\nsenml = [{}]\n", quoted(topic)),
    };
    let config = Config::from_toml(&text, "offered").unwrap_or_else(|bad| panic!("{bad}\n{text}"));
    let decoded = match (config.mqtt.first(), config.serial.first()) {
        (Some(broker), _) => broker
            .decode(topic, payload.as_bytes(), now, &config.calibrations)
            .unwrap(),
        (None, Some(port)) => port.decode(payload.as_bytes(), now, &config.calibrations),
        (None, None) => panic!("{text}"),
    };
    assert!(decoded.refused.is_empty(), "{:?}\n{text}", decoded.refused);
    let readings = decoded.readings.into_iter();
    readings
        .map(|reading| {
            let measured = reading.measured;
            (
                reading.source.as_str().to_owned(),
                measured.quantity(),
                measured.stored_value(),
            )
        })
        .collect()
}

#[test]
fn what_is_offered_is_a_configuration_that_reads_the_message() {
    use Quantity::{AmbientPressure, Gravity, LiquidTemperature, Pressure, RoomTemperature};
    for (topic, payload, expected) in [
        (
            "kitchen/temperature",
            "20",
            vec![("kitchen", RoomTemperature, 293.15)],
        ),
        (
            "cellar/pilot/temp",
            "68",
            vec![("pilot", LiquidTemperature, 293.15)],
        ),
        (
            "brew \"x\"/pressure/value",
            "1.5",
            vec![("brew \"x\"", Pressure, 150_000.0)],
        ),
        ("shed/float/gravity", "1.048", vec![("float", Gravity, 1.048)]),
        (
            "house/kitchen/state",
            r#"{"time":1772434800,"air":{"temperature":20,"humidity":55,"pressure":1000},"battery":3.1}"#,
            vec![
                ("kitchen", RoomTemperature, 293.15),
                ("kitchen", AmbientPressure, 100_000.0),
            ],
        ),
        (
            "sensors/shelf",
            r#"[{"n":"pilot/pressure","u":"bar","v":1.5}]"#,
            vec![("pilot", Pressure, 150_000.0)],
        ),
        (
            "",
            "1.5,20",
            vec![
                ("pilot", Pressure, 150_000.0),
                ("pilot", LiquidTemperature, 293.15),
            ],
        ),
        (
            "",
            "2026-03-02T07:00:00Z;1.5;1000",
            vec![
                ("pilot", Pressure, 150_000.0),
                ("pilot", AmbientPressure, 100_000.0),
            ],
        ),
        (
            "",
            "1.5\t20.0",
            vec![
                ("pilot", Pressure, 150_000.0),
                ("pilot", LiquidTemperature, 293.15),
            ],
        ),
        (
            "",
            r#"[{"n":"pilot/pressure","u":"bar","v":1.5}]"#,
            vec![("pilot", Pressure, 150_000.0)],
        ),
    ] {
        let mut got = accepted(topic, payload);
        got.sort_by_key(|(_, quantity, _)| *quantity);
        let mut expected = expected;
        expected.sort_by_key(|(_, quantity, _)| *quantity);
        assert_eq!(got.len(), expected.len(), "{topic} {payload}: {got:?}");
        for (got, expected) in got.iter().zip(&expected) {
            assert_eq!(
                (got.0.as_str(), got.1),
                (expected.0, expected.1),
                "{topic} {payload}"
            );
            assert!((got.2 - expected.2).abs() < 1e-6, "{topic} {payload}: {got:?}");
        }
    }
}

#[test]
fn nothing_is_offered_for_what_is_none_of_ours() {
    for (topic, payload) in [
        ("kitchen/humidity", "55"),
        ("kitchen/temperature", "unavailable"),
        ("kitchen/light", "{\"on\":true,\"brightness\":200}"),
        ("", "hello"),
        ("", "\u{fffd}\u{fffd}"),
        // Decimal commas: no column of it would be read.
        ("", "1,23;20,7"),
        // Nothing is that warm, in whatever unit.
        ("kitchen/temperature", "2020.7"),
        ("kitchen/state", "{\"temperature\":1e300}"),
        // A brace begins a name in a pattern.
        ("kitchen/{temperature", "20"),
    ] {
        assert_eq!(guess::offer(topic, payload.as_bytes()), None, "{topic} {payload}");
    }
}

#[test]
fn more_topics_than_anyone_can_read_are_counted_and_not_kept() {
    let mut heard = Heard::default();
    for number in 0..700 {
        heard.take(&("b".to_owned(), format!("x/{number}")), b"\x1b[2J", None, 0);
    }
    assert_eq!((heard.unread.len(), heard.beyond), (500, 200));
    assert!(
        heard
            .unread
            .values()
            .all(|unread| !unread.sample.contains('\u{1b}'))
    );
}
