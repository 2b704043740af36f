//! `/metrics`: how batches, sensors, store and deliveries do, as OpenMetrics text (OpenMetrics 1.0.0, the text format).
//!
//! Base units, with the unit in the name; few labels of few values. Written by hand: a registry would be a second place for what the
//! house knows already.

use std::{collections::BTreeMap, fmt::Write, sync::Arc};

use axum::{extract::State, http::header::CONTENT_TYPE, response::IntoResponse};
use fobwatch_core::engine::View;
use jiff::Timestamp;

use super::answer::Complaint;
use crate::{store::Backlog, watch::House};

const TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

pub(super) async fn show(State(house): State<Arc<House>>) -> Result<impl IntoResponse, Complaint> {
    let (backlog, stored) = house
        .store
        .read(|reader| Ok((reader.backlog()?, reader.last_sequence()?)))
        .await?;
    let now = house.clock.now();
    let lives = house.all();
    let batches: Vec<(String, View, bool)> = lives
        .iter()
        .map(|live| {
            let standing = live.standing();
            (
                live.slug.to_string(),
                standing.monitor.view(),
                standing.failed.is_some(),
            )
        })
        .collect();
    let mut text = Text::default();
    text.family("fobwatch_build", "info", "", "The program.");
    text.sample(
        "fobwatch_build_info",
        &[("version", env!("CARGO_PKG_VERSION"))],
        1.0,
    );
    text.family(
        "fobwatch_events_stored",
        "counter",
        "",
        "Readings, notes, commands and ticks in the store.",
    );
    text.sample("fobwatch_events_stored_total", &[], number(stored.0));
    if let Some(bytes) = house.store.bytes() {
        text.family(
            "fobwatch_store_bytes",
            "gauge",
            "bytes",
            "Size of the store on the disk.",
        );
        text.sample("fobwatch_store_bytes", &[], number(bytes));
    }
    inputs(&mut text, &house);
    outbox(&mut text, &backlog);
    series(&mut text, &house);
    content(&mut text, &batches);
    health(&mut text, &batches, now);
    text.out.push_str("# EOF\n");
    Ok(([(CONTENT_TYPE, TYPE)], text.out))
}

fn inputs(text: &mut Text, house: &House) {
    text.family(
        "fobwatch_readings",
        "counter",
        "",
        "Readings that came in since the start, by what became of them.",
    );
    for (kind, stored) in house.counted.by_kind() {
        for (outcome, count) in [
            ("new", stored.new),
            ("duplicate", stored.duplicate),
            ("turned_away", stored.turned_away),
        ] {
            let labels = [("input", kind.name()), ("outcome", outcome)];
            text.sample("fobwatch_readings_total", &labels, number(count));
        }
    }
    let (mut refused, mut lost) = (BTreeMap::new(), BTreeMap::new());
    for (kind, state) in house.counted.meters() {
        for (reason, count) in state.refused {
            *refused.entry((kind.name(), reason)).or_insert(0) += count;
        }
        for (reason, count) in state.interruptions {
            *lost.entry((kind.name(), reason)).or_insert(0) += count;
        }
    }
    for (name, help, counts) in [
        ("fobwatch_rows_refused", "Rows that make no reading.", refused),
        (
            "fobwatch_interruptions",
            "Times that a broker or port was lost or did not come up.",
            lost,
        ),
    ] {
        text.family(name, "counter", "", help);
        for ((input, reason), count) in counts {
            let labels = [("input", input), ("reason", reason)];
            text.sample(&format!("{name}_total"), &labels, number(count));
        }
    }
    text.family(
        "fobwatch_stumbles",
        "counter",
        "",
        "Times that a task fell over a fault of fobwatch and was begun again.",
    );
    text.sample("fobwatch_stumbles_total", &[], number(house.stumbles.told().0));
    let (fits, took) = house.counted.fits();
    text.family(
        "fobwatch_fit_duration_seconds",
        "summary",
        "seconds",
        "How long the fits since the start took.",
    );
    text.sample("fobwatch_fit_duration_seconds_count", &[], number(fits));
    text.sample("fobwatch_fit_duration_seconds_sum", &[], took.as_secs_f64());
}

