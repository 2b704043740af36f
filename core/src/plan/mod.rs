//! What the batch file alone tells before anything is filled: whether the sugar suffices, what sweetness remains, how the
//! pressure stands once the target is in the bottles, and which change brings it below the limit.
//!
//! [`Planner`]: closed bottles at equilibrium; no time and no culture come in. [`Prospect`]: the days, by the engine with no rows;
//! [`Backwards`] and [`Away`] ask it which change makes the move right at a moment, and what a return finds.

use crate::{
    batch::{Batch, Bottle, Drink},
    physics::{
        bottle::{ClosedBottle, Sealing},
        solubility::Solutes,
        sugar::{INVERSION, Yield, alcohol_with, as_hexose, co2_from, hexose_for},
    },
    quantity::{
        AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, LiquidVolume, MassConcentration,
        NotAQuantity, Share, Temperature,
    },
};

mod away;
mod backwards;
mod prospect;
#[cfg(test)]
mod tests;

pub use away::{Away, Taste, stays_below};
pub use backwards::{Backwards, Change, DOSES_ML_PER_L, ROOMS_C, Way};
pub use prospect::Prospect;

/// Halvings of a search: a range of 2000 g/L ends below a millionth of a gram.
const HALVINGS: u32 = 32;
/// The least that is left above the drink when headspace is asked for, as a share of the capacity; more is no bottle full.
const LEAST_FILL: f64 = 0.5;

/// What becomes of the sugar.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SugarBudget {
    /// Sugar that the culture can use, as table sugar.
    pub usable: MassConcentration,
    /// What the target takes of it, as table sugar, by Balling's yield; the gas above the drink included.
    pub taken: MassConcentration,
    /// What is missing for the target, as table sugar; zero if it suffices.
    pub missing: MassConcentration,
    /// Usable sugar left at the target, as table sugar.
    pub left: MassConcentration,
    /// What the usual yeast does not use: lactose and the like.
    pub unfermentable: MassConcentration,
}

/// Gauge pressure once the target is in the bottles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtTarget {
    /// In a bottle filled as the batch file says.
    pub plain: GaugePressure,
    /// In one filled by the spread of the filling more.
    pub fullest: GaugePressure,
}

/// Reckons with one batch at one place.
#[derive(Clone, Copy, Debug)]
pub struct Planner<'a> {
    batch: &'a Batch,
    ambient: AbsolutePressure,
    sealed_at: Temperature,
}

impl<'a> Planner<'a> {
    /// For bottles sealed in a room of `sealed_at`, in air of `ambient`.
    #[must_use]
    pub fn new(batch: &'a Batch, ambient: AbsolutePressure, sealed_at: Temperature) -> Self {
        Self {
            batch,
            ambient,
            sealed_at,
        }
    }

    /// Whether the sugar suffices for the target, and what remains. CO2 already dissolved helps; unknown counts as none.
    ///
    /// # Errors
    /// A figure lies outside the range of its type.
    pub fn sugar(&self) -> Result<SugarBudget, NotAQuantity> {
        let drink = &self.batch.drink;
        let usable = as_hexose(drink.sucrose, drink.hexose)?.grams_per_litre();
        let held = self.held(self.batch.target.co2, self.batch.bottle.fill)?;
        let already = drink.co2.map_or(0.0, Co2Volumes::grams_per_litre);
        let make = Co2Volumes::from_grams_per_litre((held.grams_per_litre() - already).max(0.0))?;
        let taken = hexose_for(make, Yield::Balling)?.grams_per_litre();
        let as_table = |hexose: f64| MassConcentration::from_grams_per_litre(hexose.max(0.0) / INVERSION);
        Ok(SugarBudget {
            usable: as_table(usable)?,
            taken: as_table(taken)?,
            missing: as_table(taken - usable)?,
            left: as_table(usable - taken)?,
            unfermentable: drink.unfermentable,
        })
    }

    /// Pressure with the target in the bottles, at `temperature`. At the move it is a little less: 72 h in the fridge add
    /// the rest.
    ///
    /// # Errors
    /// A figure lies outside the range of its type.
    pub fn at_target(&self, temperature: Temperature) -> Result<AtTarget, NotAQuantity> {
        let held = self.held(self.batch.target.co2, self.batch.bottle.fill)?;
        let fill = self.batch.bottle.fill;
        Ok(AtTarget {
            plain: self.pressure(held, fill, LiquidVolume::ZERO, temperature)?,
            fullest: self.pressure(held, fill, self.batch.bottle.fill_tolerance, temperature)?,
        })
    }

