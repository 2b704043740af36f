//! Advice to move the bottles, at a real broker, at addresses that are posted to, on page, calendar, API and terminal: it stands
//! everywhere, and once the fullest bottle may be at its limit it is withdrawn everywhere, also where it could not be told before.

use std::sync::{
    Arc,
    atomic::{AtomicBool, Ordering},
};

use fobwatch_simulator::{Emitted, readings_csv};
use fobwatch_tests::{Broker, Daemon, kept, run, wait_for};
use jiff::SignedDuration;
use serde_json::Value;

use crate::{
    delivered::address_while,
    kitchen::{Kitchen, PATIENCE},
};

const BATCH: &str = "lime and mint 4";
const SLUG: &str = "lime-and-mint-4";
/// The move comes due some 44 hours after sealing; ten later the fullest bottle may be at its limit.
const DUE_H: i64 = 50;
const DANGER_H: f64 = 58.0;

fn import(kitchen: &Kitchen, daemon: &Daemon, rows: &[Emitted]) {
    let file = kitchen
        .write("part.csv", &readings_csv(rows))
        .display()
        .to_string();
    let place = format!("127.0.0.1:{}", daemon.port());
    let imported = run("fobwatch", &["import", &file, "--address", &place]);
    assert_eq!(imported.status, Some(0), "{imported:#?}");
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// The bodies that tell of the move, in the order in which they were taken.
fn moves(posted: &std::sync::Mutex<Vec<String>>) -> Vec<Value> {
    let all = posted.lock().unwrap();
    let events = all.iter().map(|body| json(body));
    events
        .filter(|event| event["data"]["alert"] == "move_to_fridge")
        .collect()
}

#[test]
fn advice_to_move_is_withdrawn_everywhere_together() {
    let broker = Broker::start();
    let kitchen = Kitchen::new("lively_culture", DANGER_H);
    let (heard, deaf) = (Arc::new(AtomicBool::new(true)), Arc::new(AtomicBool::new(false)));
    let (hook, posted) = address_while(&heard);
    let (late_hook, late) = address_while(&deaf);
    let config = kitchen.mqtt_config(&broker, "watch");
    let config = format!(
        "{}discovery_prefix = \"hub\"\n\n[[webhook]]\nname = \"phone\"\nurl = \"http://127.0.0.1:{hook}/\"\n\n\
         [[webhook]]\nname = \"late\"\nurl = \"http://127.0.0.1:{late_hook}/\"\n",
        std::fs::read_to_string(&config).unwrap()
    );
    let config = kitchen.write("watch.toml", &config);
    let daemon = Daemon::start(&config, &kitchen.path("data"), &kitchen.batches());
    let at = |topic: &str| kept(&broker, "fobwatch/#").get(topic).cloned();
    let alert = |name: &str| Some(json(&at(&format!("fobwatch/{SLUG}/alert/{name}"))?));
    let shown = |daemon: &Daemon| daemon.json("/api/v1/batches")["batches"][0].clone();

    let due = kitchen.played.scenario.bottled_at + SignedDuration::from_hours(DUE_H);
    let rows = &kitchen.played.readings;
    let (before, after): (Vec<Emitted>, Vec<Emitted>) = rows.iter().cloned().partition(|row| row.at < due);
    import(&kitchen, &daemon, &before);
    wait_for("the move to be posted", PATIENCE, || {
        (moves(&posted).first()?["type"] == "fobwatch.alert.raised").then_some(())
    });
    wait_for("the move at the broker", PATIENCE, || {
        (alert("move_to_fridge")?["state"] == "raised").then_some(())
    });
    wait_for("the move for hubs", PATIENCE, || {
        let state = json(&at(&format!("fobwatch/{SLUG}/state"))?);
        (state["alert"] != "none" && state["move_at"].is_string()).then_some(())
    });
    let advised = shown(&daemon);
    assert!(
        advised["move_at"].is_string() && advised["withdrawn"].is_null(),
        "{advised}"
    );
    let calendar = daemon.get("/calendar.ics").unwrap();
    assert!(calendar.contains("STATUS:CONFIRMED"), "{calendar}");
    let line =
        |metrics: &str| metrics.contains(&format!("fobwatch_move_timestamp_seconds{{batch=\"{SLUG}\"}}"));
    assert!(line(&daemon.get("/metrics").unwrap()));

    import(&kitchen, &daemon, &after);
    wait_for("the danger at the broker", PATIENCE, || {
        (alert("over_limit")?["state"] == "raised").then_some(())
    });
    let message = wait_for("the advice to be withdrawn at the broker", PATIENCE, || {
        let state = alert("move_to_fridge")?;
        (state["state"] == "suppressed").then(|| state["message"].to_string())
    });
    assert!(
        message.contains("is withdrawn") && message.contains("Do not touch"),
        "{message}"
    );
    wait_for("the advice to be withdrawn for hubs", PATIENCE, || {
        let state = json(&at(&format!("fobwatch/{SLUG}/state"))?);
        (state["alert"] == "over_limit" && state["move_at"].is_null()).then_some(())
    });
    let withdrawn = wait_for("the withdrawal to be posted", PATIENCE, || {
        let moves = moves(&posted);
        (moves.last()?["type"] == "fobwatch.alert.suppressed").then_some(moves)
    });
    assert!(
        withdrawn.last().unwrap()["data"]["message"]
            .as_str()
            .unwrap()
            .contains("is withdrawn")
    );
    let danger = shown(&daemon);
    assert!(
        danger["move_at"].is_null() && danger["moments"] == Value::Array(Vec::new()),
        "{danger}"
    );
    assert!(
        danger["withdrawn"].as_str().unwrap().contains("is withdrawn"),
        "{danger}"
    );
    let calendar = daemon.get("/calendar.ics").unwrap();
    assert!(
        calendar.contains("STATUS:CANCELLED") && !calendar.contains("STATUS:CONFIRMED"),
        "{calendar}"
    );
    assert!(!line(&daemon.get("/metrics").unwrap()));
    let place = format!("127.0.0.1:{}", daemon.port());
    let status = run("fobwatch", &["status", "--address", &place]);
    let pages = [
        daemon.get("/").unwrap(),
        daemon.get(&format!("/batches/{SLUG}/see-to")).unwrap(),
    ];
    for told in pages.iter().chain([&status.stdout]) {
        assert!(told.contains("Danger"), "{told}");
        let told = told.to_lowercase().replace("\u{a0}", " ");
        for advice in [
            format!("move {BATCH} to the fridge"),
            "to the fridge now".to_owned(),
        ] {
            assert!(!told.contains(&advice), "{advice}: {told}");
        }
    }
    // That a channel fails is told without a daemon, too.
    assert_eq!(daemon.stop(), Some(0));
    let (file, data) = (config.display().to_string(), kitchen.text_path("data"));
    let status = run("fobwatch", &["status", "--config", &file, "--data", &data]);
    assert!(
        status
            .stdout
            .contains("The webhook \u{201c}late\u{201d} does not take alerts since"),
        "{status:#?}"
    );
    assert!(!status.stdout.contains("\u{201c}phone\u{201d}"), "{status:#?}");
    // Whoever could not be told of the move hears of the danger, and never of the move.
    deaf.store(true, Ordering::SeqCst);
    let daemon = Daemon::start(&config, &kitchen.path("data"), &kitchen.batches());
    let late = wait_for("the late channel to have all", PATIENCE, || {
        let metrics = daemon.get("/metrics").ok()?;
        let none = "fobwatch_alerts_waiting{destination=\"webhook:late\"} 0";
        metrics.contains(none).then(|| moves(&late))
    });
    let types: Vec<&str> = late.iter().filter_map(|event| event["type"].as_str()).collect();
    assert_eq!(types, ["fobwatch.alert.suppressed"], "{late:#?}");
    assert_eq!(daemon.stop(), Some(0));
}
