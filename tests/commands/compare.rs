//! Cultures beside each other through the real program: who is livelier is known, for the simulator made them.

use fobwatch_tests::run;
use serde_json::Value;

use crate::{
    history::{filled, scenario},
    kitchen::Kitchen,
};

/// Made-up cultures of 0.9 and 2.1 times the reference's vigour.
const WEAK: u64 = 1;
const LIVELY: u64 = 4;

fn records(text: &str) -> Vec<Value> {
    let lines = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("a record"));
    lines.collect()
}

#[test]
fn the_livelier_culture_is_told_from_the_weaker_one() {
    let kitchen = Kitchen::new();
    for turn in 0..3 {
        for culture in [WEAK, LIVELY] {
            let mut scenario = scenario(culture, turn);
            scenario.name = format!("hibiscus {culture} {turn}");
            filled(&kitchen, &format!("past/{culture}-{turn}"), &scenario);
        }
    }
    let past = kitchen.path("past").display().to_string();
    let picture = kitchen.path("jars.svg").display().to_string();
    let compare = |more: &[&str]| {
        let finished = run("fobwatch", &[&["compare", "--history", &past], more].concat());
        assert_eq!(finished.status, Some(0), "{finished:#?}");
        finished.stdout
    };

    let told = records(&compare(&["--json", "--picture", &picture]));
    let of = |record: &str| -> Vec<&Value> { told.iter().filter(|told| told["record"] == record).collect() };
    assert_eq!(of("compared_batch").len(), 6);
    let cultures = of("compared_culture");
    assert_eq!(cultures[0]["culture"], format!("jar {LIVELY}"));
    for culture in &cultures {
        // Vigour is beside 0.033 volumes an hour.
        let truth = if culture["culture"] == format!("jar {WEAK}") {
            WEAK
        } else {
            LIVELY
        };
        let truth = scenario(truth, 0).vigour().volumes_per_h / 0.033;
        let at = |point: &str| culture["vigour"][point].as_f64().expect("a number");
        assert!(at("p05") < truth && truth < at("p95"), "{culture}: {truth}");
        assert!(
            culture["vigour_trend_percent_per_30_days"].is_object(),
            "{culture}"
        );
    }
    let pair = of("livelier")[0];
    assert_eq!(pair["culture"], format!("jar {LIVELY}"));
    assert!(pair["chance"].as_f64().expect("a number") > 0.8, "{pair}");
    assert!(
        of("compared_batch")
            .iter()
            .all(|batch| batch["mean_temperature_c"].is_number())
    );

    let drawn = std::fs::read_to_string(&picture).expect("the picture");
    assert!(
        drawn.starts_with("<svg") && drawn.contains(&format!("hibiscus {WEAK} 2")),
        "{drawn}"
    );

    let words = compare(&["--culture", &format!("jar {WEAK}")]);
    assert!(
        words.contains("from 3 batches: vigour") && !words.contains(&format!("jar {LIVELY}")),
        "{words}"
    );

    let table = compare(&["--csv"]);
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let places = rows.headers().expect("a head").len();
    assert_eq!(
        rows.records()
            .filter(|row| row.as_ref().is_ok_and(|row| row.len() == places))
            .count(),
        6
    );

    // The same from the store: what `batch add` and `import` put there.
    kitchen.write(
        "kitchen.toml",
        "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n",
    );
    let file = |name: &str| {
        kitchen
            .path(&format!("past/{LIVELY}-0/{name}"))
            .display()
            .to_string()
    };
    kitchen.done(&["batch", "add", &file("batch.toml")]);
    kitchen.done(&["import", &file("readings.csv")]);
    let stored = records(&kitchen.done(&["compare", "--json"]));
    let batch = |told: &[Value]| -> Value {
        let named = format!("hibiscus {LIVELY} 0");
        let found = told.iter().find(|told| told["batch"] == named.as_str());
        found.expect("the batch")["vigour"].clone()
    };
    assert_eq!(batch(&stored), batch(&told));
}

#[test]
fn nothing_to_compare_and_an_unknown_culture_are_told() {
    let kitchen = Kitchen::new();
    let none = kitchen.run(&["compare"]);
    assert_eq!(none.status, Some(1), "{none:#?}");
    assert!(none.stderr.contains("nothing was ever kept in"), "{none:#?}");

    filled(&kitchen, "past/0", &scenario(WEAK, 0));
    let past = kitchen.path("past").display().to_string();
    let unknown = run(
        "fobwatch",
        &["compare", "--history", &past, "--culture", "jar nine"],
    );
    assert_eq!(unknown.status, Some(2), "{unknown:#?}");
    assert!(unknown.stderr.contains("allowed: 'jar 1'"), "{unknown:#?}");
}
