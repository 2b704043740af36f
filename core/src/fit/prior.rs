//! What is believed of any such batch before it is heard: the grey box's parameters and how they spread.
//!
//! Medians and spreads after the trade's literature (growth and temperature: Rosso 1995, Salvado 2011; Q10 of 2 to 2.7), wide on
//! purpose. Each parameter is a function of one standard normal: that is what the fit moves.

pub(super) mod ceiling;

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::abreast::{Real, abreast};
use crate::culture::{COUNT, DOSE_DOUBT, DOSED, Expectation, Pool};

/// Highest temperature of growth, degC.
const HOTTEST: f64 = 44.0;

/// The grey box's parameters, in the units of its equations (g/L, h, bar, degC).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Parameters<F = f64> {
    /// Maintenance production of a full-grown culture at 25 degC, g/(L h).
    pub(super) maintenance: F,
    /// Production that goes with growth, g/L for growth from nothing to the ceiling.
    pub(super) growth_yield: F,
    /// Specific growth rate at 25 degC, 1/h.
    pub(super) growth: F,
    /// Culture when sealed, as a share of its ceiling.
    pub(super) start: F,
    /// Baranyi's adaptation when sealed, as its logarithm.
    pub(super) ln_adapted: F,
    /// Second population's production when sealed, g/(L h).
    pub(super) second: F,
    /// Its growth rate at 25 degC, 1/h.
    pub(super) second_growth: F,
    /// Its highest production, g/(L h).
    pub(super) second_ceiling: F,
    /// Lowest temperature of growth, degC.
    pub(super) coldest: F,
    /// Best temperature, degC.
    pub(super) best: F,
    /// Product that halves the rates, g/L.
    pub(super) product_inhibition: F,
    /// Gauge pressure that halves the rates, bar.
    pub(super) pressure_inhibition: F,
    /// CO2 when sealed, g/L.
    pub(super) co2_at_start: F,
    /// Salting-out of sugar, L/mol.
    pub(super) salting_out: F,
    /// Factor on the solubility.
    pub(super) henry: F,
    /// Exchange between drink and headspace, 1/h.
    pub(super) kla: F,
    /// Share of the oxygen that the culture can reach.
    pub(super) oxygen_share: F,
    /// Its rate, 1/h.
    pub(super) oxygen_rate: F,
    /// Factor on the trapped air.
    pub(super) air: F,
    /// Offset of the liquid's thermometer, K.
    pub(super) probe: F,
    /// Alcohol at which the culture gives up, % vol.
    pub(super) ceiling: F,
    /// CO2 per gram of hexose.
    pub(super) co2_per_sugar: F,
    /// Factor on the gas space of the sensor vessel: bottles are not filled alike.
    pub(super) gas_space: F,
    /// What a plastic sensor vessel grows under pressure, 1/bar.
    pub(super) stretch: F,
    /// CO2 that its wall lets through, mol/(L h bar).
    pub(super) seepage: F,
    /// How far the labelled bottle is from the sensor vessel, in standard deviations: see [`Parameters::in_batch`].
    pub(super) apart: F,
    /// Time constant with which a bottle follows the fridge, h: walls, a fan and a full shelf.
    pub(super) cools_h: F,
    /// Production at 4 degC beside that at 25 degC, apart from the temperature law.
    pub(super) cold: F,
    /// Offset of the gauge, bar.
    pub(super) zero: F,
    /// Its gain.
    pub(super) gain: F,
    /// Its drift, bar/K from 20 degC.
    pub(super) drift: F,
    /// Gravity shown when sealed beyond what the recipe says.
    pub(super) gravity_zero: F,
    /// Gravity lost per g/L of CO2 made, in 1e-3.
    pub(super) gravity_slope: F,
    /// One over the value of law and slow part at 25 degC.
    per_warmth_at_25: F,
}

abreast!(Parameters {
    maintenance,
    growth_yield,
    growth,
    start,
    ln_adapted,
    second,
    second_growth,
    second_ceiling,
    coldest,
    best,
    product_inhibition,
    pressure_inhibition,
    co2_at_start,
    salting_out,
    henry,
    kla,
    oxygen_share,
    oxygen_rate,
    air,
    probe,
    ceiling,
    co2_per_sugar,
    gas_space,
    stretch,
    seepage,
    apart,
    cools_h,
    cold,
    zero,
    gain,
    drift,
    gravity_zero,
    gravity_slope,
    per_warmth_at_25,
});

