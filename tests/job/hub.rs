//! Batches as hubs of home automation find them at a real broker: what is announced holds, and is taken back.

use std::collections::{BTreeMap, BTreeSet};

use fobwatch_tests::{Broker, Daemon, kept, run, wait_for};
use serde_json::Value;

use crate::kitchen::{Kitchen, PATIENCE};

/// The key of the state that a template shows: ours are all of the one form.
fn shown_key(template: &str) -> &str {
    template
        .strip_prefix("{{ value_json.")
        .and_then(|rest| rest.strip_suffix(" }}"))
        .unwrap_or_else(|| panic!("{template}"))
}

fn configs(kept: &BTreeMap<String, String>) -> BTreeMap<String, Value> {
    kept.iter()
        .filter(|(topic, _)| topic.starts_with("hub/sensor/"))
        .map(|(topic, config)| (topic.clone(), serde_json::from_str(config).unwrap()))
        .collect()
}

fn text<'a>(value: &'a Value, key: &str) -> &'a str {
    value[key].as_str().unwrap_or_else(|| panic!("{key}: {value}"))
}

#[test]
fn a_batch_is_announced_with_what_its_state_carries_and_taken_back_when_it_ends() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("plain", 40.0);
    let config = kitchen.mqtt_config(&broker, "watch");
    let more = format!(
        "{}discovery_prefix = \"hub\"\n",
        std::fs::read_to_string(&config).unwrap()
    );
    let config = kitchen.write("watch.toml", &more);
    let data = kitchen.path("data");
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    let place = format!("127.0.0.1:{}", daemon.port());
    let rows = kitchen.text_path("readings.csv");
    let imported = run("fobwatch", &["import", &rows, "--address", &place]);
    assert_eq!(imported.status, Some(0), "{imported:#?}");
    let last = kitchen
        .played
        .readings
        .iter()
        .filter(|row| row.quantity.name() == "pressure")
        .max_by_key(|row| row.at)
        .unwrap();
    let topic = "fobwatch/hibiscus-12/state";
    let (all, state) = wait_for("the state after all readings", PATIENCE, || {
        let all = kept(&broker, "#");
        let state: Value = serde_json::from_str(all.get(topic)?).ok()?;
        let at: jiff::Timestamp = text(&state, "at").parse().ok()?;
        (at >= last.at && configs(&all).len() == 6).then_some((all, state))
    });
    let forecast = daemon.json("/api/v1/batches/hibiscus-12/forecast");
    let configs = configs(&all);
    let mut ids = BTreeSet::new();
    let mut devices = BTreeSet::new();
    for (topic, config) in &configs {
        let parts: Vec<&str> = topic.split('/').collect();
        let plain = |part: &&str| {
            part.chars()
                .all(|c| c.is_ascii_alphanumeric() || "_-".contains(c))
        };
        assert!(parts.len() == 5 && parts.iter().all(plain), "{topic}");
        assert!(ids.insert(text(config, "unique_id").to_owned()), "{config}");
        devices.insert(config["device"].to_string());
        assert_eq!(config["device"]["name"], "hibiscus 12");
        assert!(
            config["device"]["identifiers"][0]
                .as_str()
                .is_some_and(|id| !id.is_empty())
        );
        assert!(!text(config, "name").is_empty());
        // What it names is there, and means online.
        let online = &all[text(config, "availability_topic")];
        assert_eq!(online, text(config, "payload_available"));
        let shown: Value = serde_json::from_str(&all[text(config, "state_topic")]).unwrap();
        let value = shown
            .get(shown_key(text(config, "value_template")))
            .unwrap_or_else(|| panic!("{config} shows nothing of {shown}"));
        match config["device_class"].as_str() {
            Some("timestamp") => {
                let at = value.as_str().unwrap();
                assert!(at.parse::<jiff::Timestamp>().is_ok(), "{at}");
            }
            Some("enum") => {
                let options = config["options"].as_array().unwrap();
                assert!(options.contains(value), "{value} of {options:?}");
                let attributes = &all[text(config, "json_attributes_topic")];
                assert!(attributes.contains("\"message\""));
            }
            class => {
                assert!(value.as_f64().is_some(), "{config}: {value}");
                let unit = match class {
                    Some("pressure") => "bar",
                    Some("temperature") => "\u{b0}C",
                    None => "volumes",
                    other => panic!("{other:?}"),
                };
                assert_eq!(text(config, "unit_of_measurement"), unit);
                assert_eq!(text(config, "state_class"), "measurement");
            }
        }
    }
    assert_eq!(devices.len(), 1, "all belong to one device: {devices:?}");
    // The figures are those of the newest forecast, up to half an hour before, and of the last reading.
    let content = forecast["co2_volumes"]["p50"].as_f64().unwrap();
    assert!(
        (state["co2_volumes"].as_f64().unwrap() - content).abs() < 0.1,
        "{state} {forecast}"
    );
    assert!(
        (state["pressure_bar"].as_f64().unwrap() - last.value).abs() < 1e-3,
        "{state} {last:?}"
    );

    // Nobody announces it any more: what the broker keeps is taken back at the next start, and told again at the one after.
    assert_eq!(daemon.stop(), Some(0));
    assert_eq!(kept(&broker, "fobwatch/status")["fobwatch/status"], "offline");
    let quiet = kitchen.write("quiet.toml", &more.replace("discovery_prefix = \"hub\"\n", ""));
    let daemon = Daemon::start(&quiet, &data, &kitchen.batches());
    wait_for("all announcements to be taken back", PATIENCE, || {
        let all = kept(&broker, "#");
        (self::configs(&all).is_empty() && !all.contains_key(topic)).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    wait_for("the batch to be announced again", PATIENCE, || {
        let all = kept(&broker, "#");
        (self::configs(&all).len() == 6 && all.contains_key(topic)).then_some(())
    });

    // It ends while nobody tells the broker: that is made good at the next start.
    assert_eq!(daemon.stop(), Some(0));
    let at = data.display().to_string();
    let ended = run("fobwatch", &["batch", "end", "hibiscus 12", "--data", &at]);
    assert_eq!(ended.status, Some(0), "{ended:#?}");
    std::fs::remove_file(kitchen.batches().join("batch.toml")).unwrap();
    let daemon = Daemon::start(&config, &data, &kitchen.batches());
    wait_for("the batch to be taken back", PATIENCE, || {
        let all = kept(&broker, "#");
        (self::configs(&all).is_empty() && !all.contains_key(topic)).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
}
