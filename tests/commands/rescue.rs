//! A batch that was chilled too early, and goes back to the room: what is told beside what the simulator then does.

use fobwatch_simulator::{
    Deed, Played, Scenario, Simulation, notes_jsonl, readings_csv, scenario::Happening,
};
use fobwatch_tests::run;
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::kitchen::Kitchen;

/// Chilled after so many hours, and taken out again two days later.
const CHILLED_H: f64 = 36.0;
const OUT_H: f64 = 84.0;

fn deed(at_h: f64, kind: Deed) -> Happening {
    Happening {
        at_h,
        kind,
        noted: true,
    }
}

/// A made-up batch, and its folder as it stood when somebody asked, at `asked_h`.
fn asked(kitchen: &Kitchen, seed: u64, events: Vec<Happening>, asked_h: f64) -> (Played, String) {
    let mut scenario = Scenario::drawn(seed);
    scenario.name = "hibiscus 12".to_owned();
    scenario.events = events;
    let played = Simulation::run(&scenario, seed);
    let at = scenario.bottled_at + SignedDuration::from_secs_f64(3_600.0 * asked_h);
    let folder = format!("batch-{seed}-{asked_h}");
    std::fs::create_dir_all(kitchen.path(&folder)).expect("a folder");
    kitchen.write(&format!("{folder}/batch.toml"), &played.batch_toml);
    let rows: Vec<_> = played
        .readings
        .iter()
        .filter(|row| row.arrival <= at)
        .cloned()
        .collect();
    kitchen.write(&format!("{folder}/readings.csv"), &readings_csv(&rows));
    let notes: Vec<_> = played
        .notes
        .iter()
        .filter(|note| note.time < at)
        .cloned()
        .collect();
    kitchen.write(&format!("{folder}/notes.jsonl"), &notes_jsonl(&notes));
    let folder = kitchen.path(&folder).display().to_string();
    (played, folder)
}

fn told(folder: &str) -> Value {
    let finished = run("fobwatch", &["rescue", "--folder", folder, "--json"]);
    assert_eq!(finished.status, Some(0), "{finished:#?}");
    serde_json::from_str(&finished.stdout).expect("a record")
}

fn said(told: &Value) -> String {
    told["advice"]
        .as_array()
        .expect("sentences")
        .iter()
        .filter_map(Value::as_str)
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn a_batch_chilled_too_early_is_told_how_long_it_needs_in_the_room() {
    let kitchen = Kitchen::new();
    for seed in [2, 17] {
        let events = vec![deed(CHILLED_H, Deed::MovedToFridge), deed(OUT_H, Deed::TakenOut)];
        let (played, folder) = asked(&kitchen, seed, events, OUT_H - 0.1);
        let told = told(&folder);
        assert_eq!(told["plight"], "chilled_too_early", "seed {seed}: {told}");
        let back = &told["back"];
        let time = |key: &str| -> Timestamp {
            back["move_at"][key]
                .as_str()
                .expect("a time")
                .parse()
                .expect("a time")
        };
        // The true move is the one for which the simulator's content after 72 h in the fridge is the target.
        let truth = played.move_at().expect("it reaches its target");
        let spare = SignedDuration::from_hours(3);
        assert!(
            time("p05") - spare <= truth && truth <= time("p95") + spare,
            "seed {seed}: {truth} outside {back}"
        );
        let off = time("p50").duration_since(truth).as_secs_f64().abs() / 3_600.0;
        let way = truth.duration_since(played.scenario.bottled_at).as_secs_f64() / 3_600.0 - OUT_H;
        assert!(
            off < 4.0 + 0.4 * way,
            "seed {seed}: {off:.0} h off on a way of {way:.0} h: {back}"
        );
        // A culture may sleep on after the cold: that is told, and the lag is an interval.
        let asleep = |key: &str| back["asleep_h"][key].as_f64().expect("hours");
        assert!(
            0.0 < asleep("p05") && asleep("p05") < asleep("p50") && asleep("p50") < asleep("p95"),
            "{back}"
        );
        // More alcohol by a quarter of a percent for each volume that is still to come (common practice).
        let missing =
            played.scenario.target.co2_volumes - told["co2_volumes"]["p50"].as_f64().expect("a number");
        let more = back["abv_added_percent"].as_f64().expect("a number");
        assert!(
            (more / missing - 0.26).abs() < 0.05,
            "seed {seed}: {more} % for {missing} volumes"
        );
        let said = said(&told);
        for word in [
            "chilled too early",
            "may sleep on after the cold",
            "count no sleep",
            "It needs about",
            "g/L of sugar is left",
            "more alcohol",
            "your limit is",
            "taken_out",
        ] {
            assert!(said.contains(word), "{word}: {said}");
        }
    }
}

#[test]
fn one_that_went_too_far_is_told_the_cautions_and_never_to_be_vented_warm() {
    let kitchen = Kitchen::new();
    // Cold for two days after eight in the room.
    let (_, folder) = asked(&kitchen, 2, vec![deed(192.0, Deed::MovedToFridge)], 240.0);
    let cold = told(&folder);
    assert_eq!(cold["plight"], "too_far", "{cold}");
    let percent = |key: &str| cold["abv_percent"][key].as_f64().expect("a number");
    assert!(
        0.0 < percent("p05") && percent("p05") <= percent("p50") && percent("p50") <= percent("p95"),
        "{cold}"
    );
    let cold = said(&cold);
    for word in [
        "face shield, long sleeves, thick gloves",
        "The fullest bottle is at about",
        "They have been cold for",
        "It holds alcohol: about",
        "by this estimate",
    ] {
        assert!(cold.contains(word), "{word}: {cold}");
    }

    // The same at the limit, in the room.
    let (played, folder) = asked(&kitchen, 2, Vec::new(), 240.0);
    let tight = played
        .batch_toml
        .replace("pressure_limit_bar = 6.0", "pressure_limit_bar = 3.0");
    assert_ne!(tight, played.batch_toml);
    std::fs::write(format!("{folder}/batch.toml"), tight).expect("a file is written");
    let danger = told(&folder);
    assert_eq!(danger["plight"], "danger", "{danger}");
    let danger = said(&danger);
    assert!(
        danger.contains("Keep people and animals out of the room") && danger.contains("it is no rescue"),
        "{danger}"
    );
    assert!(!danger.contains("ease the stopper"), "{danger}");

    let unknown = run("fobwatch", &["rescue", "--folder", &folder, "--at", "tomorrow"]);
    assert_eq!(unknown.status, Some(2), "{unknown:#?}");
}