/// The CO2 when sealed.
pub(super) const CO2: usize = 12;

/// How many of them move the life of the batch: each needs a run of its own in a Jacobian.
pub(super) const LIFE: usize = 28;

/// All of them; those after [`LIFE`] only enter the observation.
pub(super) const ALL: usize = 33;

/// Places of the alcohol ceiling, and of those that tell nothing of some batches: the plastic wall (two), how the bottles differ from the
/// sensor vessel, how the fridge cools, the gauge (three), the gravity (two).
pub(super) const CEILING: usize = 20;
/// Of the CO2 that the sugar gives, and of the gas space.
pub(super) const YIELD: usize = 21;
pub(super) const GAS_SPACE: usize = 22;
pub(super) const WALL: std::ops::Range<usize> = 23..25;
pub(super) const SHARE: usize = 25;
pub(super) const COOLING: usize = 26;
pub(super) const GAUGE: std::ops::Range<usize> = 28..31;
pub(super) const GRAVITY: std::ops::Range<usize> = 31..33;

/// Places of the culture's own traits, in the order of [`crate::culture::TRAITS`].
pub(super) const TRAITS: [usize; COUNT] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, CEILING, 27];

/// What usual cultures, or a culture's earlier batches, make of its traits: affine in the whitened space, so that the fit still moves standard normals.
#[derive(Clone, Copy, Debug)]
pub(super) struct Taught {
    mean: [f64; COUNT],
    /// Lower triangle.
    factor: [[f64; COUNT]; COUNT],
}

impl Taught {
    /// Of an expectation for a batch with that dose (mL/L); `None` if it is no distribution.
    pub(super) fn new(expectation: &Expectation, dose: Option<f64>) -> Option<Self> {
        let pool = pool();
        let mut covariance = DMatrix::from_fn(COUNT, COUNT, |i, j| {
            let row = expectation.covariance.get(i);
            row.and_then(|row| row.get(j)).copied().unwrap_or(f64::NAN) / (pool.sd[i] * pool.sd[j])
        });
        let mut mean = [0.0; COUNT];
        for (i, mean) in mean.iter_mut().enumerate() {
            *mean = (expectation.mean.get(i)? - pool.mean[i]) / pool.sd[i];
        }
        match dose {
            // The share at the start has its dose already.
            Some(dose) => mean[DOSED[1]] += (dose / USUAL_DOSE).ln() / pool.sd[DOSED[1]],
            None => {
                for i in DOSED {
                    covariance[(i, i)] += (DOSE_DOUBT / pool.sd[i]).powi(2);
                }
            }
        }
        let root = Cholesky::new(covariance)?.l();
        let mut factor = [[0.0; COUNT]; COUNT];
        for (i, row) in factor.iter_mut().enumerate() {
            for (j, entry) in row.iter_mut().enumerate().take(i + 1) {
                *entry = root[(i, j)];
            }
        }
        Some(Self { mean, factor })
    }

    /// What usual cultures are like.
    pub(super) fn usual(dose: Option<f64>) -> Option<Self> {
        Expectation::usual(&pool()).and_then(|expectation| Self::new(&expectation, dose))
    }

    /// Mean and lower triangle of the map from the place of a point in the traits to the whitened space of the pool; a ceiling that is given is its own.
    pub(super) fn affine(&self, ceiling_given: bool) -> (DVector<f64>, DMatrix<f64>) {
        let mut mean = DVector::from_column_slice(&self.mean);
        let mut root = DMatrix::from_fn(COUNT, COUNT, |i, j| self.factor[i][j]);
        if let Some(i) = TRAITS.iter().position(|place| ceiling_given && *place == CEILING) {
            mean[i] = 0.0;
            root.row_mut(i).fill(0.0);
            root[(i, i)] = 1.0;
        }
        (mean, root)
    }

    /// The traits at a point, in the whitened space of the pool.
    fn at(&self, z: &[f64]) -> [f64; COUNT] {
        let mut out = self.mean;
        for (out, row) in out.iter_mut().zip(&self.factor) {
            for (factor, place) in row.iter().zip(TRAITS) {
                *out += factor * z.get(place).copied().unwrap_or(0.0);
            }
        }
        out
    }
}

/// What is believed of any culture by the literature alone.
pub(super) fn pool() -> Pool {
    Known::default().pool()
}

