//! From the fields of the page's form to a batch file, and the room.

mod ingredients;

use std::collections::BTreeMap;

use fobwatch_core::{document::Problem, reading::Source};
use jiff::tz::TimeZone;

use self::ingredients::ingredients;
use super::{Room, read_room};
use crate::{basic_string::quoted, moment};

/// Fields with a number, and the table and key that they have in a batch file.
const NUMBERS: [(&str, &str, &str); 19] = [
    ("sucrose_g_per_l", "drink", "sucrose_g_per_l"),
    ("hexose_g_per_l", "drink", "hexose_g_per_l"),
    ("unfermentable_g_per_l", "drink", "unfermentable_g_per_l"),
    ("culture_ml_per_l", "drink", "culture_ml_per_l"),
    ("co2_volumes", "drink", "co2_volumes"),
    ("abv_percent", "drink", "abv_percent"),
    ("alcohol_ceiling_percent", "drink", "alcohol_ceiling_percent"),
    ("ph", "drink", "ph"),
    ("capacity_ml", "bottle", "capacity_ml"),
    ("fill_ml", "bottle", "fill_ml"),
    ("count", "bottle", "count"),
    ("pressure_limit_bar", "bottle", "pressure_limit_bar"),
    ("fill_tolerance_ml", "bottle", "fill_tolerance_ml"),
    ("pilot_capacity_ml", "pilot", "capacity_ml"),
    ("pilot_fill_ml", "pilot", "fill_ml"),
    ("dead_volume_ml", "pilot", "dead_volume_ml"),
    ("recipe_makes_ml", "recipe", "makes_ml"),
    ("target_volumes", "target", "co2_volumes"),
    ("fridge_c", "target", "fridge_c"),
];

/// Fields with a text.
const TEXTS: [(&str, &str, &str); 8] = [
    ("material", "bottle", "material"),
    ("limit_source", "bottle", "limit_source"),
    ("headspace", "bottle", "headspace"),
    ("recipe_dilution", "recipe", "dilution"),
    ("recipe_lot", "recipe", "lot"),
    ("pressure", "sensors", "pressure"),
    ("liquid_temperature", "sensors", "liquid_temperature"),
    ("room_temperature", "sensors", "room_temperature"),
];

/// The field with the ingredients, one a line.
const INGREDIENTS: &str = "ingredients";

/// Something that cannot be planned so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Refused {
    /// The field that it stands in; `None`: in none.
    pub(crate) field: Option<&'static str>,
    /// What stands there, and what is allowed.
    pub(crate) why: String,
}

impl Refused {
    /// Of a field.
    pub(crate) fn at(field: &'static str, why: impl Into<String>) -> Self {
        Self {
            field: Some(field),
            why: why.into(),
        }
    }

    /// Of none.
    pub(crate) fn whole(why: impl Into<String>) -> Self {
        Self {
            field: None,
            why: why.into(),
        }
    }
}

impl From<&Problem> for Refused {
    /// Of the batch file that the fields became.
    fn from(problem: &Problem) -> Self {
        let Some(field) = field_of(&problem.key) else {
            return Self::whole(problem.to_string());
        };
        let allowed = match problem.key.as_str() {
            // The form takes it without the offset that a file has.
            "bottled_at" => moment::ALLOWED,
            _ => problem.allowed.as_str(),
        };
        Self::at(
            field,
            match problem.given.as_str() {
                "missing" => format!("Missing; allowed: {allowed}."),
                given if field == INGREDIENTS => format!("`{}` is {given}; allowed: {allowed}.", problem.key),
                given => format!("{given} stands here; allowed: {allowed}."),
            },
        )
    }
}

/// The field that asks for a key of the batch file.
fn field_of(key: &str) -> Option<&'static str> {
    if key.starts_with("recipe.ingredients") {
        return Some(INGREDIENTS);
    }
    if key == "recipe" {
        return Some("recipe_makes_ml");
    }
    let whole = ["name", "culture", "bottled_at", "experiment"];
    let whole = whole.into_iter().find(|name| *name == key);
    let all = NUMBERS.iter().chain(&TEXTS);
    whole.or_else(|| {
        all.into_iter()
            .find(|(_, table, last)| key.split_once('.') == Some((*table, *last)))
            .map(|(name, ..)| *name)
    })
}

