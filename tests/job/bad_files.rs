//! Files that make no sense: each problem is told with its place, its value and what is allowed, and the rest goes on.

use std::fs;

use fobwatch_simulator::Emitted;
use fobwatch_tests::{Finished, run};
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::{
    kitchen::Kitchen,
    replayed::{moment, write},
};

/// Rows that are no readings, and what is told of each.
const BAD_ROWS: [(&str, &str); 17] = [
    (
        "2026-03-02T09:10:00Z,pilot,pressure,nan,bar",
        "value is `nan`; allowed: a finite number",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,inf,bar",
        "value is `inf`; allowed: a finite number",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,1e400,bar",
        "value is `1e400`; allowed: a finite number",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,,bar",
        "value is empty; allowed: a finite number",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,\"0,1\",bar",
        "value is `0,1`; allowed: a finite number",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,1,furlong",
        "unit `furlong` is not known; allowed: bar, mbar",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,20,degC",
        "unit degC does not measure pressure; allowed: bar, mbar",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,2.5,V",
        "unit V is of a raw sensor; allowed: with a [[calibration]]",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,loudness,1,bar",
        "quantity `loudness` is not known; allowed: pressure",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure,-9000,bar",
        "-9000 bar is no gauge pressure; allowed: -1.2 to 100 bar",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,liquid_temperature,900,degC",
        "900 degC is no temperature; allowed: -60 to 150",
    ),
    (
        "2026-03-02 09:10,pilot,pressure,0.1,bar",
        "time is `2026-03-02 09:10`; allowed: a time with its offset",
    ),
    (
        "2026-13-32T09:10:00Z,pilot,pressure,0.1,bar",
        "time is `2026-13-32T09:10:00Z`; allowed: a time",
    ),
    (
        "2026-03-02T09:10:00Z,,pressure,0.1,bar",
        "`` cannot name a source; allowed: 1 to 80 characters",
    ),
    (
        "2026-03-02T09:10:00Z,pilot,pressure",
        "has 3 fields; allowed: 5, as in the header",
    ),
    (
        "\"2026-03-02T09:10:00Z,pilot,pressure,0.1,bar",
        "a quote is not closed on its line",
    ),
    ("\u{0}\u{1}\u{2}", "has 1 fields; allowed: 5"),
];

fn replay(kitchen: &Kitchen, readings: &str) -> Finished {
    let (batch, readings) = (kitchen.text_path("batch.toml"), kitchen.text_path(readings));
    run(
        "fobwatch",
        &[
            "replay",
            "--batch",
            &batch,
            "--readings",
            &readings,
            "--every",
            "1h",
        ],
    )
}

/// A kitchen of four hours, whose clean rows stand in `readings.csv`; and those rows.
fn four_hours() -> (Kitchen, Vec<String>) {
    let kitchen = Kitchen::new("plain", 4.0);
    write(&kitchen.played, 4, &kitchen.path(""));
    let text = fs::read_to_string(kitchen.path("readings.csv")).unwrap();
    (kitchen, text.lines().map(ToOwned::to_owned).collect())
}

fn records(finished: &Finished, kind: &str) -> Vec<Value> {
    let records = finished
        .stdout
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap());
    records.filter(|record| record["record"] == kind).collect()
}

#[test]
fn rows_that_are_no_readings_are_told_by_line_and_change_nothing() {
    let (kitchen, clean) = four_hours();
    // Line 61 of the file, counted from 1, is the first bad one.
    let (before, after) = clean.split_at(60);
    let bad = BAD_ROWS.iter().map(|(row, _)| (*row).to_owned());
    let mut bytes = before
        .iter()
        .cloned()
        .chain(bad)
        .collect::<Vec<_>>()
        .join("\r\n")
        .into_bytes();
    bytes.extend(b"\r\n\xff\xfe not text\r\n\r\n");
    bytes.extend(after.join("\r\n").into_bytes());
    fs::write(kitchen.path("bad.csv"), bytes).unwrap();
    let (good, bad) = (replay(&kitchen, "readings.csv"), replay(&kitchen, "bad.csv"));
    assert_eq!((good.status, bad.status), (Some(0), Some(0)), "{}", bad.stderr);
    assert_eq!(records(&good, "forecast").len(), 3);
    assert_eq!(
        bad.stdout, good.stdout,
        "the readings around the bad rows count as before"
    );
    let place = kitchen.text_path("bad.csv");
    let told = BAD_ROWS
        .iter()
        .map(|(_, told)| *told)
        .chain(["is not UTF-8 text"]);
    for (line, told) in (61..).zip(told) {
        let wanted = format!("{place}: line {line}: {told}");
        assert!(
            bad.stderr.contains(&wanted),
            "`{wanted}` is not told:\n{}",
            bad.stderr
        );
    }
    assert!(
        good.stderr.lines().all(|line| !line.contains("line ")),
        "{}",
        good.stderr
    );
}

