//! The open convention by which home-automation hubs find what a broker carries: for each thing to show one retained JSON object on
//! `<discovery prefix>/sensor/<node>/<object>/config`, taken back by an empty one.

use fobwatch_core::{alert::AlertName, batch::Batch};
use serde_json::{Map, Value, json};

use super::state::NONE;

/// A hub takes what it was told for unknown after so long without news, in seconds: three times as long as news may take.
const EXPIRES_AFTER_S: u64 = 900;

/// One thing to show.
struct Sensor {
    object: &'static str,
    name: &'static str,
    /// The key of the state that it shows.
    key: &'static str,
    device_class: Option<&'static str>,
    unit: Option<&'static str>,
    icon: Option<&'static str>,
}

const SENSORS: [Sensor; 6] = [
    Sensor {
        object: "content",
        name: "CO2 content",
        key: "co2_volumes",
        device_class: None,
        unit: Some("volumes"),
        icon: Some("mdi:chart-bubble"),
    },
    Sensor {
        object: "pressure",
        name: "Pressure",
        key: "pressure_bar",
        device_class: Some("pressure"),
        unit: Some("bar"),
        icon: None,
    },
    Sensor {
        object: "fullest_bottle",
        name: "Fullest bottle, at most",
        key: "fullest_bottle_p95_bar",
        device_class: Some("pressure"),
        unit: Some("bar"),
        icon: None,
    },
    Sensor {
        object: "temperature",
        name: "Temperature",
        key: "temperature_c",
        device_class: Some("temperature"),
        unit: Some("\u{b0}C"),
        icon: None,
    },
    Sensor {
        object: "move",
        name: "To the fridge",
        key: "move_at",
        device_class: Some("timestamp"),
        unit: None,
        icon: None,
    },
    Sensor {
        object: "alert",
        name: "Alert",
        key: "alert",
        device_class: Some("enum"),
        unit: None,
        icon: Some("mdi:alert"),
    },
];

/// Where and as what a broker's hub finds batches.
#[derive(Clone, Debug)]
pub(super) struct Discovery {
    /// What the hub listens under.
    pub(super) prefix: String,
    /// What we publish under.
    pub(super) publish_prefix: String,
}

impl Discovery {
    /// Where the state of a batch stands.
    pub(super) fn state_topic(&self, slug: &str) -> String {
        format!("{}/{slug}/state", self.publish_prefix)
    }

    /// The topics under which the batch is announced, each with what stands there.
    pub(super) fn configs(&self, batch: &Batch) -> Vec<(String, String)> {
        let slug = batch.name.slug();
        let node = self.node(slug.as_str());
        let all = SENSORS.iter();
        all.map(|sensor| {
            let config = self.config(sensor, batch, &node, slug.as_str());
            (self.topic(&node, sensor), Value::Object(config).to_string())
        })
        .collect()
    }

    /// The topics of a batch, all of them, to be emptied once it has ended.
    pub(super) fn topics(&self, slug: &str) -> Vec<String> {
        let node = self.node(slug);
        let configs = SENSORS.iter().map(|sensor| self.topic(&node, sensor));
        configs.chain([self.state_topic(slug)]).collect()
    }

    fn topic(&self, node: &str, sensor: &Sensor) -> String {
        format!("{}/sensor/{node}/{}/config", self.prefix, sensor.object)
    }

    /// Names a batch of this fobwatch among all: letters, digits, hyphens and underscores alone.
    fn node(&self, slug: &str) -> String {
        let mine: String = self
            .publish_prefix
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '-' })
            .collect();
        format!("{mine}_{slug}")
    }

    fn config(&self, sensor: &Sensor, batch: &Batch, node: &str, slug: &str) -> Map<String, Value> {
        let version = env!("CARGO_PKG_VERSION");
        let mut config = Map::new();
        let mut put = |key: &str, value: Value| {
            config.insert(key.to_owned(), value);
        };
        put("name", json!(sensor.name));
        put("unique_id", json!(format!("{node}_{}", sensor.object)));
        put("state_topic", json!(self.state_topic(slug)));
        put(
            "value_template",
            json!(format!("{{{{ value_json.{} }}}}", sensor.key)),
        );
        put(
            "availability_topic",
            json!(format!("{}/status", self.publish_prefix)),
        );
        put("payload_available", json!("online"));
        put("payload_not_available", json!("offline"));
        put("expire_after", json!(EXPIRES_AFTER_S));
        if let Some(class) = sensor.device_class {
            put("device_class", json!(class));
        }
        if let Some(unit) = sensor.unit {
            put("unit_of_measurement", json!(unit));
            put("state_class", json!("measurement"));
        }
        if let Some(icon) = sensor.icon {
            put("icon", json!(icon));
        }
        if sensor.object == "alert" {
            let names = AlertName::ALL.iter().map(|alert| alert.name());
            put("options", names.chain([NONE]).collect());
            // The sentence, and all else.
            put("json_attributes_topic", json!(self.state_topic(slug)));
        }
        put(
            "device",
            json!({
                "identifiers": [node],
                "name": batch.name,
                "manufacturer": "fobwatch",
                "model": "a batch of bottles",
                "sw_version": version,
            }),
        );
        put("origin", json!({ "name": "fobwatch", "sw_version": version }));
        config
    }
}