/// The key in a batch file of what a field of the form asks, as `bottle.fill_ml`.
pub(crate) fn key_of(field: &str) -> Option<String> {
    if ["name", "culture", "bottled_at", "experiment"].contains(&field) {
        return Some(field.to_owned());
    }
    let all = NUMBERS.iter().chain(&TEXTS);
    all.into_iter()
        .find(|(name, ..)| *name == field)
        .map(|(_, table, key)| format!("{table}.{key}"))
}

/// The text of a batch file. What it says is judged by whoever reads it.
///
/// # Errors
/// Every field that is no number or no moment.
pub(crate) fn batch_file(typed: &BTreeMap<String, String>, zone: &TimeZone) -> Result<String, Vec<Refused>> {
    let given = |name: &str| {
        typed
            .get(name)
            .map(|text| text.trim())
            .filter(|text| !text.is_empty())
    };
    let mut problems = Vec::new();
    let mut head = String::new();
    for name in ["name", "culture", "experiment"] {
        if let Some(text) = given(name) {
            head.push_str(&format!("{name} = {}\n", quoted(text)));
        }
    }
    if let Some(text) = given("bottled_at") {
        match moment::read(text, zone) {
            Ok(at) => head.push_str(&format!("bottled_at = \"{at}\"\n")),
            Err(why) => problems.push(Refused::at("bottled_at", format!("{why}."))),
        }
    }
    // What has no field filled in is there all the same: what is missing is told field by field.
    let mut tables: BTreeMap<&str, String> = ["drink", "bottle", "target"]
        .map(|table| (table, String::new()))
        .into();
    for (field, table, key) in NUMBERS {
        let Some(text) = given(field) else { continue };
        match text.replace(',', ".").parse::<f64>() {
            Ok(number) if number.is_finite() => {
                // As it was typed: a complaint names it again.
                let number = if number.fract() == 0.0 && number.abs() < 1e9 {
                    format!("{number:.0}")
                } else {
                    format!("{number:?}")
                };
                tables
                    .entry(table)
                    .or_default()
                    .push_str(&format!("{key} = {number}\n"));
            }
            _ => {
                let shown: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
                let why = format!("{shown} stands here; allowed: a number, as 2.8.");
                problems.push(Refused::at(field, why));
            }
        }
    }
    for (field, table, key) in TEXTS {
        if let Some(text) = given(field) {
            tables
                .entry(table)
                .or_default()
                .push_str(&format!("{key} = {}\n", quoted(text)));
        }
    }
    if !matches!(given("pilot"), Some("plastic" | "pet")) {
        tables.remove("pilot");
    } else if !matches!(given("material"), Some("plastic" | "pet")) {
        tables
            .entry("pilot")
            .or_default()
            .push_str("material = \"plastic\"\n");
    }
    if given("pilot") == Some("none") {
        // Who has none says so, or a gauge that is heard would be taken for it.
        for (field, table, key) in TEXTS {
            if ["pressure", "liquid_temperature"].contains(&field) && given(field).is_none() {
                tables
                    .entry(table)
                    .or_default()
                    .push_str(&format!("{key} = {}\n", quoted(Source::NOBODY)));
            }
        }
    }
    if let Ok(Some((room, _))) = room(typed) {
        tables
            .entry("room")
            .or_default()
            .push_str(&format!("expected_c = {:?}\n", room.middle()));
    }
    let ingredients = given(INGREDIENTS).map_or(Ok(String::new()), ingredients);
    if !problems.is_empty() || ingredients.is_err() {
        problems.extend(ingredients.err());
        return Err(problems);
    }
    for table in ["drink", "bottle", "pilot", "target", "sensors", "room", "recipe"] {
        if let Some(lines) = tables.get(table) {
            head.push_str(&format!("\n[{table}]\n{lines}"));
        }
    }
    head.push_str(&ingredients.unwrap_or_default());
    Ok(head)
}

/// The room that was typed, with its sentence; `None`: none was.
///
/// # Errors
/// No temperatures, or the first above the second.
pub(crate) fn room(typed: &BTreeMap<String, String>) -> Result<Option<(Room, String)>, String> {
    let given = |name: &str| {
        typed
            .get(name)
            .map(|text| text.trim())
            .filter(|text| !text.is_empty())
    };
    let text = match (given("room_low_c"), given("room_high_c")) {
        (None, None) => return Ok(None),
        (Some(one), None) | (None, Some(one)) => one.to_owned(),
        (Some(low), Some(high)) => format!("{low}..{high}"),
    };
    let room = read_room(&text).map_err(|why| format!("The room: {why}"))?;
    let said = if room.is_one() {
        format!("Reckoned for a room of {}.", room.words())
    } else {
        format!(
            "Reckoned for a room of {}: the early times hold for the warmest, the late ones for the coolest, the middle ones for {}.",
            room.words(),
            room.middle_words()
        )
    };
    Ok(Some((room, said)))
}

