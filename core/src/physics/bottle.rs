//! A closed bottle at equilibrium: from any one of gauge pressure, all its CO2, or content, the others.
//!
//! The public face of the mass balance in `headspace`; the fit works on that directly.

use super::{
    air::{SealedAir, air_share},
    headspace::{Balance, MOL_PER_M3_PER_G_PER_L, Sealed, Vessel},
    solubility::Solutes,
};
use crate::{
    batch::{Headspace, Pilot},
    quantity::{
        AbsolutePressure, Co2Volumes, GaugePressure, LiquidVolume, MassConcentration, NotAQuantity,
        PartialPressure, Share, Temperature,
    },
};

/// How the bottle was closed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sealing {
    /// What was above the drink.
    pub headspace: Headspace,
    /// Temperature of drink and headspace.
    pub temperature: Temperature,
    /// Pressure of the surrounding air.
    pub ambient: AbsolutePressure,
}

/// A closed bottle and what is dissolved in its drink besides CO2.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClosedBottle {
    vessel: Vessel,
    air: SealedAir,
    solutes: Solutes,
}

/// A closed bottle whose CO2 is at equilibrium.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Equilibrium {
    /// Pressure in the bottle above vacuum.
    pub pressure: AbsolutePressure,
    /// The share that CO2 has in it.
    pub co2: PartialPressure,
    /// The share that trapped air has in it.
    pub air: PartialPressure,
    /// The share that water vapour has in it.
    pub water: PartialPressure,
    /// Dissolved CO2 per litre of finished drink.
    pub content: Co2Volumes,
    /// All CO2, dissolved and in the headspace, per litre of drink as filled (at 20 degC, before CO2 swells it).
    pub all_co2: MassConcentration,
    /// Room above the drink.
    pub headspace: LiquidVolume,
    /// Dissolved CO2 divided by the CO2 in the headspace; dimensionless, and that of the first trace
    /// for a bottle without CO2.
    pub capacity_ratio: f64,
}

impl ClosedBottle {
    /// A bottle of this shape, closed in this way. Its fill counts at 20 degC.
    #[must_use]
    pub fn new(shape: &Pilot, sealing: &Sealing, solutes: Solutes) -> Self {
        let vessel = Vessel::of(shape);
        Self::with_vessel(vessel, sealing, solutes)
    }

    fn with_vessel(vessel: Vessel, sealing: &Sealing, solutes: Solutes) -> Self {
        let air = vessel.air_shut_in(
            sealing.temperature.kelvin(),
            sealing.ambient.pascal(),
            air_share(sealing.headspace),
        );
        Self { vessel, air, solutes }
    }

    /// The same shape and closing with `more` drink in it, never past 99 % of the brim: the worst bottle of a batch.
    #[must_use]
    pub fn overfilled(shape: &Pilot, more: LiquidVolume, sealing: &Sealing, solutes: Solutes) -> Self {
        Self::with_vessel(Vessel::of(shape).filled_by(more.cubic_metres()), sealing, solutes)
    }

    /// From a gauge. Less pressure than air and vapour alone have counts as no CO2.
    ///
    /// # Errors
    /// Gauge and ambient pressure sum to less than vacuum, or an answer lies outside its type's range.
    pub fn at_gauge(
        &self,
        gauge: GaugePressure,
        ambient: AbsolutePressure,
        temperature: Temperature,
        oxygen_eaten: Share,
    ) -> Result<Equilibrium, NotAQuantity> {
        let total = gauge.to_absolute(ambient)?;
        let sealed = self.sealed(temperature);
        let balance = sealed.at_pressure(total.pascal(), oxygen_eaten.of_one());
        Self::answer(&sealed, &balance, oxygen_eaten)
    }

    /// From all the CO2 in the bottle, per litre of drink as filled. At the fridge temperature its `content` is the
    /// content in the target's sense.
    ///
    /// # Errors
    /// An answer lies outside its type's range.
    pub fn at_all_co2(
        &self,
        all_co2: MassConcentration,
        temperature: Temperature,
        oxygen_eaten: Share,
    ) -> Result<Equilibrium, NotAQuantity> {
        let sealed = self.sealed(temperature);
        let all = all_co2.grams_per_litre() * MOL_PER_M3_PER_G_PER_L;
        let balance = sealed.at_total(all, oxygen_eaten.of_one());
        Self::answer(&sealed, &balance, oxygen_eaten)
    }

    /// From the content of the finished drink at this temperature. At the fridge temperature this is what a target
    /// asks for; its `all_co2` is what the bottle has to hold then.
    ///
    /// # Errors
    /// An answer lies outside its type's range.
    pub fn at_content(
        &self,
        content: Co2Volumes,
        temperature: Temperature,
        oxygen_eaten: Share,
    ) -> Result<Equilibrium, NotAQuantity> {
        let sealed = self.sealed(temperature);
        let all = sealed.all_at_content(content.grams_per_litre(), oxygen_eaten.of_one());
        let balance = sealed.at_total(all, oxygen_eaten.of_one());
        Self::answer(&sealed, &balance, oxygen_eaten)
    }

    fn sealed(&self, temperature: Temperature) -> Sealed {
        Sealed::new(self.vessel, self.air, temperature.kelvin(), self.solutes.factor())
    }

    fn answer(sealed: &Sealed, balance: &Balance, oxygen_eaten: Share) -> Result<Equilibrium, NotAQuantity> {
        Ok(Equilibrium {
            pressure: AbsolutePressure::from_pascal(sealed.pressure_of(balance))?,
            co2: PartialPressure::from_pascal(balance.co2)?,
            air: PartialPressure::from_pascal(balance.air)?,
            water: PartialPressure::from_pascal(sealed.vapour())?,
            content: Co2Volumes::from_grams_per_litre(sealed.content_g_per_l(balance))?,
            all_co2: MassConcentration::from_grams_per_litre(balance.all() / MOL_PER_M3_PER_G_PER_L)?,
            headspace: LiquidVolume::from_cubic_metres(sealed.headspace(balance))?,
            capacity_ratio: sealed.ratio(balance.in_gas, balance.dissolved, oxygen_eaten.of_one()),
        })
    }
}
