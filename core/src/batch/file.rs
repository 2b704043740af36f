//! The batch file: TOML in, [`Batch`] out, every problem of the file at once.

use std::collections::BTreeMap;

use super::{
    Batch, BatchName, Bottle, CultureName, Drink, ExperimentName, Headspace, Material, Pilot, Target,
    name::NAME_ALLOWED, warning::Warning,
};
use crate::{
    document::{BadDocument, Document, Section},
    quantity::{
        AlcoholByVolume, Co2Volumes, CultureDose, GaugePressure, LiquidVolume, MassConcentration, Temperature,
    },
    reading::{Quantity, Source},
    recipe::{self, Question, Recipe, RecipeOf},
};

/// All that a batch file holds.
#[derive(Clone, Debug, PartialEq)]
pub struct BatchFile {
    /// The batch.
    pub batch: Batch,
    /// What the drink was made of, if it says so.
    pub recipe: Option<Recipe>,
    /// What the user should think about.
    pub warnings: Vec<Warning>,
}

impl BatchFile {
    /// Reads a batch file with its recipe. `place` is what messages call it: the path as the user gave it.
    ///
    /// # Errors
    /// Every problem of the file, each with its line, key, value and what is allowed.
    pub fn from_toml(text: &str, place: &str) -> Result<Self, BadDocument> {
        let (batch, recipe, question) = Document::parse(text, place).read(batch)?;
        let mut warnings = batch.warnings();
        warnings.extend(question.map(Warning::Sugar));
        let counted = recipe.iter().flat_map(Recipe::counted_by_name);
        warnings.extend(counted.map(Warning::Counted));
        Ok(Self {
            batch,
            recipe,
            warnings,
        })
    }
}

impl Batch {
    /// Reads a batch file. `place` is what messages call it: the path as the user gave it.
    ///
    /// # Errors
    /// Every problem of the file, each with its line, key, value and what is allowed.
    pub fn from_toml(text: &str, place: &str) -> Result<(Self, Vec<Warning>), BadDocument> {
        let read = BatchFile::from_toml(text, place)?;
        Ok((read.batch, read.warnings))
    }
}

const SEALED_ALLOWED: &str =
    "when the last bottle was closed, with the zone's offset, as \"2026-03-02T08:00:00+01:00\"";

fn batch(file: &mut Section<'_, '_>) -> Option<(Batch, Option<Recipe>, Option<Question>)> {
    for key in ["name", "bottled_at"] {
        file.require(
            key,
            if key == "name" {
                NAME_ALLOWED
            } else {
                SEALED_ALLOWED
            },
        );
    }
    let with_recipe = file.has("recipe");
    for key in ["drink", "bottle", "target"] {
        if key != "drink" || !with_recipe {
            file.require(key, "a table");
        }
    }
    let name = file.text("name", NAME_ALLOWED, |text| BatchName::new(text).ok());
    let culture = file.text("culture", NAME_ALLOWED, |text| CultureName::new(text).ok());
    let experiment = file.text("experiment", NAME_ALLOWED, |text| ExperimentName::new(text).ok());
    let bottled_at = file.moment("bottled_at");
    let recipe = file.section("recipe", recipe::recipe);
    let drink = if with_recipe && !file.has("drink") {
        file.section("drink", |_| None::<()>);
        recipe.as_ref().map(by_recipe_alone)
    } else {
        // With a recipe that was refused nothing more is said of the sugar.
        let sugars = if with_recipe && recipe.is_none() {
            Sugar::Unknown
        } else {
            recipe.as_ref().map_or(Sugar::Entered, Sugar::OfRecipe)
        };
        file.section("drink", |section| drink(section, sugars))
    };
    let bottle = file.section("bottle", bottle);
    let pilot = match &bottle {
        Some(bottle) => file.section("pilot", |section| pilot(section, bottle)),
        // The pilot's own problems are told even when the bottle's figures, its defaults, are refused.
        None => file.section("pilot", |section| pilot(section, &any_bottle()?)),
    };
    let target = file.section("target", target);
    let sensors = file
        .section("sensors", |section| Some(sensors(section)))
        .unwrap_or_default();
    let expected_room = file
        .section("room", |room| {
            let celsius = room.number("expected_c", "-5 to 45 degC", |c| (-5.0..=45.0).contains(&c));
            Some(celsius.and_then(|c| Temperature::from_celsius(c).ok()))
        })
        .flatten();
    let (drink, question) = drink?;
    if recipe.is_some() && drink.sucrose.grams_per_litre() + drink.hexose.grams_per_litre() <= 0.0 {
        file.refuse_entry(
            "recipe",
            "one with sugar in it, or `drink.sucrose_g_per_l` above 0: without sugar nothing ferments",
        );
        return None;
    }
    let batch = Batch {
        name: name?,
        culture,
        bottled_at: bottled_at?,
        drink,
        bottle: bottle?,
        pilot,
        target: target?,
        sensors,
        expected_room,
        experiment,
    };
    Some((batch, recipe.map(|recipe| recipe.recipe), question))
}

