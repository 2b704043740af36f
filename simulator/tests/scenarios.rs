//! Scenario files: what is wrong is refused, all at once, and what is right comes back unchanged.

use fobwatch_simulator::Scenario;
use proptest::prelude::*;

#[test]
fn all_problems_come_at_once() {
    let text = "
        name = \"\"
        bottled_at = \"yesterday\"
        colour = 3
        [bottle]
        capacity_ml = -5
        pressure_limit_bar = \"six\"
        [drink]
        sucrose_g_per_l = nan
        sucros_g_per_l = 4
        [[sensor]]
        quantity = \"pressure\"
        unit = \"degC\"
    ";
    let problems = Scenario::from_toml(text).expect_err("it is wrong").0;
    let keys: Vec<&str> = problems.iter().map(|problem| problem.key.as_str()).collect();
    for key in [
        "name",
        "bottled_at",
        "colour",
        "bottle.capacity_ml",
        "bottle.pressure_limit_bar",
        "drink.sucrose_g_per_l",
        "drink.sucros_g_per_l",
        "sensor[0].unit",
    ] {
        assert!(keys.contains(&key), "{key} is missing in {keys:?}");
    }
    let unknown = problems
        .iter()
        .find(|p| p.key == "drink.sucros_g_per_l")
        .expect("listed");
    assert!(unknown.allowed.contains("sucrose_g_per_l"), "{unknown}");
}

#[test]
fn the_limit_has_no_default() {
    let problems = Scenario::from_toml("name = \"plum 1\"").expect_err("no limit").0;
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].key, "bottle.pressure_limit_bar");
}

#[test]
fn shipped_scenarios_come_back_from_their_text() {
    let names = Scenario::shipped_names();
    assert_eq!(names.len(), 11);
    for name in names {
        let scenario = Scenario::shipped(name).expect("shipped");
        assert_eq!(
            Scenario::from_toml(&scenario.to_toml()).expect("its own text"),
            scenario,
            "{name}"
        );
        assert!(scenario.title.ends_with('.'), "{name} is described in a sentence");
    }
    assert!(Scenario::shipped("no such").is_none());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn drawn_batches_are_within_the_ranges(seed in any::<u64>()) {
        for scenario in [
            Scenario::drawn(seed),
            Scenario::drawn_leaking(seed),
            Scenario::drawn_stalling(seed),
            Scenario::drawn_with_float(seed),
            Scenario::drawn_of_culture(seed.rotate_left(7), seed),
        ] {
            let back = Scenario::from_toml(&scenario.to_toml());
            prop_assert_eq!(back.as_ref(), Ok(&scenario));
        }
    }

    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,200}") {
        prop_assert!(Scenario::from_toml(&text).is_err());
    }

    #[test]
    fn numbers_out_of_range_are_refused_by_name(value in prop_oneof![-1e9..-0.001_f64, 500.1..1e12_f64]) {
        let text = format!("[bottle]\npressure_limit_bar = 6\n[drink]\nculture_ml_per_l = {value:e}");
        let problems = Scenario::from_toml(&text).expect_err("out of range").0;
        prop_assert_eq!(problems.len(), 1);
        prop_assert_eq!(problems[0].key.as_str(), "drink.culture_ml_per_l");
    }
}
