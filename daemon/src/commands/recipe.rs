//! `fobwatch recipe`: what a batch is made of, scaled, and the sugar it comes to.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::{
    batch::BatchFile,
    quantity::LiquidVolume,
    recipe::{Recipe, SugarKind},
};
use serde::Serialize;

use super::{Ended, json, read, say};

/// Tell what a recipe comes to, for the volume you want to make.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch recipe hibiscus-12.toml\n  fobwatch recipe hibiscus-12.toml --to 10L\n  fobwatch recipe --kinds\n\n\
                  The recipe stands in the batch file:\n\n  [recipe]\n  makes_ml = 1000                # what the ingredients come to before any dilution\n  \
                  dilution = \"1:3\"               # one part of syrup to three of water, four in all; without it, straight\n  lot = \"12 A\"\n  \
                  steps = [\"Simmer the flowers for ten minutes.\", \"Stir in the sugar.\"]\n\n  [[recipe.ingredients]]\n  name = \"hibiscus\"\n  grams = \
                  40\n\n  [[recipe.ingredients]]\n  name = \"sugar\"\n  kind = \"table_sugar\"           # kinds of sugar: --kinds\n  grams = 240\n  \
                  allergens = []\n\nWith it, `sucrose_g_per_l` and its kin under [drink] may be left out; if both stand there and differ, you are asked."
)]
pub(super) struct RecipeCommand {
    /// Batch file
    #[arg(value_name = "FILE", required_unless_present = "kinds")]
    file: Option<PathBuf>,
    /// How much drink to make, as 10L or 750ml
    #[arg(long, value_name = "VOLUME", value_parser = volume)]
    to: Option<LiquidVolume>,
    /// Tell the kinds of sugar, what each holds and who says so
    #[arg(long, conflicts_with_all = ["file", "to"])]
    kinds: bool,
    /// JSON records
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct RecipeLine<'a> {
    record: &'static str,
    batch: &'a str,
    drink_ml: f64,
    makes_ml: f64,
    water_ml: f64,
    lot: Option<&'a str>,
    made_by: Option<&'a str>,
    ingredients: Vec<IngredientLine<'a>>,
    steps: &'a [String],
    allergens: Vec<String>,
    sucrose_g_per_l: f64,
    hexose_g_per_l: f64,
    unfermentable_g_per_l: f64,
    fermentable_doubt_g_per_l: f64,
    gravity_sg: f64,
}

#[derive(Serialize)]
struct IngredientLine<'a> {
    name: &'a str,
    grams: f64,
    kind: Option<SugarKind>,
    lot: Option<&'a str>,
    source: Option<&'static str>,
}

#[derive(Serialize)]
struct KindLine {
    record: &'static str,
    kind: SugarKind,
    fermentable_percent: f64,
    unfermentable_percent: f64,
    solids_percent: f64,
    source: &'static str,
}

impl RecipeCommand {
    pub(super) fn run(self) -> Result<(), Ended> {
        let Some(path) = &self.file else {
            return self.tell_kinds();
        };
        let place = path.display().to_string();
        let file =
            BatchFile::from_toml(&read(path)?, &place).map_err(|bad| Ended::Refused(bad.to_string()))?;
        for warning in &file.warnings {
            eprintln!("warning: {place}: {warning}");
        }
        let Some(recipe) = &file.recipe else {
            return Err(Ended::Refused(format!(
                "{place} has no [recipe]; `fobwatch recipe --help` shows one"
            )));
        };
        let impossible = |bad: fobwatch_core::quantity::NotAQuantity| Ended::Refused(bad.to_string());
        let written = recipe.drink().ok();
        let recipe = match self.to {
            Some(volume) => recipe.scaled_to(volume).map_err(impossible)?,
            None => recipe.clone(),
        };
        let name = file.batch.name.as_str();
        let (drink, sugars) = (
            recipe.drink().map_err(impossible)?,
            recipe.sugars().map_err(impossible)?,
        );
        let gravity = sugars.gravity().map_err(impossible)?;
        let water = LiquidVolume::less(drink, recipe.makes);
        if self.json {
            return say(&json(&RecipeLine {
                record: "recipe",
                batch: name,
                drink_ml: drink.ml(),
                makes_ml: recipe.makes.ml(),
                water_ml: water.ml(),
                lot: recipe.lot.as_deref(),
                made_by: recipe.made_by.as_deref(),
                ingredients: recipe.ingredients.iter().map(line).collect(),
                steps: &recipe.steps,
                allergens: recipe.allergens(),
                sucrose_g_per_l: sugars.sucrose.grams_per_litre(),
                hexose_g_per_l: sugars.hexose.grams_per_litre(),
                unfermentable_g_per_l: sugars.unfermentable.grams_per_litre(),
                fermentable_doubt_g_per_l: sugars.doubt.grams_per_litre(),
                gravity_sg: gravity.specific(),
            })?);
        }
        for said in words(name, &recipe, drink, water, self.to.and(written)) {
            say(&said)?;
        }
        say(&format!(
            "In a litre: {:.0} g of sucrose, {:.0} g of glucose and fructose, {:.0} g that the usual yeast leaves; what ferments is known \
             to about {:.0} g. Gravity before anything ferments: {:.3} SG.",
            sugars.sucrose.grams_per_litre(),
            sugars.hexose.grams_per_litre(),
            sugars.unfermentable.grams_per_litre(),
            (2.0 * sugars.doubt.grams_per_litre()).max(1.0),
            gravity.specific()
        ))?;
        say("Who says so:")?;
        let mut kinds: Vec<SugarKind> = recipe.ingredients.iter().filter_map(|one| one.kind).collect();
        kinds.sort();
        kinds.dedup();
        for kind in kinds {
            say(&format!("  {kind}: {}", kind.source()))?;
        }
        say(
            "Bottles can burst: `fobwatch plan --batch FILE` tells the pressure. Fizz is no preservation: measure the pH before sealing \
             (4.2 or less), and use no vegetable, nut, milk or garlic base without a tested recipe.",
        )
    }

