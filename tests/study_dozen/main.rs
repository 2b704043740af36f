//! The study on a dozen batches that tuning may use (half of them in the main part): it counts what it should, goes on where it was stopped, gives the same on
//! any number of threads, and its figures are not absurd. The judging seeds are left to the study itself.

use std::{
    path::Path,
    process::{Command, Output},
};

use serde_json::Value;

/// Arguments are parted by spaces.
fn study(folder: &Path, arguments: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_study"))
        .arg("--out")
        .arg(folder)
        .args(arguments.split(' '))
        .output()
        .expect("the study runs")
}

fn table(folder: &Path, arguments: &str) -> Value {
    let output = study(folder, arguments);
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments}: {told}");
    let text = std::fs::read_to_string(folder.join("table.json")).expect("a table");
    serde_json::from_str(&text).expect("JSON")
}

fn number(table: &Value, path: &str) -> f64 {
    let value = table.pointer(path).and_then(Value::as_f64);
    value.unwrap_or_else(|| panic!("{path} is not a number in {table}"))
}

/// The journal's lines by part and seed.
fn journal(folder: &Path) -> Vec<(String, u64, Value)> {
    let text = std::fs::read_to_string(folder.join("played.jsonl")).expect("a journal");
    let lines = text.lines().map(|line| {
        let mut line: Value = serde_json::from_str(line).expect("JSON");
        let (part, seed) = (
            line["part"].as_str().expect("a part").to_owned(),
            line["seed"].as_u64(),
        );
        (part, seed.expect("a seed"), line["played"].take())
    });
    let mut lines: Vec<_> = lines.collect();
    lines.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
    lines
}

#[test]
fn forecasts_are_scored_and_not_absurd() {
    let folder = tempfile::tempdir().expect("a folder");
    let asked = "--first 1 --batches 6 --part forecast --threads 2";
    let of_six = table(folder.path(), asked);
    assert!((number(&of_six, "/forecast/target_6h_fit/count") - 6.0).abs() < 0.5);
    assert!(number(&of_six, "/forecast/target_6h_fit/median") < 4.0);
    assert!(number(&of_six, "/forecast/target_24h_fit/median") < 12.0);
    let held = number(&of_six, "/forecast/content_fit/holds/found");
    let asked_for = number(&of_six, "/forecast/content_fit/count");
    assert!(asked_for > 60.0, "every 6 h of six batches");
    assert!(
        held / asked_for > 0.7,
        "the 90 % interval held {held} of {asked_for}"
    );
    assert!(number(&of_six, "/forecast/move_fit/median") < 0.15);
    let total = number(&of_six, "/forecast/total/score");
    assert!(total > 0.1 && total < 2.0, "{total}");
    assert!(
        number(&of_six, "/forecast/target_24h_fit/crps")
            < number(&of_six, "/forecast/target_24h_Gompertz/crps")
    );
    for picture in ["calibration.svg", "error_by_lead.svg", "fans.svg", "worst.svg"] {
        let text = std::fs::read_to_string(folder.path().join(picture)).expect("a picture");
        assert!(
            text.contains("<polyline") && text.trim_end().ends_with("</svg>"),
            "{picture}"
        );
    }
    let played = journal(folder.path());

    // Once more: nothing is played again, and the table is the same.
    assert_eq!(table(folder.path(), asked), of_six);
    assert_eq!(journal(folder.path()), played);

    // One thread plays the same as two.
    let alone = tempfile::tempdir().expect("a folder");
    let _ = table(alone.path(), "--first 1 --batches 1 --part forecast --threads 1");
    assert_eq!(journal(alone.path()).first(), played.first());
}

#[test]
fn warnings_faults_and_floats_are_counted() {
    let folder = tempfile::tempdir().expect("a folder");
    let limit = table(folder.path(), "--first 1 --batches 1 --part limit");
    for way in ["sound", "stuck from half-way", "silent from half-way"] {
        assert!((number(&limit, &format!("/limit/{way}/stands_6h/of")) - 1.0).abs() < 0.5);
        assert!(
            (number(&limit, &format!("/limit/{way}/stands_6h/found")) - 1.0).abs() < 0.5,
            "{limit}"
        );
    }
    let faults = table(folder.path(), "--first 1 --batches 7 --part fault");
    for fault in ["leak", "stall", "stuck gauge", "creeping gauge"] {
        assert!((number(&faults, &format!("/faults/{fault}/found/of")) - 1.0).abs() < 0.5);
    }
    assert!((number(&faults, "/faults/stuck gauge/found/found") - 1.0).abs() < 0.5);
    let gravity = table(folder.path(), "--first 1 --batches 3 --part gravity");
    assert!(number(&gravity, "/gravity/move/median") < 1.5, "{gravity}");
}

#[test]
fn what_cannot_be_done_is_refused_with_its_place() {
    let folder = tempfile::tempdir().expect("a folder");
    let zero = study(folder.path(), "--batches 0");
    assert_eq!(zero.status.code(), Some(2));
    let path = folder.path().join("played.jsonl");
    let foreign = "{\"made_by\":\"0-other\",\"part\":\"forecast\",\"seed\":1,\"played\":null}\n";
    std::fs::write(&path, foreign).expect("a file");
    let other = study(folder.path(), "--part forecast");
    assert_eq!(other.status.code(), Some(1));
    let told = String::from_utf8_lossy(&other.stderr).into_owned();
    assert!(
        told.contains("played.jsonl, line 1") && told.contains("--any-build"),
        "{told}"
    );
}