/// Where the sugar of the drink stands.
#[derive(Clone, Copy)]
enum Sugar<'r> {
    /// In `[drink]` alone.
    Entered,
    /// In the recipe, too.
    OfRecipe(&'r RecipeOf),
    /// There is a recipe, and it was refused.
    Unknown,
}

/// A drink of which only the recipe is known.
fn by_recipe_alone(recipe: &RecipeOf) -> (Drink, Option<Question>) {
    let mut drink = Drink {
        sucrose: MassConcentration::ZERO,
        hexose: MassConcentration::ZERO,
        unfermentable: MassConcentration::ZERO,
        culture_dose: None,
        co2: None,
        alcohol: None,
        alcohol_ceiling: None,
        ph: None,
    };
    let question = recipe.settle(&mut drink, [false, false]);
    (drink, question)
}

fn drink(drink: &mut Section<'_, '_>, sugars: Sugar<'_>) -> Option<(Drink, Option<Question>)> {
    let entered = [
        drink.has("sucrose_g_per_l") || drink.has("hexose_g_per_l"),
        drink.has("unfermentable_g_per_l"),
    ];
    let sucrose = sugar(drink, "sucrose_g_per_l");
    let hexose = sugar(drink, "hexose_g_per_l");
    let unfermentable = sugar(drink, "unfermentable_g_per_l");
    let is_nil = |sugar: Option<MassConcentration>| sugar.is_none_or(|s| s.grams_per_litre() <= 0.0);
    if is_nil(sucrose) && is_nil(hexose) && matches!(sugars, Sugar::Entered) {
        let allowed = "above 0, or `drink.hexose_g_per_l` above 0: without sugar nothing ferments";
        drink.require("sucrose_g_per_l", allowed);
        if sucrose.is_some() {
            drink.refuse_entry("sucrose_g_per_l", allowed);
        }
    }
    let dose = drink
        .number("culture_ml_per_l", "above 0 to 1000 mL/L", |dose| {
            dose > 0.0 && dose <= 1_000.0
        })
        .and_then(|dose| CultureDose::from_ml_per_l(dose).ok());
    let co2 = drink
        .number("co2_volumes", "0 to 10 volumes", |v| (0.0..=10.0).contains(&v))
        .and_then(|v| Co2Volumes::from_volumes(v).ok());
    let alcohol = percent(drink, "abv_percent", "0 to 20 %", |p| (0.0..=20.0).contains(&p));
    let alcohol_ceiling = percent(drink, "alcohol_ceiling_percent", "above 0 to 20 %", |p| {
        p > 0.0 && p <= 20.0
    });
    let ph = drink.number("ph", "1 to 10", |ph| (1.0..=10.0).contains(&ph));
    let mut read = Drink {
        sucrose: sucrose.unwrap_or(MassConcentration::ZERO),
        hexose: hexose.unwrap_or(MassConcentration::ZERO),
        unfermentable: unfermentable.unwrap_or(MassConcentration::ZERO),
        culture_dose: dose,
        co2,
        alcohol,
        alcohol_ceiling,
        ph,
    };
    let question = match sugars {
        Sugar::OfRecipe(recipe) => recipe.settle(&mut read, entered),
        Sugar::Entered | Sugar::Unknown => None,
    };
    Some((read, question))
}