    /// Pressure with the target in the bottles of a batch, in one that was filled by the spread of the filling less.
    ///
    /// # Errors
    /// A figure lies outside the range of its type.
    pub fn at_target_filled_less(&self, temperature: Temperature) -> Result<GaugePressure, NotAQuantity> {
        let Bottle {
            fill, fill_tolerance, ..
        } = self.batch.bottle;
        let held = self.held(self.batch.target.co2, fill)?;
        let less =
            LiquidVolume::from_litres((fill.litres() - fill_tolerance.litres()).max(0.1 * fill.litres()))?;
        self.pressure(held, less, LiquidVolume::ZERO, temperature)
    }

    /// Sugar that the culture can use, as table sugar, once the content in the target's sense is this.
    ///
    /// # Errors
    /// A figure lies outside the range of its type.
    pub fn sugar_left_at(&self, content: Co2Volumes) -> Result<MassConcentration, NotAQuantity> {
        let drink = &self.batch.drink;
        let usable = as_hexose(drink.sucrose, drink.hexose)?.grams_per_litre();
        let held = self.held(content, self.batch.bottle.fill)?.grams_per_litre();
        let already = drink.co2.map_or(0.0, Co2Volumes::grams_per_litre);
        let made = Co2Volumes::from_grams_per_litre((held - already).max(0.0))?;
        let taken = hexose_for(made, Yield::Balling)?.grams_per_litre();
        MassConcentration::from_grams_per_litre((usable - taken).max(0.0) / INVERSION)
    }

    /// Alcohol in the drink once its content, in the target's sense, is this; CO2 already dissolved when sealed brought none.
    ///
    /// # Errors
    /// A figure lies outside the range of its type.
    pub fn alcohol_at(&self, content: Co2Volumes) -> Result<AlcoholByVolume, NotAQuantity> {
        let drink = &self.batch.drink;
        let held = self.held(content, self.batch.bottle.fill)?.grams_per_litre();
        let already = drink.co2.map_or(0.0, Co2Volumes::grams_per_litre);
        let made = alcohol_with(Co2Volumes::from_grams_per_litre((held - already).max(0.0))?)?;
        AlcoholByVolume::from_percent(made.percent() + drink.alcohol.map_or(0.0, AlcoholByVolume::percent))
    }

    /// The largest target with which the fullest bottle stays at or below the limit at `temperature`; `None`: not even none.
    #[must_use]
    pub fn largest_target(&self, temperature: Temperature) -> Option<Co2Volumes> {
        let fits = |volumes: f64| -> Option<bool> {
            let held = self
                .held(Co2Volumes::from_volumes(volumes).ok()?, self.batch.bottle.fill)
                .ok()?;
            self.below(held, self.batch.bottle.fill, temperature)
        };
        let volumes = highest(0.0, self.batch.target.co2.volumes(), fits)?;
        Co2Volumes::from_volumes(volumes).ok()
    }

    /// The warmest place in which the fullest bottle with the target in it stays at or below the limit, from the fridge up to
    /// `temperature`; `None`: not even in the fridge.
    #[must_use]
    pub fn warmest_place(&self, temperature: Temperature) -> Option<Temperature> {
        let held = self.held(self.batch.target.co2, self.batch.bottle.fill).ok()?;
        let fits = |celsius: f64| {
            self.below(
                held,
                self.batch.bottle.fill,
                Temperature::from_celsius(celsius).ok()?,
            )
        };
        let celsius = highest(self.batch.target.fridge.celsius(), temperature.celsius(), fits)?;
        Temperature::from_celsius(celsius).ok()
    }

    /// The most drink in each bottle with which the fullest, forgotten until all sugar is used, stays at or below the limit at
    /// `temperature`; `None`: not even half full.
    #[must_use]
    pub fn most_fill_forgotten(&self, temperature: Temperature) -> Option<LiquidVolume> {
        let all = self.all_used(1.0).ok()?;
        let brim = self.batch.bottle.capacity.litres();
        let fits = |litres: f64| self.below(all, LiquidVolume::from_litres(litres).ok()?, temperature);
        let litres = highest(LEAST_FILL * brim, self.batch.bottle.fill.litres(), fits)?;
        LiquidVolume::from_litres(litres).ok()
    }

