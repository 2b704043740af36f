//! Recipes in batch files, and what they come to.

use super::*;
use crate::batch::{BatchFile, Warning};

const FILE: &str = r#"
name = "hibiscus 12"
culture = "jar two"
bottled_at = "2026-03-02T07:00:00Z"

[drink]
culture_ml_per_l = 25.0

[bottle]
material = "pet"
capacity_ml = 500
fill_ml = 475
pressure_limit_bar = 6.0

[target]
co2_volumes = 2.8
fridge_c = 4.0

[recipe]
makes_ml = 1000
dilution = "1:3"
lot = "12 A"
steps = ["Simmer the flowers for ten minutes.", "Stir in the sugar."]

[[recipe.ingredients]]
name = "hibiscus"
grams = 40
lot = "H 7"

[[recipe.ingredients]]
name = "sugar"
kind = "table_sugar"
grams = 240
"#;

fn read(text: &str) -> BatchFile {
    BatchFile::from_toml(text, "hibiscus.toml").unwrap()
}

fn problems(text: &str) -> Vec<String> {
    let bad = BatchFile::from_toml(text, "hibiscus.toml").unwrap_err();
    bad.problems.iter().map(ToString::to_string).collect()
}

#[test]
fn one_part_to_three_makes_four() {
    let file = read(FILE);
    let recipe = file.recipe.unwrap();
    assert!((recipe.drink().unwrap().litres() - 4.0).abs() < 1e-9);
    // 240 g of sugar in 4 L.
    assert!((file.batch.drink.sucrose.grams_per_litre() - 59.88).abs() < 0.01);
    assert!(file.warnings.is_empty());
    let straight = read(&FILE.replace("\"1:3\"", "\"straight\""));
    assert!((straight.batch.drink.sucrose.grams_per_litre() - 239.5).abs() < 0.1);
}

#[test]
fn a_recipe_scales_and_its_drink_stays_the_same() {
    let recipe = read(FILE).recipe.unwrap();
    let ten = recipe
        .scaled_to(LiquidVolume::from_litres(10.0).unwrap())
        .unwrap();
    assert!((ten.makes.ml() - 2_500.0).abs() < 1e-6);
    assert!((ten.ingredients[1].mass.grams() - 600.0).abs() < 1e-6);
    let apart =
        ten.sugars().unwrap().sucrose.grams_per_litre() - recipe.sugars().unwrap().sucrose.grams_per_litre();
    assert!(apart.abs() < 1e-9);
    assert!(recipe.scaled_to(LiquidVolume::from_litres(0.0).unwrap()).is_ok());
    assert_eq!(ten.lot.as_deref(), Some("12 A"));
}

#[test]
fn without_a_table_of_the_drink_the_recipe_tells_the_sugar() {
    let text = FILE.replace("[drink]\nculture_ml_per_l = 25.0\n", "");
    let file = read(&text);
    assert!((file.batch.drink.sucrose.grams_per_litre() - 59.88).abs() < 0.01);
    assert_eq!(file.batch.drink.culture_dose, None);
}

#[test]
fn a_recipe_that_agrees_asks_nothing_and_one_that_does_not_asks_and_the_larger_counts() {
    let with = |more: &str| FILE.replace("[drink]\n", &format!("[drink]\n{more}\n"));
    let agrees = read(&with("sucrose_g_per_l = 60"));
    assert!(agrees.warnings.is_empty());
    assert!((agrees.batch.drink.sucrose.grams_per_litre() - 60.0).abs() < 1e-9);
    for (entered, counts) in [(45.0, 59.88), (80.0, 80.0)] {
        let file = read(&with(&format!("sucrose_g_per_l = {entered}")));
        let [Warning::Sugar(question)] = file.warnings.as_slice() else {
            panic!("{:?}", file.warnings);
        };
        assert!(
            question.to_string().contains("`recipe.sugar_from = \"drink\"`"),
            "{question}"
        );
        assert!((file.batch.drink.sucrose.grams_per_litre() - counts).abs() < 0.01);
    }
    let answered = with("sucrose_g_per_l = 45").replace("lot = \"12 A\"", "sugar_from = \"drink\"");
    let file = read(&answered);
    assert!(file.warnings.is_empty());
    assert!((file.batch.drink.sucrose.grams_per_litre() - 45.0).abs() < 1e-9);
}