fn sugar(drink: &mut Section<'_, '_>, key: &'static str) -> Option<MassConcentration> {
    // A saturated sucrose solution at 20 degC holds about 900 g/L.
    let grams = drink.number(key, "0 to 900 g/L", |grams| (0.0..=900.0).contains(&grams))?;
    MassConcentration::from_grams_per_litre(grams).ok()
}

fn percent(
    drink: &mut Section<'_, '_>,
    key: &'static str,
    allowed: &str,
    accept: impl Fn(f64) -> bool,
) -> Option<AlcoholByVolume> {
    drink
        .number(key, allowed, accept)
        .and_then(|percent| AlcoholByVolume::from_percent(percent).ok())
}

fn bottle(bottle: &mut Section<'_, '_>) -> Option<Bottle> {
    const LIMIT: &str =
        "above 0 to 100 bar of gauge pressure: the figure of the bottle's maker; fobwatch has no default";
    bottle.require("material", MATERIAL_ALLOWED);
    bottle.require("capacity_ml", CAPACITY_ALLOWED);
    bottle.require("fill_ml", "above 0 and below `bottle.capacity_ml`");
    bottle.require("pressure_limit_bar", LIMIT);
    let material = material(bottle);
    let capacity = capacity(bottle);
    let fill = fill(bottle, capacity);
    let count = bottle.whole("count", 1, 100_000);
    let limit = bottle.number("pressure_limit_bar", LIMIT, |bar| bar > 0.0 && bar <= 100.0);
    let limit_source = bottle.text("limit_source", "a text", |text| Some(text.to_owned()));
    let headspace = bottle.text("headspace", "air, purged or foam", |text| match text {
        "air" => Some(Headspace::Air),
        "purged" => Some(Headspace::Purged),
        "foam" => Some(Headspace::Foam),
        _ => None,
    });
    let most = capacity.map_or(f64::INFINITY, LiquidVolume::ml);
    let tolerance = bottle.number("fill_tolerance_ml", "0 to `bottle.capacity_ml`", |ml| {
        (0.0..=most).contains(&ml)
    });
    let capacity = capacity?;
    Some(Bottle {
        material: material?,
        capacity,
        fill: fill?,
        count: count.unwrap_or(1),
        pressure_limit: GaugePressure::from_bar(limit?).ok()?,
        limit_source,
        headspace: headspace.unwrap_or(Headspace::Air),
        fill_tolerance: LiquidVolume::from_ml(tolerance.unwrap_or(0.01 * capacity.ml())).ok()?,
    })
}

fn pilot(pilot: &mut Section<'_, '_>, bottle: &Bottle) -> Option<Pilot> {
    let material = if pilot.has("material") {
        material(pilot)?
    } else {
        bottle.material
    };
    let capacity = if pilot.has("capacity_ml") {
        capacity(pilot)
    } else {
        Some(bottle.capacity)
    };
    let given_fill = if pilot.has("fill_ml") {
        fill(pilot, capacity)
    } else {
        Some(bottle.fill)
    };
    let dead = pilot.number("dead_volume_ml", "0 to 10000 mL", |ml| {
        (0.0..=10_000.0).contains(&ml)
    });
    let (capacity, fill) = (capacity?, given_fill?);
    if fill >= capacity {
        pilot.refuse_entry(
            "capacity_ml",
            "above the fill, which is `bottle.fill_ml` unless `pilot.fill_ml` stands",
        );
        return None;
    }
    Some(Pilot {
        material,
        capacity,
        fill,
        dead_volume: LiquidVolume::from_ml(dead.unwrap_or(0.0)).ok()?,
    })
}

fn any_bottle() -> Option<Bottle> {
    Some(Bottle {
        material: Material::Pet,
        capacity: LiquidVolume::from_ml(1_000_000.0).ok()?,
        fill: LiquidVolume::ZERO,
        count: 1,
        pressure_limit: GaugePressure::ZERO,
        limit_source: None,
        headspace: Headspace::Air,
        fill_tolerance: LiquidVolume::ZERO,
    })
}