fn outbox(text: &mut Text, backlog: &[Backlog]) {
    text.family(
        "fobwatch_alerts_waiting",
        "gauge",
        "",
        "Alerts that a destination has not confirmed yet.",
    );
    for of in backlog {
        text.sample(
            "fobwatch_alerts_waiting",
            &[("destination", &of.destination)],
            number(of.waiting),
        );
    }
    text.family(
        "fobwatch_alerts_given_up",
        "counter",
        "",
        "Alerts that a destination never took.",
    );
    for of in backlog {
        let labels = [("destination", of.destination.as_str())];
        text.sample("fobwatch_alerts_given_up_total", &labels, number(of.given_up));
    }
}

fn series(text: &mut Text, house: &House) {
    let servers: Vec<_> = house.series.iter().map(|state| state.seen()).collect();
    text.family(
        "fobwatch_points_sent",
        "counter",
        "",
        "Points that a time-series server has taken since the start.",
    );
    for server in &servers {
        text.sample(
            "fobwatch_points_sent_total",
            &[("server", &server.url)],
            number(server.sent),
        );
    }
    text.family(
        "fobwatch_points_left_out",
        "counter",
        "",
        "Points that a time-series server will never take.",
    );
    for server in &servers {
        text.sample(
            "fobwatch_points_left_out_total",
            &[("server", &server.url)],
            number(server.left_out),
        );
    }
    text.family(
        "fobwatch_series_server_up",
        "gauge",
        "",
        "1 while a time-series server takes what it is told.",
    );
    for server in &servers {
        let up = if server.complaint.is_none() { 1.0 } else { 0.0 };
        text.sample("fobwatch_series_server_up", &[("server", &server.url)], up);
    }
}

fn content(text: &mut Text, batches: &[(String, View, bool)]) {
    let of = |quantile| move |slug: &String| [("batch", slug.clone()), ("quantile", String::from(quantile))];
    text.family(
        "fobwatch_co2_volumes",
        "gauge",
        "volumes",
        "CO2 in the drink, in the target's sense.",
    );
    for (slug, view, _) in batches {
        if let Some(forecast) = &view.forecast {
            let co2 = &forecast.co2;
            for (quantile, value) in [("0.05", co2.p05), ("0.5", co2.p50), ("0.95", co2.p95)] {
                text.labelled("fobwatch_co2_volumes", &of(quantile)(slug), value.volumes());
            }
        }
    }
    text.family(
        "fobwatch_target_volumes",
        "gauge",
        "volumes",
        "CO2 that is wanted.",
    );
    for (slug, view, _) in batches {
        text.sample(
            "fobwatch_target_volumes",
            &[("batch", slug)],
            view.target.volumes(),
        );
    }
    text.family(
        "fobwatch_fullest_bottle_pascals",
        "gauge",
        "pascals",
        "Gauge pressure of the fullest bottle now.",
    );
    for (slug, view, _) in batches {
        if let Some(fullest) = view.fullest() {
            for (quantile, value) in [("0.5", fullest.now.p50), ("0.95", fullest.now.p95)] {
                text.labelled(
                    "fobwatch_fullest_bottle_pascals",
                    &of(quantile)(slug),
                    1e5 * value.bar(),
                );
            }
        }
    }
    text.family(
        "fobwatch_limit_pascals",
        "gauge",
        "pascals",
        "Pressure limit of the bottles, the user's own figure.",
    );
    for (slug, view, _) in batches {
        text.sample(
            "fobwatch_limit_pascals",
            &[("batch", slug)],
            1e5 * view.limit.bar(),
        );
    }
    text.family(
        "fobwatch_move_timestamp_seconds",
        "gauge",
        "seconds",
        "When to move the bottles to the fridge, the middle guess; none while nobody may carry them.",
    );
    for (slug, view, _) in batches {
        if let Some(when) = view.move_at() {
            text.sample(
                "fobwatch_move_timestamp_seconds",
                &[("batch", slug)],
                seconds(when),
            );
        }
    }
    text.family(
        "fobwatch_vigour_ratio",
        "gauge",
        "ratio",
        "Vigour of the culture beside that of the reference culture.",
    );
    for (slug, view, _) in batches {
        if let Some(forecast) = &view.forecast {
            text.sample(
                "fobwatch_vigour_ratio",
                &[("batch", slug)],
                forecast.vigour.p50.ratio(),
            );
        }
    }
}