impl Known {
    /// What is believed of the traits of any culture in such a batch by the literature alone.
    pub(super) fn pool(&self) -> Pool {
        let untaught = Self {
            taught: None,
            ..*self
        };
        // A hundredth of a deviation: no trait meets a bound of the model.
        let at = |value: f64| Parameters::of(&[value; ALL], &untaught).traits(self.dose);
        let (mean, above) = (at(0.0), at(0.01));
        let mut sd = above;
        sd.iter_mut()
            .zip(mean)
            .for_each(|(sd, mean)| *sd = (*sd - mean) * 100.0);
        Pool { mean, sd }
    }
}

/// Dose that the prior was made for, mL/L.
pub(super) const USUAL_DOSE: f64 = 25.0;

/// What the batch file says of them.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Known {
    /// What usual cultures or the culture's earlier batches taught; `None`: the wide beliefs of the literature alone.
    pub(super) taught: Option<Taught>,
    /// Dose of culture, mL/L.
    pub(super) dose: Option<f64>,
    /// CO2 when sealed, g/L.
    pub(super) co2: Option<f64>,
    /// Alcohol ceiling, % vol.
    pub(super) ceiling: Option<f64>,
    /// Doubt of the drink's temperature as the climate has it, K.
    pub(super) celsius_doubt: f64,
    /// Doubt of the sensor vessel's gas space, as a share of it.
    pub(super) gas_space_doubt: f64,
    /// The sensor vessel is of plastic.
    pub(super) plastic: bool,
    /// How slowly a bottle of the batch cools beside one of half a litre: content by surface.
    pub(super) follows: f64,
}

impl Parameters {
    /// Of a point in the whitened space; `z` holds at least [`ALL`] numbers.
    pub(super) fn of(z: &[f64], known: &Known) -> Self {
        let taught = known.taught.as_ref().map(|taught| taught.at(z));
        let at = |index: usize| {
            // A ceiling from the batch file is its own.
            let place = TRAITS
                .iter()
                .position(|place| *place == index && (index != CEILING || known.ceiling.is_none()));
            let of_culture = taught.zip(place).map(|(taught, place)| taught[place]);
            let own = || z.get(index).copied().unwrap_or(0.0);
            of_culture.unwrap_or_else(own).clamp(-6.0, 6.0)
        };
        let log = |index: usize, median: f64, sd: f64| median * (sd * at(index)).exp();
        // A dose that is known tells part of the culture at the start: 25 mL/L is what the prior was made for.
        let start = known.dose.map_or(0.02, |dose| 0.02 * (dose / USUAL_DOSE));
        let co2 = known.co2.map_or_else(
            // Most are still when they are bottled, boiled a day before, and some work already: nothing in three of four, one in
            // twenty above 0.6 volumes. The edge is steep, so that a gauge whose zero is off is not read as a little gas.
            || 0.6 * (6.0 * at(CO2) - 8.0).exp().ln_1p(),
            |co2| (co2 + 0.01) * (0.15 * at(CO2)).exp(),
        );
        let parameters = Self {
            maintenance: log(0, 0.08, 1.2),
            growth_yield: log(1, 1.5, 1.2),
            growth: log(2, 0.15, 0.45),
            start: (start * (1.2 * at(3)).exp()).min(0.9),
            ln_adapted: -1.5 + 1.3 * at(4),
            second: log(5, 0.0003, 1.5),
            second_growth: log(6, 0.12, 0.4),
            second_ceiling: log(7, 0.05, 1.0),
            coldest: 2.0 + 2.0 * at(8),
            best: 31.0 + 2.0 * at(9),
            product_inhibition: log(10, 40.0, 0.7),
            pressure_inhibition: log(11, 20.0, 0.7),
            co2_at_start: co2,
            salting_out: 0.12 + 0.025 * at(13),
            henry: 1.0 + 0.01 * at(14),
            kla: log(15, 0.15, 1.0),
            // Yeasts leave next to none (common practice, no source).
            oxygen_share: 1.0 / (1.0 + (-(2.9 + 0.8 * at(16))).exp()),
            oxygen_rate: log(17, 0.2, 1.0),
            air: 1.0 + 0.03 * at(18),
            probe: known.celsius_doubt * at(19),
            ceiling: known.ceiling.map_or_else(
                || ceiling::at(at(CEILING)),
                |ceiling| ceiling * (0.2 * at(CEILING)).exp(),
            ),
            co2_per_sugar: 0.46 * (0.03 * at(YIELD)).exp(),
            gas_space: (1.0 + known.gas_space_doubt * at(GAS_SPACE)).max(0.2),
            // PET grows by 1 to 2 % at 4 bar, and half a litre loses some 1.5 % of its CO2 in a week (common practice, no source).
            stretch: if known.plastic { log(23, 0.003, 0.4) } else { 0.0 },
            seepage: if known.plastic { log(24, 4e-6, 0.5) } else { 0.0 },
            // Bottles stand a few tenths of a degree apart and get their culture by the spoon.
            apart: at(SHARE),
            cools_h: log(COOLING, 2.7 * known.follows, 0.3),
            // With what the law leaves there a fortieth in all.
            cold: log(27, 0.01, 0.8),
            zero: 0.04 * at(28),
            gain: 1.0 + 0.01 * at(29),
            drift: 0.0015 * at(30),
            // Recipe and sensor agree within a point as a rule; a recipe that leaves out the fruit may be a dozen points off.
            gravity_zero: 0.000_7 * (1.1 * at(31)).sinh(),
            // Balling's 2.0665 g of extract and 1 g of ethanol to 0.9565 g of CO2, at 0.385 and -0.18 g a gram.
            gravity_slope: log(32, 1.02, 0.07),
            per_warmth_at_25: 1.0,
        };
        Self {
            per_warmth_at_25: 1.0
                / (parameters.law(25.0).max(1e-3) + parameters.cold * (21.0_f64 * 0.125).exp()),
            ..parameters
        }
    }