#[cfg(test)]
mod tests {
    use fobwatch_core::batch::Batch;

    use super::*;

    fn typed(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        pairs
            .iter()
            .map(|(key, text)| ((*key).to_owned(), (*text).to_owned()))
            .collect()
    }

    const GOOD: [(&str, &str); 11] = [
        ("name", "lime \"and\" mint 4\\"),
        ("bottled_at", "2026-03-02T08:00"),
        ("sucrose_g_per_l", "60"),
        ("culture_ml_per_l", ""),
        ("material", "glass"),
        ("capacity_ml", "500"),
        ("fill_ml", "475"),
        ("count", "8"),
        ("pressure_limit_bar", "4,5"),
        ("target_volumes", "2.8"),
        ("fridge_c", "4"),
    ];

    #[test]
    fn what_was_typed_becomes_a_batch_file_that_reads_back() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let mut fields = typed(&GOOD);
        fields.insert("pilot".to_owned(), "pet".to_owned());
        fields.insert("room_low_c".to_owned(), "18".to_owned());
        fields.insert("room_high_c".to_owned(), "22".to_owned());
        let text = batch_file(&fields, &zone).unwrap();
        let (batch, _) = Batch::from_toml(&text, "x").unwrap();
        assert_eq!(batch.name.as_str(), "lime \"and\" mint 4\\");
        assert_eq!(batch.bottled_at.to_string(), "2026-03-02T07:00:00Z");
        assert!((batch.bottle.pressure_limit.bar() - 4.5).abs() < 1e-9);
        assert!((batch.expected_room.unwrap().celsius() - 20.0).abs() < 1e-9);
        assert_eq!(batch.pilot.unwrap().material, fobwatch_core::batch::Material::Pet);
    }

    #[test]
    fn what_is_missing_is_told_field_by_field() {
        let text = batch_file(&typed(&[("name", "plum 9")]), &TimeZone::UTC).unwrap();
        let told = Batch::from_toml(&text, "x").unwrap_err().to_string();
        for missing in [
            "bottle.capacity_ml",
            "bottle.pressure_limit_bar",
            "target.co2_volumes",
        ] {
            assert!(told.contains(&format!("`{missing}` is missing")), "{told}");
        }
        assert!(!told.contains("allowed: a table"), "{told}");
    }

    #[test]
    fn whoever_has_no_gauge_says_so_in_the_file() {
        let mut fields = typed(&GOOD);
        let sensors = |fields: &BTreeMap<String, String>| {
            let text = batch_file(fields, &TimeZone::UTC).unwrap();
            let (batch, _) = Batch::from_toml(&text, "x").unwrap();
            let all = batch.sensors.iter();
            all.map(|(quantity, source)| format!("{quantity} {}", source.as_str()))
                .collect::<Vec<_>>()
        };
        fields.insert("pilot".to_owned(), "pet".to_owned());
        assert!(sensors(&fields).is_empty());
        fields.insert("pilot".to_owned(), "none".to_owned());
        assert_eq!(sensors(&fields), ["pressure none", "liquid_temperature none"]);
        fields.insert("liquid_temperature".to_owned(), "strip".to_owned());
        assert_eq!(sensors(&fields), ["pressure none", "liquid_temperature strip"]);
    }

    #[test]
    fn a_recipe_and_a_pilot_of_its_own_size_are_taken_and_refused_beside_their_fields() {
        let zone = TimeZone::UTC;
        let mut fields = typed(&GOOD);
        fields.remove("sucrose_g_per_l");
        fields.extend(typed(&[
            ("pilot", "plastic"),
            ("pilot_capacity_ml", "1000"),
            ("pilot_fill_ml", "950"),
            ("recipe_makes_ml", "1000"),
            ("recipe_dilution", "1:3"),
            (
                "ingredients",
                "40 hibiscus flowers\n\n220,5 g table_sugar\n60 honey from \"next door\"\n",
            ),
        ]));
        let text = batch_file(&fields, &zone).unwrap();
        let (batch, _) = Batch::from_toml(&text, "x").unwrap();
        let pilot = batch.pilot.clone().unwrap();
        assert!((pilot.capacity.ml() - 1_000.0).abs() < 1e-9 && (pilot.fill.ml() - 950.0).abs() < 1e-9);
        // 280 g in four litres, nearly all of it sugar.
        let sugar = batch.drink.sucrose.grams_per_litre() + batch.drink.hexose.grams_per_litre();
        assert!((60.0..70.0).contains(&sugar), "{sugar}");

        // What `check` refuses of the file stands beside the field that it came from.
        let beside = |fields: &BTreeMap<String, String>| -> Vec<Option<&'static str>> {
            let refused = match batch_file(fields, &zone) {
                Err(refused) => refused,
                Ok(text) => {
                    let bad = Batch::from_toml(&text, "x").unwrap_err();
                    bad.problems.iter().map(Refused::from).collect()
                }
            };
            refused.iter().map(|refused| refused.field).collect()
        };
        for (field, bad) in [
            ("pilot_fill_ml", "1001"),
            ("pilot_capacity_ml", "none"),
            ("recipe_makes_ml", "-1"),
            ("recipe_dilution", "half"),
            ("ingredients", "some sugar"),
            ("fill_ml", "600"),
            ("target_volumes", "90"),
            ("bottled_at", "soon"),
        ] {
            let mut wrong = fields.clone();
            wrong.insert(field.to_owned(), bad.to_owned());
            let told = beside(&wrong);
            assert!(told.contains(&Some(field)), "{field}: {told:?}");
        }
    }

    #[test]
    fn what_people_write_for_sugar_counts_and_says_so() {
        let zone = TimeZone::UTC;
        let mut fields = typed(&GOOD);
        fields.remove("sucrose_g_per_l");
        fields.insert("recipe_makes_ml".to_owned(), "1000".to_owned());
        let mut read = |ingredients: &str| {
            fields.insert("ingredients".to_owned(), ingredients.to_owned());
            let text = batch_file(&fields, &zone).unwrap();
            let file = fobwatch_core::batch::BatchFile::from_toml(&text, "x").unwrap();
            let drink = &file.batch.drink;
            let sugar = drink.sucrose.grams_per_litre() + drink.hexose.grams_per_litre();
            (sugar, file.warnings.len(), file.recipe.unwrap().allergens())
        };
        for (line, sugar, warnings) in [
            ("220 brown sugar", 213.6, 0),
            ("220 Table-sugar from the corner", 219.6, 0),
            ("220 g sugar", 219.6, 1),
            ("220 Rohrzucker", 219.6, 1),
            ("100 Honig", 78.1, 1),
            ("100 syrup 65% of elderflowers", 65.0, 0),
            ("100 syrup of elderflowers", 60.0, 1),
            ("1000 apple juice", 97.0, 0),
            ("40 none sugar kelp", 0.0, 0),
        ] {
            let (counted, told, _) = read(&format!("{line}\n1 table_sugar"));
            assert!((counted - 1.0 - sugar).abs() < 0.1, "{line}: {counted}");
            assert_eq!(told, warnings, "{line}");
        }
        let (_, _, allergens) = read("60 table_sugar\n20 lactose from the shop\n100 oat drink; oats, Milk");
        assert_eq!(allergens, ["milk", "oats"]);
    }

    #[test]
    fn no_limit_is_made_up_and_no_text_breaks_out_of_its_line() {
        let zone = TimeZone::UTC;
        let mut fields = typed(&GOOD);
        fields.remove("pressure_limit_bar");
        fields.insert(
            "limit_source".to_owned(),
            "x\"\npressure_limit_bar = 9\n".to_owned(),
        );
        let text = batch_file(&fields, &zone).unwrap();
        let bad = Batch::from_toml(&text, "x").unwrap_err().to_string();
        assert!(bad.contains("`bottle.pressure_limit_bar` is missing"), "{bad}");
        fields.insert("fill_ml".to_owned(), "full".to_owned());
        fields.insert("bottled_at".to_owned(), "soon".to_owned());
        assert_eq!(batch_file(&fields, &zone).unwrap_err().len(), 2);
        assert!(room(&typed(&[("room_low_c", "23"), ("room_high_c", "18")])).is_err());
    }
}