fn health(text: &mut Text, batches: &[(String, View, bool)], now: Timestamp) {
    text.family(
        "fobwatch_batch_set_aside",
        "gauge",
        "",
        "1 for a batch whose engine failed: nobody watches it.",
    );
    for (slug, _, failed) in batches {
        text.sample(
            "fobwatch_batch_set_aside",
            &[("batch", slug)],
            if *failed { 1.0 } else { 0.0 },
        );
    }
    text.family(
        "fobwatch_alert_standing",
        "gauge",
        "",
        "1 for an alert whose condition is there, acknowledged or not.",
    );
    for (slug, view, _) in batches {
        for alert in view.alerts.iter().filter(|alert| alert.present || alert.latched) {
            let source = alert.source.as_ref().map_or("", |source| source.as_str());
            let quantity = alert.quantity.map_or("", |quantity| quantity.name());
            let labels = [
                ("batch", slug.as_str()),
                ("alert", alert.alert.name()),
                ("source", source),
                ("quantity", quantity),
            ];
            text.sample("fobwatch_alert_standing", &labels, 1.0);
        }
    }
    text.family(
        "fobwatch_reading_age_seconds",
        "gauge",
        "seconds",
        "How long ago a sensor's newest reading was measured.",
    );
    for (slug, view, _) in batches {
        for sensor in &view.sensors {
            if let Some(at) = sensor.at {
                let labels = [
                    ("batch", slug.as_str()),
                    ("source", sensor.source.as_str()),
                    ("quantity", sensor.quantity.name()),
                ];
                text.sample(
                    "fobwatch_reading_age_seconds",
                    &labels,
                    now.duration_since(at).as_secs_f64(),
                );
            }
        }
    }
    text.family(
        "fobwatch_readings_unused",
        "counter",
        "",
        "Readings that a batch did not use, by reason.",
    );
    for (slug, view, _) in batches {
        for (reason, count) in &view.set_aside {
            let reason = serde_json::to_value(reason).ok();
            let reason = reason
                .as_ref()
                .and_then(|reason| reason.as_str())
                .unwrap_or("other");
            let labels = [("batch", slug.as_str()), ("reason", reason)];
            text.sample("fobwatch_readings_unused_total", &labels, number(*count));
        }
    }
}

fn seconds(at: Timestamp) -> f64 {
    at.duration_since(Timestamp::UNIX_EPOCH).as_secs_f64()
}

/// A count as a sample; beyond 2^53 it is rounded.
#[expect(clippy::cast_precision_loss, reason = "counts and sizes are smaller")]
fn number(count: impl TryInto<i64>) -> f64 {
    count.try_into().unwrap_or(i64::MAX) as f64
}

#[derive(Default)]
struct Text {
    out: String,
}

impl Text {
    fn family(&mut self, name: &str, kind: &str, unit: &str, help: &str) {
        // Writing into a string does not fail.
        writeln!(self.out, "# TYPE {name} {kind}").ok();
        if !unit.is_empty() {
            writeln!(self.out, "# UNIT {name} {unit}").ok();
        }
        writeln!(self.out, "# HELP {name} {help}").ok();
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        let labels: Vec<String> = labels
            .iter()
            .map(|(label, value)| format!("{label}=\"{}\"", escaped(value)))
            .collect();
        let labels = if labels.is_empty() {
            String::new()
        } else {
            format!("{{{}}}", labels.join(","))
        };
        writeln!(self.out, "{name}{labels} {value}").ok();
    }

    fn labelled(&mut self, name: &str, labels: &[(&str, String)], value: f64) {
        let labels: Vec<(&str, &str)> = labels
            .iter()
            .map(|(label, value)| (*label, value.as_str()))
            .collect();
        self.sample(name, &labels, value);
    }
}

fn escaped(value: &str) -> String {
    value
        .replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('\n', "\\n")
}