    /// The data have told that the culture gives up early.
    pub(super) fn gives_up_early(&self) -> bool {
        ceiling::is_told(self.ceiling)
    }

    /// The culture's traits as [`crate::culture::TRAITS`] has them, at a dose of 25 mL/L; `dose`: that of this batch, mL/L.
    pub(super) fn traits(&self, dose: Option<f64>) -> [f64; COUNT] {
        let dosed = dose.map_or(0.0, |dose| (dose / USUAL_DOSE).ln());
        [
            self.maintenance.ln(),
            self.growth_yield.ln(),
            self.growth.ln(),
            self.start.ln() - dosed,
            self.ln_adapted,
            self.second.ln() - dosed,
            self.second_growth.ln(),
            self.second_ceiling.ln(),
            self.coldest,
            self.best,
            self.product_inhibition.ln(),
            self.pressure_inhibition.ln(),
            ceiling::trait_of(self.ceiling),
            self.cold.ln(),
        ]
    }
}

impl<F: Real> Parameters<F> {
    #[inline(always)]
    fn law(&self, t: F) -> F {
        let (low, best) = (self.coldest, self.best);
        let out = t.holds(low, |t, low| t <= low || t >= HOTTEST);
        let above = (t - HOTTEST) * (t - low) * (t - low);
        let below = (best - low) * ((best - low) * (t - best) - (best - HOTTEST) * (best + low - t * 2.0));
        F::pick(out, F::of(0.0), (above / below).no_less(0.0))
    }

    /// CO2 made in the labelled bottle when the sensor vessel made so much, g/L.
    ///
    /// While a culture grows, a spoon more of it or half a degree is some 6 % more; once it has grown less than 3 % are left. The figures
    /// are those of drawn batches (tuning seeds) whose doses differ by 5 % and whose places by 0.3 K: common practice, no source.
    #[inline(always)]
    pub(super) fn in_batch(&self, made: F) -> F {
        let grown = made * (1.0 / 2.4);
        made * (self.apart * (F::of(0.043) / (grown * grown + 1.0) + 0.022) + 1.0)
    }

    /// Rosso's cardinal-temperature law with a slow part that goes on in the cold, divided by its value at 25 degC.
    ///
    /// Rosso et al. 1993, J. Theor. Biol. 162, 447; 1995, Appl. Environ. Microbiol. 61, 610. The highest temperature stays at
    /// 44 degC: no drink that is fit for people tells it. Below 10 degC fermentation is very slow, not nil (Univ. California
    /// Bulletin 827): a fridge slows, it does not stop. How slow nobody knows beforehand: a hundredth, give or take a factor of two,
    /// and rising e-fold in 8 K.
    #[inline(always)]
    pub(super) fn warmth(&self, celsius: F) -> F {
        let bearable = celsius.holds(F::of(HOTTEST), |celsius, hottest| celsius < hottest);
        let slow = self.cold * ((celsius - 4.0) * 0.125).e_to();
        let slow = F::pick(bearable, slow, F::of(0.0));
        (self.law(celsius) + slow) * self.per_warmth_at_25
    }
}