const MATERIAL_ALLOWED: &str = "glass, plastic or steel";
const CAPACITY_ALLOWED: &str = "above 0 to 1000000 mL, brimful";

fn material(section: &mut Section<'_, '_>) -> Option<Material> {
    section.text("material", MATERIAL_ALLOWED, |text| match text {
        "glass" => Some(Material::Glass),
        "plastic" | "pet" => Some(Material::Pet),
        "steel" => Some(Material::Steel),
        _ => None,
    })
}

fn capacity(section: &mut Section<'_, '_>) -> Option<LiquidVolume> {
    let ml = section.number("capacity_ml", CAPACITY_ALLOWED, |ml| ml > 0.0 && ml <= 1.0e6)?;
    LiquidVolume::from_ml(ml).ok()
}

fn fill(section: &mut Section<'_, '_>, capacity: Option<LiquidVolume>) -> Option<LiquidVolume> {
    let brim = capacity.map_or(f64::INFINITY, LiquidVolume::ml);
    let allowed = match capacity {
        Some(capacity) => format!("above 0 and below the capacity of {:.0} mL", capacity.ml()),
        None => "above 0 and below the capacity".to_owned(),
    };
    let ml = section.number("fill_ml", &allowed, |ml| ml > 0.0 && ml < brim)?;
    LiquidVolume::from_ml(ml).ok()
}

fn target(target: &mut Section<'_, '_>) -> Option<Target> {
    const WISH: &str = "above 0 to 10 volumes";
    const FRIDGE: &str = "-4 to 20 degC";
    target.require("co2_volumes", WISH);
    target.require("fridge_c", FRIDGE);
    let wish = target.number("co2_volumes", WISH, |v| v > 0.0 && v <= 10.0);
    let fridge = target.number("fridge_c", FRIDGE, |c| (-4.0..=20.0).contains(&c));
    Some(Target {
        co2: Co2Volumes::from_volumes(wish?).ok()?,
        fridge: Temperature::from_celsius(fridge?).ok()?,
    })
}

