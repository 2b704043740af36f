//! Recipe, label, diary and proof through the real program.

use fobwatch_simulator::{Material, Scenario, Simulation, readings_csv};
use fobwatch_tests::run;
use jiff::SignedDuration;
use serde_json::Value;

use crate::{history::scenario, kitchen::Kitchen};

const RECIPE: &str = include_str!("../../config/example-recipe.toml");

/// Twelve hours of a small plastic bottle with a tenth of starter in it, on the day before `next`.
fn proof(next: &Scenario) -> Scenario {
    let mut proof = next.clone();
    proof.name = "proof 1".to_owned();
    proof.bottled_at -= SignedDuration::from_hours(24);
    proof.drink.culture_ml_per_l = 100.0;
    proof.pilot = None;
    proof.bottle.material = Material::Pet;
    proof.bottle.capacity_ml = 250.0;
    proof.bottle.fill_ml = 240.0;
    proof.bottle.fill_tolerance_ml = 2.5;
    proof.bottle.count = 1;
    proof.lasts_h = 12.0;
    proof
}

#[test]
fn a_recipe_is_scaled_and_its_label_written_before_anything_is_watched() {
    let kitchen = Kitchen::new();
    let file = kitchen.write("hibiscus-12.toml", RECIPE);
    let ten = run("fobwatch", &["recipe", &file, "--to", "10L"]);
    assert_eq!(ten.status, Some(0), "{ten:#?}");
    for must in [
        "10.00 L of drink, from 2.50 L of syrup and 7.50 L of water",
        "  550 g sugar",
        "1. Simmer",
        "Codex CXS 212-1999",
        "White et al. 1962",
        "Bottles can burst",
    ] {
        assert!(ten.stdout.contains(must), "{must}: {}", ten.stdout);
    }
    let record = run("fobwatch", &["recipe", &file, "--json"]);
    let record: Value = serde_json::from_str(&record.stdout).expect("a record");
    assert!(
        (record["drink_ml"].as_f64().expect("a number") - 4_000.0).abs() < 1e-6,
        "{record}"
    );
    for name in ["label.svg", "label.html"] {
        let to = kitchen.path(name).display().to_string();
        kitchen.done(&["label", "--batch", &file, "--to", &to]);
        let written = std::fs::read_to_string(&to).expect("a file");
        assert!(written.contains("<svg ") && written.contains("12 A"), "{written}");
    }
    let plain = kitchen.write(
        "plain.toml",
        &RECIPE.replace("kind = \"table_sugar\"", "kind = \"sugar\""),
    );
    let refused = run("fobwatch", &["recipe", &plain]);
    assert_eq!(refused.status, Some(2));
    assert!(
        refused
            .stderr
            .contains("`recipe.ingredients[1].kind` is \"sugar\""),
        "{refused:#?}"
    );
    let asked = kitchen.write("asked.toml", &RECIPE.replace("ph = 3.2", "sucrose_g_per_l = 90"));
    let checked = run("fobwatch", &["check", &asked]);
    assert!(
        format!("{}{}", checked.stdout, checked.stderr).contains("recipe.sugar_from"),
        "{checked:#?}"
    );
}