#[test]
fn a_row_from_2099_and_a_stranger_move_nothing() {
    let (kitchen, clean) = four_hours();
    let (before, after) = clean.split_at(60);
    let odd = [
        "2099-01-01T00:00:00Z,pilot,pressure,3.0,bar".to_owned(),
        "2026-03-02T08:50:00Z,balcony,pressure,3.0,bar".to_owned(),
        "2026-03-02T08:50:00Z,balcony,room_temperature,35.0,degC".to_owned(),
        "1999-01-01T00:00:00Z,pilot,pressure,3.0,bar".to_owned(),
    ];
    let all: Vec<_> = before.iter().chain(&odd).chain(after).cloned().collect();
    kitchen.write("odd.csv", &all.join("\n"));
    let (good, odd) = (replay(&kitchen, "readings.csv"), replay(&kitchen, "odd.csv"));
    assert_eq!(odd.status, Some(0), "{}", odd.stderr);
    assert_eq!(records(&odd, "forecast"), records(&good, "forecast"));
    let alerts = records(&odd, "alert");
    let suspect = &alerts[0];
    assert_eq!(suspect["alert"], "sensor_suspect");
    assert_eq!(suspect["source"], "pilot");
    assert_eq!(suspect["quantity"], "pressure");
    assert!(
        suspect["message"].as_str().unwrap().contains("24 hours ahead"),
        "{suspect}"
    );
    assert!(
        alerts
            .iter()
            .all(|alert| alert["at"].as_str().unwrap().starts_with("2026-03-02"))
    );
}

/// A gauge whose clock is wrong for two hours, then is set right.
fn stepped(kitchen: &Kitchen, by: SignedDuration, name: &str) -> Finished {
    let sealed = kitchen.played.scenario.bottled_at;
    let step = |r: &Emitted| -> Timestamp {
        let hours = r.at.duration_since(sealed).as_hours();
        let wrong = r.source == "pilot" && (50..52).contains(&hours);
        if wrong { r.at + by } else { r.at }
    };
    let rows: String = kitchen
        .played
        .readings
        .iter()
        .map(|r| {
            let at = step(r);
            let moved = Emitted { at, ..r.clone() };
            format!("{}\n", moved.csv_row())
        })
        .collect();
    kitchen.write(name, &format!("time,source,quantity,value,unit\n{rows}"));
    let (batch, readings) = (kitchen.text_path("batch.toml"), kitchen.text_path(name));
    run(
        "fobwatch",
        &["replay", "--batch", &batch, "--readings", &readings],
    )
}

#[test]
fn a_clock_that_steps_backwards_or_ahead_stops_nothing() {
    let kitchen = Kitchen::new("plain", 60.0);
    write(&kitchen.played, 60, &kitchen.path(""));
    for (hours, name) in [(-3, "back.csv"), (-40, "far_back.csv"), (5, "ahead.csv")] {
        let finished = stepped(&kitchen, SignedDuration::from_hours(hours), name);
        assert_eq!(finished.status, Some(0), "{name}: {}", finished.stderr);
        let forecasts = records(&finished, "forecast");
        assert_eq!(forecasts.len(), 10, "{name}: {}", finished.stdout);
        let last = forecasts.last().unwrap();
        let truth = kitchen
            .played
            .truth
            .at(moment(&last["at"]).unwrap())
            .unwrap()
            .co2_volumes;
        let told = last["co2_volumes"]["p50"].as_f64().unwrap();
        assert!(
            (told - truth).abs() < 0.6,
            "{name}: {truth:.2} volumes, and {last}"
        );
        for alert in records(&finished, "alert") {
            let harmless = ["sensor_suspect", "sensor_silent", "fridge_soon"];
            assert!(
                harmless.contains(&alert["alert"].as_str().unwrap()),
                "{name}: {alert}"
            );
        }
    }
}

pub(crate) const BAD_BATCH: &str = r#"name = ""
bottled_at = "yesterday"
colour = "red"
[drink]
sucrose_g_per_l = -5
[bottle]
material = "wood"
capacity_ml = 500
fill_ml = 600
[target]
co2_volumes = nan
fridge_c = 4.0
"#;