    /// The share of the sugar, lactose too, with which the fullest bottle stays at or below the limit at `temperature` though
    /// forgotten until all of it is used, by the equation's full yield; `None`: not even without sugar.
    #[must_use]
    pub fn sugar_share_forgotten(&self, temperature: Temperature) -> Option<f64> {
        let fits = |share: f64| self.below(self.all_used(share).ok()?, self.batch.bottle.fill, temperature);
        highest(0.0, 1.0, fits)
    }

    /// All CO2 per litre once `share` of all sugar is used, and what is in it already.
    fn all_used(&self, share: f64) -> Result<MassConcentration, NotAQuantity> {
        let Drink {
            sucrose,
            hexose,
            unfermentable,
            co2,
            ..
        } = &self.batch.drink;
        let disaccharide = MassConcentration::from_grams_per_litre(
            sucrose.grams_per_litre() + unfermentable.grams_per_litre(),
        )?;
        let sugar = as_hexose(disaccharide, *hexose)?.grams_per_litre() * share;
        let made = co2_from(
            MassConcentration::from_grams_per_litre(sugar)?,
            Yield::Stoichiometric,
        )?;
        let already = co2.map_or(0.0, Co2Volumes::grams_per_litre);
        MassConcentration::from_grams_per_litre(made.grams_per_litre() + already)
    }

    /// All CO2 per litre that bottles of this fill hold with this content at the fridge temperature.
    fn held(&self, content: Co2Volumes, fill: LiquidVolume) -> Result<MassConcentration, NotAQuantity> {
        let bottle = self.closed(fill, LiquidVolume::ZERO);
        let cold = bottle.at_content(content, self.batch.target.fridge, Share::ALL)?;
        Ok(cold.all_co2)
    }

    fn pressure(
        &self,
        held: MassConcentration,
        fill: LiquidVolume,
        more: LiquidVolume,
        temperature: Temperature,
    ) -> Result<GaugePressure, NotAQuantity> {
        let there = self
            .closed(fill, more)
            .at_all_co2(held, temperature, Share::ALL)?;
        there.pressure.to_gauge(self.ambient)
    }

    /// A pressure beyond its type's range is beyond every limit.
    fn below(&self, held: MassConcentration, fill: LiquidVolume, temperature: Temperature) -> Option<bool> {
        let Bottle {
            fill_tolerance,
            pressure_limit,
            ..
        } = self.batch.bottle;
        let there = self.pressure(held, fill, fill_tolerance, temperature);
        Some(there.is_ok_and(|there| there <= pressure_limit))
    }

    /// The sugar counts as whole, which only raises the pressure.
    fn closed(&self, fill: LiquidVolume, more: LiquidVolume) -> ClosedBottle {
        let drink = &self.batch.drink;
        let solutes = Solutes {
            sucrose: drink.sucrose,
            hexose: drink.hexose,
            unfermentable: drink.unfermentable,
            alcohol: drink.alcohol.unwrap_or(AlcoholByVolume::ZERO),
        };
        let sealing = Sealing {
            headspace: self.batch.bottle.headspace,
            temperature: self.sealed_at,
            ambient: self.ambient,
        };
        let mut bottles = Batch {
            pilot: None,
            ..self.batch.clone()
        };
        bottles.bottle.fill = fill;
        ClosedBottle::overfilled(&bottles.sensor_vessel(), more, &sealing, solutes)
    }
}

/// The highest number from `low` to `high` that still fits, rising numbers fitting less; `None`: `low` does not.
fn highest(low: f64, high: f64, fits: impl Fn(f64) -> Option<bool>) -> Option<f64> {
    if fits(high)? {
        return Some(high);
    }
    if !fits(low)? {
        return None;
    }
    let (mut below, mut above) = (low, high);
    for _halving in 0..HALVINGS {
        let middle = 0.5 * (below + above);
        if fits(middle)? {
            below = middle;
        } else {
            above = middle;
        }
    }
    Some(below)
}
