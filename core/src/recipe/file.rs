//! `[recipe]` of a batch file, and whether it agrees with the sugar entered under `[drink]`.

use std::fmt;

use super::{Dilution, Ingredient, Recipe, SugarKind, Sugars};
use crate::{
    batch::Drink,
    document::Section,
    physics::sugar::as_hexose_g_per_l,
    quantity::{LiquidVolume, Mass, MassConcentration},
};

/// Where the sugar is to be taken from if recipe and entry differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SugarFrom {
    /// As entered: measured, say.
    Drink,
    /// As the recipe comes to.
    Recipe,
}

/// A recipe as it stands in a file.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct RecipeOf {
    /// The recipe.
    pub recipe: Recipe,
    /// What it comes to.
    pub sugars: Sugars,
    pub(crate) sugar_from: Option<SugarFrom>,
}

/// The recipe and `[drink]` differ in the sugar that ferments, and nobody said which is right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// As entered, weighed as glucose and fructose.
    pub entered: MassConcentration,
    /// As the recipe comes to, likewise.
    pub by_recipe: MassConcentration,
}

impl fmt::Display for Question {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (entered, recipe) = (self.entered.grams_per_litre(), self.by_recipe.grams_per_litre());
        write!(
            f,
            "how much sugar is in the drink? `[drink]` says {entered:.0} g/L that ferment (as glucose and fructose), `[recipe]` comes to \
             {recipe:.0} g/L. Until `recipe.sugar_from = \"drink\"` or `\"recipe\"` says which is right, the larger counts"
        )
    }
}

/// An ingredient without a `kind`, which counts as what its name says.
#[derive(Clone, Debug, PartialEq)]
pub struct Counted {
    /// As the file has it.
    pub name: String,
    /// How much of it.
    pub grams: f64,
    /// As what it counts.
    pub kind: SugarKind,
}

impl fmt::Display for Counted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let share = self.kind.composition(None);
        let sugars = share.sucrose + share.hexose;
        write!(
            f,
            "{:.0} g of `{}` count as {}, {sugars:.0} g of sugars that ferment in 100 g, since its name says so: say its `kind`, or `kind = \"none\"` if it \
             brings no sugar",
            self.grams,
            crate::plain::line(&self.name, 80),
            self.kind,
        )
    }
}

const TEXT_ALLOWED: &str = "a text of 1 to 200 characters";
const STEP_ALLOWED: &str = "texts of 1 to 1000 characters";
/// Most entries of a list.
const MOST: usize = 200;

fn text(most: usize) -> impl Fn(&str) -> Option<String> {
    move |text| {
        let text = text.trim();
        let fits = (1..=most).contains(&text.chars().count());
        (fits && !text.chars().any(char::is_control)).then(|| text.to_owned())
    }
}

/// Reads `[recipe]`; every problem of it is told.
pub(crate) fn recipe(recipe: &mut Section<'_, '_>) -> Option<RecipeOf> {
    const MAKES: &str = "above 0 to 1000000 mL: what the ingredients come to before any dilution";
    recipe.require("makes_ml", MAKES);
    recipe.require("ingredients", "at least one [[recipe.ingredients]]");
    let makes = recipe
        .number("makes_ml", MAKES, |ml| ml > 0.0 && ml <= 1.0e6)
        .and_then(|ml| LiquidVolume::from_ml(ml).ok());
    let dilution = recipe.text(
        "dilution",
        "straight, or parts of syrup to parts of water, as \"1:3\"",
        dilution,
    );
    let mut written = 0;
    let ingredients = recipe.sections("ingredients", |section, _| {
        written += 1;
        ingredient(section)
    });
    let steps = recipe
        .texts("steps", STEP_ALLOWED, text(1_000))
        .unwrap_or_default();
    let lot = recipe.text("lot", TEXT_ALLOWED, text(200));
    let made_by = recipe.text("made_by", TEXT_ALLOWED, text(200));
    let allergens = allergens(recipe);
    let sugar_from = recipe.text("sugar_from", "drink or recipe", |text| match text {
        "drink" => Some(SugarFrom::Drink),
        "recipe" => Some(SugarFrom::Recipe),
        _ => None,
    });
    if ingredients.len() > MOST || steps.len() > MOST {
        recipe.refuse_entry("ingredients", "at most 200, and at most 200 steps");
        return None;
    }
    let recipe_of = Recipe {
        makes: makes?,
        dilution: dilution.unwrap_or(Dilution::STRAIGHT),
        ingredients,
        steps,
        lot,
        made_by,
        allergens,
    };
    // Of an ingredient that was refused nothing is known, so neither is the sum.
    if recipe_of.ingredients.is_empty() || recipe_of.ingredients.len() < written {
        return None;
    }
    match recipe_of.sugars() {
        Ok(sugars) if sugars.solids.grams_per_litre() <= 900.0 => Some(RecipeOf {
            recipe: recipe_of,
            sugars,
            sugar_from,
        }),
        _ => {
            recipe.refuse_entry(
                "makes_ml",
                "a volume in which the ingredients can be dissolved: they come to more than 900 g/L",
            );
            None
        }
    }
}

