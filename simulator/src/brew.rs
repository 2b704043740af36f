//! What is in a litre of the drink: grams per litre.

/// Molar masses in g/mol (IUPAC abridged atomic weights).
pub(crate) const HEXOSE: f64 = 180.156;
pub(crate) const SUCROSE: f64 = 342.297;
pub(crate) const ETHANOL: f64 = 46.069;
pub(crate) const CO2: f64 = 44.009;
pub(crate) const LACTIC: f64 = 90.078;
pub(crate) const ACETIC: f64 = 60.052;
pub(crate) const MANNITOL: f64 = 182.172;
/// Grams of carbon in a gram of biomass CH1.8 O0.5 N0.2, 24.63 g per C-mol.
pub(crate) const BIOMASS_CARBON: f64 = 12.011 / 24.63;
/// Grams of ethanol in a litre at one percent by volume (789.24 kg/m3, OIML R 22).
pub(crate) const ETHANOL_G_PER_L_PER_PERCENT: f64 = 7.8924;

/// What is in a litre of the drink.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Brew {
    pub(crate) sucrose: f64,
    pub(crate) glucose: f64,
    pub(crate) fructose: f64,
    pub(crate) lactose: f64,
    pub(crate) ethanol: f64,
    pub(crate) lactic: f64,
    pub(crate) acetic: f64,
    pub(crate) mannitol: f64,
    /// Yeast that still wakes: two stages one after the other.
    pub(crate) asleep: f64,
    pub(crate) waking: f64,
    pub(crate) yeast: f64,
    pub(crate) spent: f64,
    pub(crate) bacteria: f64,
    /// Transport enzymes of the bacteria as a part of their full amount.
    pub(crate) enzyme: f64,
    /// Assimilable nitrogen.
    pub(crate) nitrogen: f64,
    /// Dissolved CO2.
    pub(crate) co2: f64,
    /// Dissolved oxygen.
    pub(crate) oxygen: f64,
    /// Hours since the sealing as a published model counts them; the simulator's own culture does without.
    pub(crate) age_h: f64,
}

impl Brew {
    /// Moved along `rate` for `hours`; no amount falls below nothing.
    pub(crate) fn along(&self, rate: &Self, hours: f64) -> Self {
        let go = |amount: f64, slope: f64| slope.mul_add(hours, amount).max(0.0);
        Self {
            sucrose: go(self.sucrose, rate.sucrose),
            glucose: go(self.glucose, rate.glucose),
            fructose: go(self.fructose, rate.fructose),
            lactose: go(self.lactose, rate.lactose),
            ethanol: go(self.ethanol, rate.ethanol),
            lactic: go(self.lactic, rate.lactic),
            acetic: go(self.acetic, rate.acetic),
            mannitol: go(self.mannitol, rate.mannitol),
            asleep: go(self.asleep, rate.asleep),
            waking: go(self.waking, rate.waking),
            yeast: go(self.yeast, rate.yeast),
            spent: go(self.spent, rate.spent),
            bacteria: go(self.bacteria, rate.bacteria),
            enzyme: go(self.enzyme, rate.enzyme),
            nitrogen: go(self.nitrogen, rate.nitrogen),
            co2: go(self.co2, rate.co2),
            oxygen: go(self.oxygen, rate.oxygen),
            age_h: self.age_h,
        }
    }

    /// All sugar that is left, lactose included.
    pub(crate) fn sugar(&self) -> f64 {
        self.sucrose + self.glucose + self.fructose + self.lactose
    }

    pub(crate) fn abv_percent(&self) -> f64 {
        self.ethanol / ETHANOL_G_PER_L_PER_PERCENT
    }

    /// Grams of carbon per litre in everything but the headspace.
    #[cfg(test)]
    pub(crate) fn carbon(&self) -> f64 {
        let c = 12.011;
        let cells = self.asleep + self.waking + self.yeast + self.spent + self.bacteria;
        c * (12.0 * (self.sucrose + self.lactose) / SUCROSE
            + 6.0 * (self.glucose + self.fructose) / HEXOSE
            + 2.0 * self.ethanol / ETHANOL
            + 3.0 * self.lactic / LACTIC
            + 2.0 * self.acetic / ACETIC
            + 6.0 * self.mannitol / MANNITOL
            + self.co2 / CO2)
            + cells * BIOMASS_CARBON
    }

    /// Density of the drink at 20 degC less that of water, kg/m3: apparent increments per g/L, sugars
    /// 0.385 (ICUMSA and handbook solutions of 10 %), ethanol -0.189 (OIML R 22 near 1 %), the acids and
    /// mannitol from memory.
    pub(crate) fn excess_density(&self) -> f64 {
        0.385 * (self.sucrose + self.glucose + self.fructose + self.lactose) - 0.189 * self.ethanol
            + 0.23 * self.lactic
            + 0.14 * self.acetic
            + 0.36 * self.mannitol
    }
}