#[test]
fn all_problems_of_a_recipe_are_told_with_the_others() {
    let text = FILE
        .replace("makes_ml = 1000", "makes_ml = 0")
        .replace("\"1:3\"", "\"one to three\"")
        .replace("\"table_sugar\"", "\"white\"")
        .replace("grams = 40", "gramms = 40")
        .replace("fridge_c = 4.0", "fridge_c = 40");
    let problems = problems(&text);
    for said in [
        "`recipe.makes_ml` is 0",
        "`recipe.dilution` is \"one to three\"; allowed: straight, or parts",
        "`recipe.ingredients[1].kind` is \"white\"; allowed: a kind of sugar, where it is one: table_sugar",
        "`recipe.ingredients[0].gramms` is not known; allowed: did you mean `grams`?",
        "`recipe.ingredients[0].grams` is missing",
        "`target.fridge_c` is 40",
    ] {
        assert!(problems.iter().any(|p| p.contains(said)), "{said}: {problems:#?}");
    }
    assert!(
        !problems.iter().any(|p| p.contains("`recipe.ingredients[0].lot`")),
        "{problems:#?}"
    );
    let nothing = FILE.replace("table_sugar", "none");
    assert!(self::problems(&nothing)[0].contains("without sugar nothing ferments"));
    let unlabelled = FILE.replace("table_sugar", "juice");
    assert!(self::problems(&unlabelled)[0].contains("`recipe.ingredients[1].sugar_percent` is missing"));
    let thick = FILE
        .replace("\"1:3\"", "\"1:0\"")
        .replace("makes_ml = 1000", "makes_ml = 200");
    assert!(self::problems(&thick)[0].contains("more than 900 g/L"));
}

#[test]
fn an_ingredient_without_a_kind_counts_as_what_its_name_says_and_says_so() {
    let kind = |name: &str| SugarKind::by_name(name);
    for (name, said) in [
        ("sugar", Some(SugarKind::TableSugar)),
        ("Sugars, white", Some(SugarKind::TableSugar)),
        ("brown sugar", Some(SugarKind::BrownSugar)),
        ("organic apple juice", Some(SugarKind::AppleJuice)),
        ("juice of a quince", Some(SugarKind::Juice)),
        ("Rohrzucker", Some(SugarKind::TableSugar)),
        ("milk sugar", Some(SugarKind::Lactose)),
        ("heather honey", Some(SugarKind::Honey)),
        ("ginger syrup", Some(SugarKind::Syrup)),
        ("hibiscus flowers", None),
        ("sugar-free cordial", None),
        ("unsweetened cranberry juice", None),
        ("honeybush tea", None),
        ("water", None),
    ] {
        assert_eq!(kind(name), said, "{name}");
    }
    let unsaid = FILE.replace("kind = \"table_sugar\"\n", "");
    let file = BatchFile::from_toml(&unsaid, "x").unwrap();
    // 240 g in four litres, as if its kind stood there.
    assert!((file.batch.drink.sucrose.grams_per_litre() - 59.9).abs() < 0.05);
    let [Warning::Counted(counted)] = &file.warnings[..] else {
        panic!("{:?}", file.warnings);
    };
    let told = counted.to_string();
    assert!(
        told.starts_with("240 g of `sugar` count as table_sugar"),
        "{told}"
    );
    assert!(BatchFile::from_toml(FILE, "x").unwrap().warnings.is_empty());
    // As people write a kind.
    let spoken = FILE.replace("table_sugar", "Table sugar");
    assert!(BatchFile::from_toml(&spoken, "x").unwrap().warnings.is_empty());
}

#[test]
fn lactose_is_of_milk_whoever_forgets_to_say_so() {
    let lactose = format!("{FILE}\n[[recipe.ingredients]]\nname = \"milk sugar\"\ngrams = 20\n");
    let recipe = BatchFile::from_toml(&lactose, "x").unwrap().recipe.unwrap();
    assert_eq!(recipe.allergens(), ["milk"]);
}

#[test]
fn a_drink_that_is_not_acid_is_warned_of() {
    let with = |ph: &str| {
        FILE.replace(
            "culture_ml_per_l = 25.0",
            &format!("culture_ml_per_l = 25.0\nph = {ph}"),
        )
    };
    let warnings = |ph: &str| BatchFile::from_toml(&with(ph), "x").unwrap().warnings;
    assert_eq!(warnings("5.6"), [Warning::NotAcid { ph: 5.6 }]);
    assert!(warnings("4.2").is_empty());
}

#[test]
fn each_kind_holds_no_more_than_it_dissolves_and_names_its_source() {
    for kind in SugarKind::ALL {
        let holds = kind.composition(None);
        let sugars = holds.sucrose + holds.hexose + holds.unfermentable;
        assert!(sugars <= holds.solids + 1e-9 && holds.solids <= 100.0, "{kind}");
        assert!(kind.source().len() > 10, "{kind}");
        assert_eq!(kind.name().parse::<SugarKind>().unwrap(), kind);
        let labelled = kind.composition(Some(50.0));
        assert!(
            labelled.sucrose + labelled.hexose + labelled.unfermentable <= 100.0 + 1e-9,
            "{kind}"
        );
    }
}