fn ingredient(one: &mut Section<'_, '_>) -> Option<Ingredient> {
    const GRAMS: &str = "above 0 to 1000000 g";
    one.require("name", TEXT_ALLOWED);
    one.require("grams", GRAMS);
    let name = one.text("name", TEXT_ALLOWED, text(200));
    let grams = one.number("grams", GRAMS, |grams| grams > 0.0 && grams <= 1.0e6);
    let kind = one.text(
        "kind",
        &format!(
            "a kind of sugar, where it is one: {}, or none",
            SugarKind::allowed()
        ),
        |text| match text {
            "none" => Some(None),
            text => text.parse::<SugarKind>().ok().map(Some),
        },
    );
    let by_its_name = !one.has("kind");
    let kind = match (&name, by_its_name) {
        (Some(name), true) => SugarKind::by_name(name),
        _ => kind.flatten(),
    };
    let (lot, allergens) = (one.text("lot", TEXT_ALLOWED, text(200)), allergens(one));
    let percent = one.number(
        "sugar_percent",
        "0 to 100 g of sugars in 100 g, as its label says",
        |percent| (0.0..=100.0).contains(&percent),
    );
    if kind.is_some_and(SugarKind::needs_a_label) && !by_its_name && !one.has("sugar_percent") {
        one.require(
            "sugar_percent",
            "the sugars of its label in 100 g: this kind varies too much to guess",
        );
        return None;
    }
    if kind.is_none() && percent.is_some() && by_its_name {
        one.refuse_entry(
            "sugar_percent",
            "only with a `kind`: `juice` for fruit and the like, `syrup` for sucrose",
        );
        return None;
    }
    Some(Ingredient {
        name: name?,
        mass: Mass::from_grams(grams?).ok()?,
        kind,
        by_its_name: by_its_name && kind.is_some(),
        label_percent: percent,
        lot,
        allergens,
    })
}

fn allergens(section: &mut Section<'_, '_>) -> Vec<String> {
    let found = section.texts("allergens", "a list of texts of 1 to 80 characters", text(80));
    found.unwrap_or_default()
}

fn dilution(text: &str) -> Option<Dilution> {
    if text == "straight" {
        return Some(Dilution::STRAIGHT);
    }
    let (syrup, water) = text.split_once(':')?;
    let parts = |text: &str| {
        let parts: f64 = text.trim().parse().ok()?;
        (parts.is_finite() && (0.0..=1_000.0).contains(&parts)).then_some(parts)
    };
    let (syrup, water) = (parts(syrup)?, parts(water)?);
    (syrup >= 0.001).then_some(Dilution { syrup, water })
}

/// Apart by less than this nobody is asked, g/L and share.
const LEAST_APART: f64 = 2.0;
const LEAST_SHARE: f64 = 0.05;

impl RecipeOf {
    /// Puts the recipe's sugars into `drink` where nobody entered any, or where they are to count; `entered`: whether somebody
    /// entered fermentable sugar, and unfermentable. Answers with what has to be asked.
    pub(crate) fn settle(&self, drink: &mut Drink, entered: [bool; 2]) -> Option<Question> {
        if !entered[1] {
            drink.unfermentable = self.sugars.unfermentable;
        }
        let by_entry = as_hexose_g_per_l(drink.sucrose.grams_per_litre(), drink.hexose.grams_per_litre());
        let by_recipe = self.sugars.fermentable_as_hexose_g_per_l();
        let doubt = 2.0 * self.sugars.doubt.grams_per_litre();
        let apart = (by_entry - by_recipe).abs() > LEAST_APART.max(LEAST_SHARE * by_recipe).max(doubt);
        let take_recipe = match (entered[0], self.sugar_from) {
            (false, _) | (true, Some(SugarFrom::Recipe)) => true,
            (true, Some(SugarFrom::Drink)) => false,
            (true, None) => apart && by_recipe > by_entry,
        };
        if take_recipe {
            drink.sucrose = self.sugars.sucrose;
            drink.hexose = self.sugars.hexose;
        }
        if !entered[0] || !apart || self.sugar_from.is_some() {
            return None;
        }
        Some(Question {
            entered: MassConcentration::from_grams_per_litre(by_entry).ok()?,
            by_recipe: MassConcentration::from_grams_per_litre(by_recipe).ok()?,
        })
    }
}
