//! One drink pulled on three days, through the real program: which day was right the simulator knows.

use fobwatch_simulator::{Deed, Scenario, Simulation, notes_jsonl, readings_csv, scenario::Happening};
use fobwatch_tests::run;
use jiff::SignedDuration;
use serde_json::Value;

use crate::kitchen::Kitchen;

/// A made-up batch whose move is right between the second and the third of these hours.
const SEED: u64 = 8;

fn folder(kitchen: &Kitchen, name: &str, pulled_h: f64, tasted: Option<&str>) -> f64 {
    let mut scenario = Scenario::drawn(SEED);
    scenario.name = name.to_owned();
    scenario.events = vec![Happening {
        at_h: pulled_h,
        kind: Deed::MovedToFridge,
        noted: true,
    }];
    let played = Simulation::run(&scenario, SEED);
    let at = |h: f64| scenario.bottled_at + SignedDuration::from_secs_f64(3_600.0 * h);
    let place = format!("batches/{}", name.replace(' ', "-"));
    std::fs::create_dir_all(kitchen.path(&place)).expect("a folder");
    let file = format!("experiment = \"which day\"\n{}", played.batch_toml);
    kitchen.write(&format!("{place}/batch.toml"), &file);
    let rows: Vec<_> = played
        .readings
        .iter()
        .filter(|row| row.arrival <= at(pulled_h + 96.0))
        .cloned()
        .collect();
    kitchen.write(&format!("{place}/readings.csv"), &readings_csv(&rows));
    let mut notes = notes_jsonl(&played.notes);
    if let Some(words) = tasted {
        let note = serde_json::json!({"time": at(pulled_h + 80.0), "kind": "tasted", "text": words});
        notes.push_str(&format!("{note}\n"));
    }
    kitchen.write(&format!("{place}/notes.jsonl"), &notes);
    played.content_after_move(at(pulled_h)).expect("within the play")
}

fn records(kitchen: &Kitchen) -> Vec<Value> {
    let batches = kitchen.path("batches").display().to_string();
    let finished = run(
        "fobwatch",
        &["experiment", "which day", "--history", &batches, "--json"],
    );
    assert_eq!(finished.status, Some(0), "{finished:#?}");
    finished
        .stdout
        .lines()
        .map(|line| serde_json::from_str(line).expect("a record"))
        .collect()
}

#[test]
fn the_right_day_is_found_by_content_and_by_taste() {
    let kitchen = Kitchen::new();
    let right = {
        let played = Simulation::run(&Scenario::drawn(SEED), SEED);
        let moved = played.move_at().expect("it reaches its target");
        moved.duration_since(played.scenario.bottled_at).as_secs_f64() / 3_600.0
    };
    let target = Scenario::drawn(SEED).target.co2_volumes;
    let days = [
        ("too early", right - 24.0),
        ("near it", right - 3.0),
        ("too late", right + 24.0),
    ];
    let truths = days.map(|(name, hours)| folder(&kitchen, name, hours, None));

    let told = records(&kitchen);
    let (experiment, siblings) = told.split_first().expect("an experiment");
    assert_eq!(experiment["siblings"], 3, "{experiment}");
    assert_eq!(
        (&experiment["by"], &experiment["differs"]),
        (&Value::from("content"), &Value::from("hours"))
    );
    assert_eq!(experiment["best"], "near it", "{told:#?}");
    let between = experiment["right_between"]
        .as_f64()
        .expect("it turns between them");
    // What the simulator's own physics says, within what a bottle differs from its pilot.
    assert!((between - right).abs() < 10.0, "{between} beside {right}");
    for ((sibling, truth), (name, hours)) in siblings.iter().zip(truths).zip(days) {
        assert_eq!(sibling["batch"], name);
        assert!(
            (sibling["hours"].as_f64().expect("hours") - hours).abs() < 0.1,
            "{sibling}"
        );
        let cold = sibling["co2_volumes_cold"]["p50"].as_f64().expect("volumes");
        assert!(
            (cold - truth).abs() < 0.35,
            "{name}: {cold} beside {truth}, the wish is {target}"
        );
    }

    // The palate goes before the figures.
    folder(
        &kitchen,
        "too early",
        right - 24.0,
        Some("just right, a fine pearl"),
    );
    folder(
        &kitchen,
        "too late",
        right + 24.0,
        Some("gushing, half of it on the table"),
    );
    let batches = kitchen.path("batches").display().to_string();
    let picture = kitchen.path("days.svg").display().to_string();
    let told = run(
        "fobwatch",
        &[
            "experiment",
            "--history",
            &batches,
            "--csv",
            "--picture",
            &picture,
        ],
    );
    let rows: Vec<&str> = told.stdout.lines().collect();
    assert_eq!(rows.len(), 4, "{told:#?}");
    assert!(
        rows[1].ends_with(",right,\"just right, a fine pearl\""),
        "{told:#?}"
    );
    assert!(rows[3].contains(",gushing,"), "{told:#?}");
    let drawn = std::fs::read_to_string(&picture).expect("a picture");
    assert!(
        drawn.starts_with("<svg") && drawn.contains("too late, gushing"),
        "{drawn}"
    );
    let none = run("fobwatch", &["experiment", "another", "--history", &batches]);
    assert_eq!(none.status, Some(1), "{none:#?}");
}