    fn tell_kinds(&self) -> Result<(), Ended> {
        for kind in SugarKind::ALL {
            let holds = kind.composition(None);
            let line = KindLine {
                record: "sugar_kind",
                kind,
                fermentable_percent: holds.sucrose + holds.hexose,
                unfermentable_percent: holds.unfermentable,
                solids_percent: holds.solids,
                source: kind.source(),
            };
            if self.json {
                say(&json(&line)?)?;
                continue;
            }
            let usual = if kind.needs_a_label() {
                "as `sugar_percent` of its label says".to_owned()
            } else {
                format!(
                    "in 100 g, {:.1} g that ferment, {:.1} g that the usual yeast leaves, {:.1} g dissolved in all",
                    line.fermentable_percent, line.unfermentable_percent, line.solids_percent
                )
            };
            say(&format!("{kind}: {usual} ({})", line.source))?;
        }
        Ok(())
    }
}

fn line(one: &fobwatch_core::recipe::Ingredient) -> IngredientLine<'_> {
    IngredientLine {
        name: &one.name,
        grams: one.mass.grams(),
        kind: one.kind,
        lot: one.lot.as_deref(),
        source: one.kind.map(SugarKind::source),
    }
}

/// `written`: the volume that the file is for, if another one was asked.
fn words(
    name: &str,
    recipe: &Recipe,
    drink: LiquidVolume,
    water: LiquidVolume,
    written: Option<LiquidVolume>,
) -> Vec<String> {
    let mut said = vec![if water.ml() > 0.0 {
        format!(
            "{name}: {:.2} L of drink, from {:.2} L of syrup and {:.2} L of water.",
            drink.litres(),
            recipe.makes.litres(),
            water.litres()
        )
    } else {
        format!("{name}: {:.2} L of drink, made straight.", drink.litres())
    }];
    for one in &recipe.ingredients {
        let grams = one.mass.grams();
        let weight = if grams < 10.0 {
            format!("{grams:.1} g")
        } else {
            format!("{grams:.0} g")
        };
        said.push(format!("  {weight} {}", one.name));
    }
    if let Some(written) = written
        && !recipe.steps.is_empty()
    {
        said.push(format!(
            "The steps are as they were written, for {:.2} L of drink:",
            written.litres()
        ));
    }
    let steps = recipe.steps.iter().zip(1..);
    said.extend(steps.map(|(step, number)| format!("{number}. {step}")));
    let allergens = recipe.allergens();
    if !allergens.is_empty() {
        said.push(format!(
            "Allergens: {}, and those of the culture.",
            allergens.join(", ")
        ));
    }
    said
}

/// "10L", "2.5 l", "750ml".
fn volume(text: &str) -> Result<LiquidVolume, String> {
    let allowed = || format!("`{text}` is no volume; allowed: above 0 to 10000 L, as 10L or 750ml");
    let lower = text.trim().to_lowercase();
    let (number, millilitres) = match (lower.strip_suffix("ml"), lower.strip_suffix('l')) {
        (Some(number), _) => (number, 1.0),
        (None, Some(number)) => (number, 1_000.0),
        (None, None) => return Err(allowed()),
    };
    let number: f64 = number.trim().parse().map_err(|_| allowed())?;
    let volume = LiquidVolume::from_ml(number * millilitres).map_err(|_| allowed())?;
    if volume.ml() > 0.0 {
        Ok(volume)
    } else {
        Err(allowed())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn volumes_are_read_with_their_unit() {
        assert!((volume("10L").unwrap().litres() - 10.0).abs() < 1e-9);
        assert!((volume("750 ml").unwrap().litres() - 0.75).abs() < 1e-9);
        for bad in ["10", "0L", "-1L", "nanL", "1e9L", "two l"] {
            assert!(volume(bad).unwrap_err().contains("as 10L or 750ml"), "{bad}");
        }
    }
}