fn sensors(sensors: &mut Section<'_, '_>) -> BTreeMap<Quantity, Source> {
    const ALLOWED: &str = "the name of a source: 1 to 80 characters, no control characters, no slash";
    Quantity::ALL
        .into_iter()
        .filter_map(|quantity| {
            let source = sensors.text(quantity.name(), ALLOWED, |text| Source::new(text).ok())?;
            Some((quantity, source))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
name = "hibiscus 12"
culture = "jar two"
bottled_at = "2026-03-02T07:00:00Z"

[drink]
sucrose_g_per_l = 60.0
hexose_g_per_l = 20
culture_ml_per_l = 25.0

[bottle]
material = "glass"
capacity_ml = 500
fill_ml = 475
count = 8
pressure_limit_bar = 4.5

[pilot]
material = "pet"
dead_volume_ml = 10

[target]
co2_volumes = 2.8
fridge_c = 4.0

[sensors]
pressure = "pilot"
room_temperature = "kitchen"
"#;

    fn problems(text: &str) -> Vec<String> {
        let error = Batch::from_toml(text, "hibiscus.toml").unwrap_err();
        error.problems.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_good_file_is_read_with_its_defaults() {
        let (batch, warnings) = Batch::from_toml(GOOD, "hibiscus.toml").unwrap();
        assert_eq!(batch.name.as_str(), "hibiscus 12");
        assert_eq!(batch.bottle.count, 8);
        assert!((batch.bottle.fill_tolerance.ml() - 5.0).abs() < 1e-9);
        assert!((batch.sensor_vessel().fill.ml() - 475.0).abs() < 1e-9);
        assert_eq!(batch.sensors[&Quantity::Pressure].as_str(), "pilot");
        assert_eq!(batch.bottle.headspace, Headspace::Air);
        assert!(warnings.is_empty());
    }

    #[test]
    fn the_limit_has_no_default() {
        let text = GOOD.replace("pressure_limit_bar = 4.5\n", "");
        let problems = problems(&text);
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert!(
            problems[0].contains("`bottle.pressure_limit_bar` is missing"),
            "{problems:?}"
        );
    }

    #[test]
    fn all_problems_are_told_at_once_with_line_value_and_what_is_allowed() {
        let text = GOOD
            .replace("fill_ml = 475", "fill_ml = 600")
            .replace("fridge_c = 4.0", "fridge_c = nan")
            .replace("sucrose_g_per_l", "sucrose_g_per_litre")
            .replace("\"glass\"", "\"china\"");
        let problems = problems(&text);
        assert!(
            problems
                .iter()
                .any(|p| p.contains("line 14: `bottle.fill_ml` is 600; allowed: above 0 and below"))
        );
        assert!(
            problems.iter().any(|p| p.contains("`target.fridge_c` is nan")),
            "{problems:?}"
        );
        assert!(
            problems
                .iter()
                .any(|p| p.contains("`drink.sucrose_g_per_litre` is not known")
                    && p.contains("did you mean `sucrose_g_per_l`?")),
            "{problems:?}"
        );
        assert!(
            problems
                .iter()
                .any(|p| p.contains("`bottle.material` is \"china\"")),
            "{problems:?}"
        );
        assert_eq!(problems.len(), 4, "{problems:?}");
    }

    #[test]
    fn what_is_no_toml_is_told_with_its_line() {
        let problems = problems("name = \"x\nbottled_at = 3\n");
        assert!(problems[0].starts_with("line 1: cannot be read"), "{problems:?}");
    }

    #[test]
    fn a_local_time_is_refused_and_one_with_offset_is_read() {
        let local = GOOD.replace("\"2026-03-02T07:00:00Z\"", "2026-03-02T07:00:00");
        assert!(problems(&local)[0].contains("`bottled_at` is 2026-03-02T07:00:00"));
        let offset = GOOD.replace("\"2026-03-02T07:00:00Z\"", "2026-03-02T08:00:00+01:00");
        let (batch, _) = Batch::from_toml(&offset, "x").unwrap();
        assert_eq!(batch.bottled_at.to_string(), "2026-03-02T07:00:00Z");
    }

    #[test]
    fn siblings_of_an_experiment_share_its_name() {
        let (batch, _) = Batch::from_toml(GOOD, "x").unwrap();
        assert!(batch.experiment.is_none());
        let text = GOOD.replace("culture = ", "experiment = \"which day\"\nculture = ");
        let (batch, _) = Batch::from_toml(&text, "x").unwrap();
        assert_eq!(batch.experiment.unwrap().as_str(), "which day");
        assert!(problems(&text.replace("\"which day\"", "\"\""))[0].contains("`experiment` is \"\""));
    }

    #[test]
    fn both_sugars_at_nought_are_refused() {
        let text = GOOD
            .replace("sucrose_g_per_l = 60.0", "sucrose_g_per_l = 0")
            .replace("hexose_g_per_l = 20", "");
        assert!(problems(&text)[0].contains("without sugar nothing ferments"));
    }

    #[test]
    fn glass_beyond_the_trade_standard_is_accepted_with_a_warning() {
        let text = GOOD
            .replace("4.5", "6")
            .replace("capacity_ml = 500", "capacity_ml = 1500");
        let (_, warnings) = Batch::from_toml(&text, "x").unwrap();
        assert_eq!(
            warnings,
            [Warning::GlassAbove4Point7Bar, Warning::GlassAbove1Point15Litres]
        );
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_it_panic(text in "\\PC{0,200}") {
            let _ = Batch::from_toml(&text, "x").is_ok();
        }

        #[test]
        fn no_single_edit_makes_it_panic(at in 0usize..400, insert in "[\\x00-\\x7f]{0,3}") {
            let mut text = GOOD.to_owned();
            let at = at.min(text.len());
            text.insert_str(at, &insert);
            let _ = Batch::from_toml(&text, "x").is_ok();
        }
    }
}
