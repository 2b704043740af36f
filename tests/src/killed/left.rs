//! What is left in the end, to be the same with kills as without.

use std::collections::BTreeMap;

use serde_json::Value;

use super::{Run, load, load::Load, locked};
use crate::{Daemon, Disk, Key, SeriesServer, in_order, kept};

const FORECASTS: &str =
    "SELECT name || ' ' || body FROM forecast JOIN batch ON batch.id = batch ORDER BY name, at_us";
const ALERTS: &str = "SELECT batch.name || ' ' || alert.body FROM alert JOIN batch ON batch.id = alert.batch ORDER BY batch.name, alert.id";

/// What is left.
#[derive(Debug, PartialEq)]
pub struct Left {
    /// Readings of the batches in the order of the store.
    pub readings: Vec<Key>,
    /// Whether those are what was sent, each once and in order.
    pub whole: bool,
    /// Whether each row that was posted beside is there once.
    pub rows_once: bool,
    /// Whether the time-series server has each reading and each row once: source, quantity and count where it has not.
    pub not_on_server: Vec<(String, String, usize)>,
    /// The forecast of each batch at the last reading, asked over the API.
    pub asked: Vec<Value>,
    /// All forecasts that were stored.
    pub forecasts: Vec<String>,
    /// All transitions of alerts, word for word.
    pub alerts: Vec<String>,
    /// What the push service was told, by key; the same key has the same words however often it came.
    pub deliveries: BTreeMap<String, String>,
    /// The states that the broker keeps.
    pub kept: BTreeMap<String, String>,
}

pub(super) fn left(run: &Run<'_>, daemon: &Daemon, load: &Load) -> Left {
    run.until_done(daemon, load);
    let all = in_order(run.played);
    let last = all.iter().map(|reading| reading.at).max().unwrap_or_default();
    let told = daemon.json("/api/v1/batches");
    let slugs = told["batches"].as_array().into_iter().flatten();
    let asked = slugs
        .filter_map(|batch| batch["slug"].as_str())
        .map(|slug| daemon.json(&format!("/api/v1/batches/{slug}/forecast?at={last}")))
        .collect();
    let disk = Disk::open(&run.path("data"));
    let (beside, readings): (Vec<Key>, Vec<Key>) = disk
        .readings()
        .into_iter()
        .partition(|(source, ..)| source == load::BESIDE);
    let sent: Vec<Key> = all.iter().map(crate::key).collect();
    let mut sorted = readings.clone();
    sorted.sort();
    let mut wanted = sent.clone();
    wanted.sort();
    let mut times: Vec<i64> = beside.iter().map(|(.., at)| *at).collect();
    times.sort_unstable();
    times.dedup();
    let rows_once = times.len() == load.rows() && beside.len() == load.rows();

    let mut on_server = on_server(&run.server);
    let mut not_on_server = Vec::new();
    let mut expected: BTreeMap<(String, String), Vec<i64>> = BTreeMap::new();
    for (source, quantity, us) in sent.iter().chain(&beside) {
        let of = (source.clone(), quantity.clone());
        expected.entry(of).or_default().push(us.div_euclid(1_000));
    }
    for (of, mut wanted) in expected {
        wanted.sort_unstable();
        let there = on_server.remove(&of).unwrap_or_default();
        if there != wanted {
            not_on_server.push((of.0, of.1, there.len()));
        }
    }
    not_on_server.extend(on_server.into_iter().map(|(of, times)| (of.0, of.1, times.len())));

    let mut deliveries = BTreeMap::new();
    for (key, bodies) in locked(&run.phone.taken).iter() {
        // A reminder that falls into a gap is not made up for.
        if bodies.iter().any(|body| body.contains("fobwatch.alert.reminded")) {
            continue;
        }
        let first = bodies.first().cloned().unwrap_or_default();
        assert!(bodies.iter().all(|body| *body == first), "{key}: {bodies:#?}");
        deliveries.insert(key.clone(), first);
    }
    // A reminder says the same again in newer words.
    let state = |payload: String| {
        let payload: Value = serde_json::from_str(&payload).unwrap_or_default();
        payload["state"].as_str().unwrap_or_default().to_owned()
    };
    let kept = kept(&run.broker, "fobwatch/+/alert/#");
    Left {
        whole: sorted == wanted,
        readings,
        rows_once,
        not_on_server,
        asked,
        forecasts: disk.texts(FORECASTS),
        alerts: disk.texts(ALERTS),
        deliveries,
        kept: kept
            .into_iter()
            .map(|(topic, payload)| (topic, state(payload)))
            .collect(),
    }
}

/// Milliseconds of what the server has, by source and quantity, each as often as it is there.
pub(super) fn on_server(server: &SeriesServer) -> BTreeMap<(String, String), Vec<i64>> {
    let mut found: BTreeMap<(String, String), Vec<i64>> = BTreeMap::new();
    for (quantity, unit) in [
        ("pressure", "bar"),
        ("liquid_temperature", "celsius"),
        ("room_temperature", "celsius"),
    ] {
        for (labels, points) in server.points(&format!("fobwatch_reading_{quantity}_{unit}")) {
            let source = labels["source"].as_str().unwrap_or_default().to_owned();
            let of = found.entry((source, quantity.to_owned())).or_default();
            of.extend(points.iter().map(|(at, _)| *at));
        }
    }
    for times in found.values_mut() {
        times.sort_unstable();
    }
    found
}
