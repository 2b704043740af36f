//! A recipe as data: ingredients by weight, syrup and dilution or straight, steps and lot; what sugar it comes to.
//!
//! It stands as `[recipe]` in the batch file and stays with the batch's text. Pure arithmetic: what a kind of sugar holds stands, with
//! its source, in [`SugarKind`].

mod alcohol;
mod file;
mod kind;
#[cfg(test)]
mod tests;

use serde::Serialize;

pub use alcohol::alcohol;
pub use file::{Counted, Question};
pub(crate) use file::{RecipeOf, recipe};
pub use kind::{Composition, SugarKind};

use crate::{
    physics::gravity,
    quantity::{Gravity, LiquidVolume, Mass, MassConcentration, NotAQuantity},
};

/// What a drink is made of.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Recipe {
    /// What the ingredients come to before any dilution: the syrup, or the drink itself.
    pub makes: LiquidVolume,
    /// How it is diluted.
    pub dilution: Dilution,
    /// In the order of the file; at least one.
    pub ingredients: Vec<Ingredient>,
    /// What is done, in order.
    pub steps: Vec<String>,
    /// Number of this lot.
    pub lot: Option<String>,
    /// Who made it.
    pub made_by: Option<String>,
    /// Allergens beside those of the ingredients and of the culture.
    pub allergens: Vec<String>,
}

/// Parts of syrup to parts of water.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Dilution {
    /// Above 0.
    pub syrup: f64,
    /// 0 for a drink that is made straight.
    pub water: f64,
}

/// One of them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Ingredient {
    /// As the maker calls it.
    pub name: String,
    /// How much of it.
    pub mass: Mass,
    /// Which kind of sugar it is; `None`: it brings none that counts.
    pub kind: Option<SugarKind>,
    /// Nobody said so: its name does.
    pub by_its_name: bool,
    /// Sugars by its own label, grams in 100 g.
    pub label_percent: Option<f64>,
    /// Number of its lot.
    pub lot: Option<String>,
    /// Its allergens.
    pub allergens: Vec<String>,
}

/// What a drink holds before anything ferments.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Sugars {
    /// Sucrose and maltose.
    pub sucrose: MassConcentration,
    /// Glucose and fructose.
    pub hexose: MassConcentration,
    /// Lactose, dextrins, sugar alcohols: what the usual yeast leaves.
    pub unfermentable: MassConcentration,
    /// All that is dissolved and raises the gravity.
    pub solids: MassConcentration,
    /// Doubt of the fermentable part (one standard deviation), from how much the ingredients vary.
    pub doubt: MassConcentration,
}

impl Dilution {
    /// Nothing is added.
    pub const STRAIGHT: Self = Self {
        syrup: 1.0,
        water: 0.0,
    };

    /// Litres of drink from a litre of what is made.
    #[must_use]
    pub fn stretch(self) -> f64 {
        (self.syrup + self.water) / self.syrup
    }
}

impl Recipe {
    /// The drink that it comes to. Volumes are added: sugar and water shrink by less than 1 % at the strength of a drink.
    ///
    /// # Errors
    /// More than the type holds.
    pub fn drink(&self) -> Result<LiquidVolume, NotAQuantity> {
        LiquidVolume::from_litres(self.makes.litres() * self.dilution.stretch())
    }

    /// The same drink, so much of it: weights and volume scale, the dilution stays.
    ///
    /// # Errors
    /// No volume at all, or more than the types hold.
    pub fn scaled_to(&self, drink: LiquidVolume) -> Result<Self, NotAQuantity> {
        let factor = drink.litres() / self.drink()?.litres();
        let mut scaled = self.clone();
        scaled.makes = LiquidVolume::from_litres(self.makes.litres() * factor)?;
        for ingredient in &mut scaled.ingredients {
            ingredient.mass = Mass::from_grams(ingredient.mass.grams() * factor)?;
        }
        Ok(scaled)
    }

    /// What the drink holds, all ingredients dissolved and none boiled away.
    ///
    /// # Errors
    /// More than can be dissolved.
    pub fn sugars(&self) -> Result<Sugars, NotAQuantity> {
        let litres = self.drink()?.litres();
        let (mut sum, mut variance) = (Composition::NOTHING, 0.0);
        for ingredient in &self.ingredients {
            let Some(holds) = ingredient.holds() else {
                continue;
            };
            let share = 0.01 * ingredient.mass.grams() / litres;
            sum.sucrose += share * holds.sucrose;
            sum.hexose += share * holds.hexose;
            sum.unfermentable += share * holds.unfermentable;
            sum.solids += share * holds.solids;
            variance += (share * (holds.sucrose + holds.hexose) * holds.doubt).powi(2);
        }
        let of = MassConcentration::from_grams_per_litre;
        Ok(Sugars {
            sucrose: of(sum.sucrose)?,
            hexose: of(sum.hexose)?,
            unfermentable: of(sum.unfermentable)?,
            solids: of(sum.solids)?,
            doubt: of(variance.sqrt())?,
        })
    }

    /// Allergens of the recipe and its ingredients, each once, in the order of the file. The culture's come on top of them.
    ///
    /// Lactose is of milk, whoever forgets to say so: Regulation (EU) No 1169/2011, Annex II, 7 ("milk and products thereof (including
    /// lactose)").
    #[must_use]
    pub fn allergens(&self) -> Vec<String> {
        let own = self.ingredients.iter().flat_map(|one| {
            let milk = (one.kind == Some(SugarKind::Lactose)).then_some("milk");
            one.allergens.iter().map(String::as_str).chain(milk)
        });
        let mut found: Vec<String> = Vec::new();
        for allergen in own.chain(self.allergens.iter().map(String::as_str)) {
            if !found.iter().any(|known| known.eq_ignore_ascii_case(allergen)) {
                found.push(allergen.to_owned());
            }
        }
        found
    }

    /// The ingredients that count as sugar because of their names alone.
    pub(crate) fn counted_by_name(&self) -> Vec<Counted> {
        let counted = self.ingredients.iter().filter(|one| one.by_its_name);
        counted
            .filter_map(|one| {
                Some(Counted {
                    name: one.name.clone(),
                    grams: one.mass.grams(),
                    kind: one.kind?,
                })
            })
            .collect()
    }
}

impl Ingredient {
    /// Grams in 100 g of it: as its own label says, else as its kind usually has it.
    #[must_use]
    pub fn holds(&self) -> Option<Composition> {
        Some(self.kind?.composition(self.label_percent))
    }
}

impl Sugars {
    /// What ferments, weighed as glucose and fructose.
    #[must_use]
    pub fn fermentable_as_hexose_g_per_l(&self) -> f64 {
        crate::physics::sugar::as_hexose_g_per_l(
            self.sucrose.grams_per_litre(),
            self.hexose.grams_per_litre(),
        )
    }

    /// Gravity before anything ferments, from all that is dissolved, each gram counted as sucrose (ICUMSA SPS-4): glucose, fructose and
    /// sugar alcohols weigh a few per cent of their increment less.
    ///
    /// # Errors
    /// Outside the range of [`Gravity`].
    pub fn gravity(&self) -> Result<Gravity, NotAQuantity> {
        let rho = gravity::drink_kg_per_m3(self.solids.grams_per_litre(), 0.0, 0.0);
        Gravity::from_specific(rho / gravity::WATER_AT_20_C)
    }
}