#[test]
fn a_diary_goes_by_command_into_labels_files_and_another_house() {
    let kitchen = Kitchen::new();
    kitchen.done(&[
        "culture",
        "jar two",
        "started",
        "--allergens",
        "barley, whey",
        "--time",
        "2026-02-01T08:00:00Z",
    ]);
    kitchen.done(&[
        "culture",
        "jar two",
        "fed",
        "--grams",
        "20",
        "--text",
        "ginger and sugar",
        "--time",
        "2026-02-02T08:00:00Z",
    ]);
    kitchen.done(&[
        "culture",
        "jar three",
        "split_from",
        "--parent",
        "jar two",
        "--time",
        "2026-02-03T08:00:00Z",
    ]);
    let spoilt = kitchen.done(&["culture", "jar three", "looked", "--text", "pink spots"]);
    assert!(spoilt.contains("throw the starter out"), "{spoilt}");
    let told = kitchen.done(&["culture", "jar three"]);
    assert!(
        told.contains("inherit: barley, whey") && told.contains("split from jar two"),
        "{told}"
    );
    // A feed that was noted with a wrong weight is taken back, and noted again.
    let wrong = ["--grams", "200", "--time", "2026-02-04T08:00:13Z"];
    kitchen.done(&[&["culture", "jar three", "fed"], &wrong[..]].concat());
    assert!(kitchen.done(&["culture", "jar three"]).contains("with 200 g"));
    let back = ["culture", "jar three", "taken_back", "--time"];
    let told = kitchen.done(&[&back[..], &["2026-02-04T08:00:00Z"]].concat());
    assert!(told.contains("Taken back of jar three: fed 200 g"), "{told}");
    assert!(!kitchen.done(&["culture", "jar three"]).contains("200 g"));
    let again = kitchen.run(&[&back[..], &["2026-02-04T08:00:00Z"]].concat());
    assert!(
        again.status == Some(2) && again.stderr.contains("no entry of jar three"),
        "{again:#?}"
    );

    let file = kitchen.write("hibiscus-12.toml", RECIPE);
    kitchen.done(&["batch", "add", &file]);
    let label = kitchen.done(&["label", "hibiscus 12", "--card"]);
    assert!(label.contains("Allergens: barley, whey."), "{label}");
    let lot: Value =
        serde_json::from_str(&kitchen.done(&["label", "hibiscus 12", "--lot", "--json"])).expect("a record");
    assert_eq!(lot["lot"], "12 A");
    let refused = kitchen.run(&["culture", "jar two", "fed", "--grams=-3"]);
    assert_eq!(refused.status, Some(2), "{refused:#?}");
    assert!(refused.stderr.contains("`grams` is -3"), "{refused:#?}");

    let to = kitchen.path("jars.jsonl").display().to_string();
    kitchen.done(&["culture", "jar three", "--to", &to]);
    let other = Kitchen::new();
    let taken = other.done(&["culture", "--file", &to]);
    assert!(taken.contains("6 entries were new"), "{taken}");
    assert!(
        other
            .done(&["culture", "--file", &to])
            .contains("0 entries were new")
    );
}

#[test]
fn a_proof_is_kept_in_the_diary_and_narrows_the_plan_of_the_next_batch() {
    let kitchen = Kitchen::new();
    let next = scenario(8, 4);
    let (proof, played) = (proof(&next), Simulation::run(&next, 3));
    let bottle = Simulation::run(&proof, 4);
    std::fs::create_dir_all(kitchen.path("proof")).expect("a folder");
    kitchen.write("proof/batch.toml", &bottle.batch_toml);
    kitchen.write("proof/readings.csv", &readings_csv(&bottle.readings));
    std::fs::create_dir_all(kitchen.path("past")).expect("a folder");
    let folder = kitchen.path("proof").display().to_string();
    let culture = next.culture_name.as_str();
    let refused = kitchen.run(&["culture", "another jar", "proofed", "--of", &folder]);
    assert_eq!(refused.status, Some(2), "{refused:#?}");
    let kept = kitchen.run(&["culture", culture, "proofed", "--of", &folder]);
    assert_eq!(kept.status, Some(0), "{kept:#?}");
    assert!(kept.stderr.contains("h under the gauge"), "{kept:#?}");
    // The same proof, watched by this house and named by its batch: it tells the same, and counts once.
    let house = Kitchen::new();
    house.write(
        "kitchen.toml",
        "[display]\ntime_zone = \"UTC\"\n[clock]\nsource = \"readings\"\n",
    );
    let [file, rows] =
        ["proof/batch.toml", "proof/readings.csv"].map(|name| kitchen.path(name).display().to_string());
    house.done(&["batch", "add", &file]);
    house.done(&["import", &rows]);
    let named = house.run(&["culture", culture, "proofed", "--of", "proof 1"]);
    assert_eq!(named.status, Some(0), "{named:#?}");
    assert!(named.stderr.contains("h under the gauge"), "{named:#?}");
    let nobody = house.run(&["culture", culture, "proofed", "--of", "proof 9"]);
    assert_eq!(nobody.status, Some(2), "{nobody:#?}");
    assert!(nobody.stderr.contains("no batch of"), "{nobody:#?}");

    let to = kitchen.path("past/diary.jsonl").display().to_string();
    kitchen.done(&["culture", culture, "--to", &to]);
    let file = kitchen.write("next.toml", &played.batch_toml);
    let width = |history: &[&str]| {
        let arguments = [&["plan", "--batch", &file, "--room", "21", "--json"][..], history].concat();
        let finished = run("fobwatch", &arguments);
        let record: Value = serde_json::from_str(&finished.stdout).expect("a record");
        let of = |key: &str| record["vigour"][key].as_f64().expect("a number");
        (of("p95") / of("p05"), finished.stderr)
    };
    let past = kitchen.path("past").display().to_string();
    let ((plain, _), (known, told)) = (width(&[]), width(&["--history", &past]));
    assert!(told.contains("is known from 1 earlier batch"), "{told}");
    assert!(known < plain, "{known} {plain}");
}