pub(crate) const TOLD_OF_BATCH: [&str; 8] = [
    "line 1: `name` is \"\"; allowed: 1 to 80 characters",
    "line 2: `bottled_at` is \"yesterday\"; allowed: a day and hour with the zone's offset, as",
    "line 3: `colour` is not known; allowed: did you mean `culture`?",
    "line 5: `drink.sucrose_g_per_l` is -5; allowed: 0 to",
    "line 6: `bottle.pressure_limit_bar` is missing; allowed: above 0",
    "line 7: `bottle.material` is \"wood\"; allowed: glass, plastic or steel",
    "line 9: `bottle.fill_ml` is 600; allowed: above 0 and below the capacity of 500",
    "line 11: `target.co2_volumes` is nan; allowed: above 0",
];

const BAD_CONFIG: &str = r#"[[mqtt]]
port = 99999
pasword_file = "x"
[clock]
source = "sundial"
[alerts]
notice_h = -3
[[serial]]
baud = 9600
format = "morse"
"#;

const TOLD_OF_CONFIG: [&str; 7] = [
    "line 1: `mqtt[0].host` is missing; allowed: a host name",
    "line 2: `mqtt[0].port` is 99999; allowed: a whole number from 1 to 65535",
    "line 3: `mqtt[0].pasword_file` is not known; allowed: did you mean `password_file`?",
    "line 5: `clock.source` is \"sundial\"; allowed: \"wall\" or \"readings\"",
    "line 7: `alerts.notice_h` is -3; allowed: 0.5 to 240 hours",
    "line 8: `serial[0].port` is missing; allowed: the name of a port",
    "line 10: `serial[0].format` is \"morse\"; allowed: \"senml\" or \"delimited\"",
];

fn tells(finished: &Finished, place: &str, all: &[&str]) {
    assert_eq!(finished.status, Some(2), "{}", finished.stderr);
    for told in all.iter().chain([&place]) {
        assert!(
            finished.stderr.contains(told),
            "`{told}` is not told:\n{}",
            finished.stderr
        );
    }
}

#[test]
fn a_batch_file_that_makes_no_sense_is_refused_with_all_its_problems() {
    let (kitchen, _) = four_hours();
    let (bad, good) = (
        kitchen.write("bad.toml", BAD_BATCH),
        kitchen.text_path("batch.toml"),
    );
    let (bad, readings) = (bad.display().to_string(), kitchen.text_path("readings.csv"));
    let checked = run("fobwatch", &["check", &bad, &good]);
    tells(&checked, &bad, &TOLD_OF_BATCH);
    assert!(
        checked.stdout.contains("the batch `hibiscus 12` is fine"),
        "{}",
        checked.stdout
    );
    tells(&run("fobwatch", &["plan", "--batch", &bad]), &bad, &TOLD_OF_BATCH);
    let replayed = run("fobwatch", &["replay", "--batch", &bad, "--readings", &readings]);
    tells(&replayed, &bad, &TOLD_OF_BATCH);
    assert_eq!(replayed.stdout, "");
}

#[test]
fn a_configuration_that_makes_no_sense_is_refused_with_all_its_problems() {
    let (kitchen, _) = four_hours();
    let bad = kitchen.write("bad.toml", BAD_CONFIG).display().to_string();
    tells(&run("fobwatch", &["check", &bad]), &bad, &TOLD_OF_CONFIG);
    let data = kitchen.text_path("data");
    tells(
        &run("fobwatch", &["watch", "--config", &bad, "--data", &data]),
        &bad,
        &TOLD_OF_CONFIG,
    );
}

#[test]
fn files_that_are_not_there_or_something_else_are_named() {
    let (kitchen, _) = four_hours();
    let (batch, nothing) = (kitchen.text_path("batch.toml"), kitchen.text_path("nothing"));
    let absent = run("fobwatch", &["replay", "--batch", &batch, "--readings", &nothing]);
    assert_eq!(absent.status, Some(1), "{}", absent.stderr);
    assert!(absent.stderr.contains(&nothing), "{}", absent.stderr);
    let no_rows = run("fobwatch", &["replay", "--batch", &batch, "--readings", &batch]);
    tells(&no_rows, &batch, &["line 1: the header lacks `time`"]);
    let readings = kitchen.text_path("readings.csv");
    let no_batch = run(
        "fobwatch",
        &["replay", "--batch", &readings, "--readings", &readings],
    );
    tells(&no_batch, &readings, &["line 1"]);
    let early = ["--at", "2026-03-02T06:59:59Z"];
    let arguments = [
        "replay",
        "--batch",
        &batch,
        "--readings",
        &readings,
        early[0],
        early[1],
    ];
    tells(
        &run("fobwatch", &arguments),
        "--at is Monday 2 March 2026, 06:59 UTC",
        &["from `bottled_at`"],
    );
}
