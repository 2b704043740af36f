use super::*;

fn batch(sugar: f64, limit: f64, more: &str) -> Batch {
    let text = format!(
        "name = \"plum 1\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n[drink]\nsucrose_g_per_l = {sugar:?}\n{more}\n\
         [bottle]\nmaterial = \"glass\"\ncapacity_ml = 775\nfill_ml = 750\npressure_limit_bar = {limit:?}\n\
         [target]\nco2_volumes = 2.8\nfridge_c = 4.0\n"
    );
    Batch::from_toml(&text, "test").unwrap().0
}

fn celsius(celsius: f64) -> Temperature {
    Temperature::from_celsius(celsius).unwrap()
}

fn planner(batch: &Batch) -> Planner<'_> {
    Planner::new(batch, AbsolutePressure::STANDARD_ATMOSPHERE, celsius(20.0))
}

#[test]
fn twenty_four_grams_give_five_to_six_bar_in_the_cellar() {
    // Oxford Companion to Wine and French teaching pages of oenology: about 24 g/L of sugar give 5 to 6 bar at 10 to 12 degC
    // in a closed bottle of wine. That is what is found, so Balling's yield; the full yield is a ceiling and has to lie above.
    // The wine's 10.5 % vol: common practice, no source.
    let batch = batch(24.0, 9.0, "abv_percent = 10.5");
    let planner = planner(&batch);
    let hexose = as_hexose(batch.drink.sucrose, batch.drink.hexose).unwrap();
    let made = co2_from(hexose, Yield::Balling).unwrap().grams_per_litre();
    let found = MassConcentration::from_grams_per_litre(made).unwrap();
    let at = |held| {
        let there = planner.pressure(held, batch.bottle.fill, LiquidVolume::ZERO, celsius(11.0));
        there.unwrap().bar()
    };
    assert!((5.0..=6.0).contains(&at(found)), "{}", at(found));
    assert!(at(planner.all_used(1.0).unwrap()) > at(found));
}

#[test]
fn a_volume_takes_about_four_grams_of_sugar() {
    // Common practice, no source: 3.7 to 4.3 g/L of table sugar for each added volume; the headspace takes a few per cent more.
    let batch = batch(60.0, 5.0, "co2_volumes = 0.0");
    let budget = planner(&batch).sugar().unwrap();
    let each = budget.taken.grams_per_litre() / 2.8;
    assert!((3.7..4.6).contains(&each), "{each}");
    let sum = budget.taken.grams_per_litre() + budget.left.grams_per_litre();
    assert!((sum - budget.usable.grams_per_litre()).abs() < 1e-9);
    assert_eq!(budget.missing, MassConcentration::ZERO);
}

#[test]
fn too_little_sugar_is_said_and_what_is_missing_closes_the_gap() {
    let short = batch(5.0, 5.0, "");
    let missing = planner(&short).sugar().unwrap().missing.grams_per_litre();
    assert!(missing > 5.0, "{missing}");
    let enough = batch(5.0 + missing, 5.0, "");
    // More sugar in the drink dissolves a little less, so the headspace holds a little more.
    assert!(planner(&enough).sugar().unwrap().missing.grams_per_litre() < 0.2);
}

#[test]
fn every_change_ends_at_the_limit() {
    let limit = 3.0;
    let batch = batch(60.0, limit, "");
    let planner = planner(&batch);
    let warm = celsius(25.0);
    assert!(planner.at_target(warm).unwrap().fullest.bar() > limit);

    let mut smaller = batch.clone();
    smaller.target.co2 = planner.largest_target(warm).unwrap();
    let there = Planner {
        batch: &smaller,
        ..planner
    }
    .at_target(warm)
    .unwrap();
    assert!((there.fullest.bar() - limit).abs() < 1e-3, "{there:?}");
    assert!(there.plain < there.fullest);

    let place = planner.warmest_place(warm).unwrap();
    assert!((planner.at_target(place).unwrap().fullest.bar() - limit).abs() < 1e-3);

    let share = planner.sugar_share_forgotten(warm).unwrap();
    let all = planner.all_used(share).unwrap();
    let tolerance = batch.bottle.fill_tolerance;
    let there = planner.pressure(all, batch.bottle.fill, tolerance, warm).unwrap();
    assert!(
        (there.bar() - limit).abs() < 1e-3 && share < 0.5,
        "{there:?} {share}"
    );
    assert!(planner.most_fill_forgotten(warm).is_none());
}
