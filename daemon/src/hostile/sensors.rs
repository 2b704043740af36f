//! What sensors send: over brokers and serial lines.

use jiff::SignedDuration;

use super::{CONFIG, arrival, decoded};
use crate::{
    config::Config,
    decode::{delimited as lines, senml as packs},
    discover::{Offer, guess},
};

/// A pack of SenML. A reading that can be written as one reads back the same, whenever that arrives.
pub fn senml(bytes: &[u8]) {
    let read = packs::read(bytes, arrival(), &CONFIG.calibrations);
    decoded(&read, bytes);
    for reading in &read.readings {
        if let Ok(pack) = packs::write(reading) {
            let later = arrival() + SignedDuration::from_hours(30);
            let again = packs::read(pack.as_bytes(), later, &CONFIG.calibrations);
            assert_eq!(again.readings, std::slice::from_ref(reading), "{pack}");
        }
    }
}

/// A message: its topic, a line end, its payload. Read twice it gives the same.
pub fn topic(bytes: &[u8]) {
    let (topic, payload) = split(bytes);
    let Ok(topic) = std::str::from_utf8(topic) else {
        return; // no broker hands it on: MQTT 5.0, 1.5.4
    };
    for broker in &CONFIG.mqtt {
        let read = || broker.decode(topic, payload, arrival(), &CONFIG.calibrations);
        let once = read();
        assert_eq!(once, read());
        if let Some(once) = once {
            decoded(&once, bytes);
        }
    }
}

/// A line of a port, of which the first byte tells which.
pub fn delimited(bytes: &[u8]) {
    let Some((port, line)) = bytes.split_first() else {
        return;
    };
    let ports = &CONFIG.serial;
    let Some(port) = ports.get(usize::from(*port) % ports.len().max(1)) else {
        return;
    };
    let read = port.decode(line, arrival(), &CONFIG.calibrations);
    decoded(&read, bytes);
    if let crate::config::LineFormat::Delimited(mapping) = &port.format {
        assert_eq!(read, lines::read(line, mapping, arrival(), &CONFIG.calibrations));
    }
}

/// A message that nobody maps yet: a block that is offered for it is a configuration, and looks at that very message.
pub fn offer(bytes: &[u8]) {
    let (topic, payload) = split(bytes);
    let Ok(topic) = std::str::from_utf8(topic) else {
        return;
    };
    let plain = |c: char| !c.is_control() && !"+#".contains(c);
    if topic.len() > 500 || !topic.chars().all(plain) || topic.starts_with('$') {
        return; // no topic that is subscribed to
    }
    let Some(offer) = guess::offer(topic, payload) else {
        return;
    };
    let text = match (&offer, topic) {
        (Offer::Table(table), "") => format!("[[serial]]\nport = \"x\"\n{table}"),
        (Offer::Table(table), _) => format!("[[mqtt]]\nhost = \"h\"\n{table}"),
        (Offer::Senml(topic), _) => {
            let topic = serde_json::Value::from(topic.as_str());
            format!("[[mqtt]]\nhost = \"h\"\nsenml = [{topic}]\n")
        }
    };
    let config = Config::from_toml(&text, "offered").unwrap_or_else(|bad| panic!("{bad}\n{text}"));
    let read = match (config.mqtt.first(), config.serial.first()) {
        (Some(broker), _) => broker.decode(topic, payload, arrival(), &config.calibrations),
        (None, Some(port)) => Some(port.decode(payload, arrival(), &config.calibrations)),
        (None, None) => None,
    };
    let read = read.unwrap_or_else(|| panic!("nothing matches {topic}\n{text}"));
    decoded(&read, bytes);
}

fn split(bytes: &[u8]) -> (&[u8], &[u8]) {
    let end = bytes.iter().position(|byte| *byte == b'\n');
    end.map_or((bytes, &[]), |end| (&bytes[..end], &bytes[end + 1..]))
}
