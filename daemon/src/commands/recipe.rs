//! `fobwatch recipe`: what a batch is made of, scaled, and the sugar it comes to.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::{batch::BatchFile, quantity::LiquidVolume, recipe::SugarKind};
use serde::Serialize;

use super::{Ended, json, read, say};
use crate::label;

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
    #[arg(long, value_name = "VOLUME", value_parser = label::volume)]
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
        let said = label::recipe_lines(name, file.recipe.as_ref().unwrap_or(&recipe), self.to)
            .map_err(impossible)?;
        said.iter().try_for_each(|line| say(line))
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