#[test]
fn kinds_hold_what_published_tables_say() {
    let sugars = |kind: SugarKind| {
        let holds = kind.composition(None);
        holds.sucrose + holds.hexose
    };
    // PMC3471321, table 1 (USDA data): grams of sugars in a serving of so many grams, both rounded to 0.1 g.
    for (kind, serving, grams) in [
        (SugarKind::TableSugar, 4.2, 4.2),
        (SugarKind::BrownSugar, 4.6, 4.5),
        (SugarKind::MapleSyrup, 6.7, 4.0),
        (SugarKind::AgaveSyrup, 6.3, 4.8),
        (SugarKind::Molasses, 6.7, 3.7),
        (SugarKind::AppleJuice, 248.0, 23.9),
    ] {
        let percent = 100.0 * grams / serving;
        assert!(
            (sugars(kind) - percent).abs() < 0.05 / serving * 100.0 + 0.02 * percent,
            "{kind}"
        );
    }
    // White et al. 1962: 38.2 + 31.3 + 1.3 + 7.3 g of sugars, 17.2 g of water.
    assert!((sugars(SugarKind::Honey) - 78.1).abs() < 0.1);
    assert!((SugarKind::Honey.composition(None).solids - 82.8).abs() < 0.1);
    // Glucose monohydrate: 180.156 / 198.171 g of glucose by the formula.
    assert!((sugars(SugarKind::Dextrose) - 90.9 * 0.995).abs() < 0.4);
}

#[test]
fn a_pound_of_sugar_in_a_gallon_has_the_gravity_of_the_brewers_tables() {
    // 46 points a pound and US gallon for table sugar: brewing tables, common practice; 453.59 g in 3.7854 L.
    let mut recipe = read(FILE).recipe.unwrap();
    recipe.dilution = Dilution::STRAIGHT;
    recipe.makes = LiquidVolume::from_litres(3.7854).unwrap();
    recipe.ingredients[1].mass = Mass::from_grams(453.59).unwrap();
    let gravity = recipe.sugars().unwrap().gravity().unwrap().specific();
    assert!((gravity - 1.046).abs() < 0.0007, "{gravity}");
}

#[test]
fn allergens_come_together_once_each() {
    let text = FILE.replace("lot = \"H 7\"", "allergens = [\"barley\"]").replace(
        "kind = \"table_sugar\"",
        "kind = \"table_sugar\"\nallergens = [\"Barley\", \"milk\"]",
    );
    assert_eq!(read(&text).recipe.unwrap().allergens(), ["barley", "milk"]);
}

#[test]
fn the_shipped_examples_are_read_without_a_question() {
    let recipe = include_str!("../../../config/example-recipe.toml");
    let proof = include_str!("../../../config/example-proof.toml");
    let file = BatchFile::from_toml(recipe, "config/example-recipe.toml").unwrap();
    assert!(file.warnings.is_empty());
    assert_eq!(file.recipe.unwrap().ingredients.len(), 3);
    // 220 g of sugar and 60 g of honey in 4 L, weighed as glucose and fructose.
    let drink = file.batch.drink;
    assert!((drink.sucrose.grams_per_litre() - 56.2).abs() < 0.2, "{drink:?}");
    assert!((drink.hexose.grams_per_litre() - 10.4).abs() < 0.2, "{drink:?}");
    let proof = BatchFile::from_toml(proof, "config/example-proof.toml").unwrap();
    assert!(proof.warnings.is_empty() && proof.recipe.is_none());
}

proptest::proptest! {
    #[test]
    fn any_recipe_is_read_or_told_and_scaling_keeps_the_drink(
        makes in -10.0..2.0e6_f64,
        parts in 0.0..2_000.0_f64,
        grams in proptest::collection::vec(-1.0..2.0e6_f64, 0..5),
        kind in 0..SugarKind::ALL.len(),
        percent in -1.0..120.0_f64,
        litres in 0.001..9_000.0_f64,
    ) {
        let ingredients: String = grams
            .iter()
            .map(|grams| {
                let kind = SugarKind::ALL[kind];
                format!("[[recipe.ingredients]]\nname = \"x\"\ngrams = {grams:?}\nkind = \"{kind}\"\nsugar_percent = {percent:?}\n")
            })
            .collect();
        let head = FILE.split("[recipe]").next().unwrap_or_default();
        let text = format!("{head}[recipe]\nmakes_ml = {makes:?}\ndilution = \"1:{parts}\"\n{ingredients}");
        match BatchFile::from_toml(&text, "any.toml") {
            Err(bad) => proptest::prop_assert!(!bad.problems.is_empty()),
            Ok(file) => {
                let recipe = file.recipe.expect("it was read");
                let sugars = recipe.sugars().expect("it was read");
                proptest::prop_assert!(sugars.solids.grams_per_litre() <= 900.0);
                if let Ok(scaled) = LiquidVolume::from_litres(litres).and_then(|drink| recipe.scaled_to(drink))
                    && let Ok(again) = scaled.sugars()
                {
                    let apart = again.solids.grams_per_litre() - sugars.solids.grams_per_litre();
                    proptest::prop_assert!(apart.abs() < 1e-6 * (1.0 + sugars.solids.grams_per_litre()));
                }
            }
        }
    }
}
