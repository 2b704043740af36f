//! What is believed of any such batch before it is heard: the grey box's parameters and how they spread.
//!
//! Medians and spreads after the trade's literature (growth and temperature: Rosso 1995, Salvado 2011; Q10 of 2 to 2.7), wide on
//! purpose. Each parameter is a function of one standard normal: that is what the fit moves.

/// The grey box's parameters, in the units of its equations (g/L, h, bar, degC).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Parameters {
    /// Maintenance production of a full-grown culture at 25 degC, g/(L h).
    pub(super) maintenance: f64,
    /// Production that goes with growth, g/L for growth from nothing to the ceiling.
    pub(super) growth_yield: f64,
    /// Specific growth rate at 25 degC, 1/h.
    pub(super) growth: f64,
    /// Culture when sealed, as a share of its ceiling.
    pub(super) start: f64,
    /// Baranyi's adaptation when sealed, as its logarithm.
    pub(super) ln_adapted: f64,
    /// Second population's production when sealed, g/(L h).
    pub(super) second: f64,
    /// Its growth rate at 25 degC, 1/h.
    pub(super) second_growth: f64,
    /// Its highest production, g/(L h).
    pub(super) second_ceiling: f64,
    /// Lowest temperature of growth, degC.
    pub(super) coldest: f64,
    /// Best temperature, degC.
    pub(super) best: f64,
    /// Product that halves the rates, g/L.
    pub(super) product_inhibition: f64,
    /// Gauge pressure that halves the rates, bar.
    pub(super) pressure_inhibition: f64,
    /// CO2 when sealed, g/L.
    pub(super) co2_at_start: f64,
    /// Salting-out of sugar, L/mol.
    pub(super) salting_out: f64,
    /// Factor on the solubility.
    pub(super) henry: f64,
    /// Exchange between drink and headspace, 1/h.
    pub(super) kla: f64,
    /// Share of the oxygen that the culture can reach.
    pub(super) oxygen_share: f64,
    /// Its rate, 1/h.
    pub(super) oxygen_rate: f64,
    /// Factor on the trapped air.
    pub(super) air: f64,
    /// Offset of the liquid's thermometer, K.
    pub(super) probe: f64,
    /// Alcohol at which the culture gives up, % vol; infinite unless the batch file gives one.
    pub(super) ceiling: f64,
    /// CO2 per gram of hexose.
    pub(super) co2_per_sugar: f64,
    /// Offset of the gauge, bar.
    pub(super) zero: f64,
    /// Its gain.
    pub(super) gain: f64,
    /// Its drift, bar/K from 20 degC.
    pub(super) drift: f64,
    /// Gravity shown when sealed beyond what the recipe says.
    pub(super) gravity_zero: f64,
    /// Gravity lost per g/L of CO2 made, in 1e-3.
    pub(super) gravity_slope: f64,
}

/// How many of them move the life of the batch: each needs a run of its own in a Jacobian.
pub(super) const LIFE: usize = 22;

/// All of them; those after [`LIFE`] only enter the observation.
pub(super) const ALL: usize = 27;

/// What the batch file says of them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    /// Dose of culture, mL/L.
    pub(super) dose: Option<f64>,
    /// CO2 when sealed, g/L.
    pub(super) co2: Option<f64>,
    /// Alcohol ceiling, % vol.
    pub(super) ceiling: Option<f64>,
}

impl Parameters {
    /// Of a point in the whitened space; `z` holds at least [`ALL`] numbers.
    pub(super) fn of(z: &[f64], known: &Known) -> Self {
        let at = |index: usize| z.get(index).copied().unwrap_or(0.0).clamp(-6.0, 6.0);
        let log = |index: usize, median: f64, sd: f64| median * (sd * at(index)).exp();
        // A dose that is known tells part of the culture at the start: 25 mL/L is what the prior was made for.
        let start = known.dose.map_or(0.08, |dose| 0.08 * (dose / 25.0));
        let co2 = known
            .co2
            .map_or_else(|| log(12, 0.6, 0.8), |co2| (co2 + 0.05) * (0.15 * at(12)).exp());
        Self {
            maintenance: log(0, 0.06, 1.2),
            growth_yield: log(1, 1.5, 1.2),
            growth: log(2, 0.15, 0.45),
            start: (start * (1.2 * at(3)).exp()).min(0.9),
            ln_adapted: at(4),
            second: log(5, 0.001, 1.5),
            second_growth: log(6, 0.12, 0.4),
            second_ceiling: log(7, 0.12, 0.9),
            coldest: 3.0 + 2.0 * at(8),
            best: 31.0 + 2.0 * at(9),
            product_inhibition: log(10, 40.0, 0.7),
            pressure_inhibition: log(11, 20.0, 0.7),
            co2_at_start: co2,
            salting_out: 0.12 + 0.025 * at(13),
            henry: 1.0 + 0.01 * at(14),
            kla: log(15, 0.15, 1.0),
            oxygen_share: 1.0 / (1.0 + (-(1.9 + 0.8 * at(16))).exp()),
            oxygen_rate: log(17, 0.2, 1.0),
            air: 1.0 + 0.05 * at(18),
            probe: 0.3 * at(19),
            ceiling: known
                .ceiling
                .map_or(f64::INFINITY, |ceiling| ceiling * (0.2 * at(20)).exp()),
            co2_per_sugar: 0.46 * (0.03 * at(21)).exp(),
            zero: 0.04 * at(22),
            gain: 1.0 + 0.01 * at(23),
            drift: 0.0015 * at(24),
            gravity_zero: 0.003 * at(25),
            gravity_slope: log(26, 1.05, 0.2),
        }
    }

    /// Rosso's cardinal-temperature law, divided by its value at 25 degC; zero outside its cardinal temperatures.
    ///
    /// Rosso et al. 1993, J. Theor. Biol. 162, 447; 1995, Appl. Environ. Microbiol. 61, 610. The highest temperature stays at
    /// 44 degC: no drink that is fit for people tells it. Slow fermentation below the coldest temperature of growth goes on at
    /// a hundredth of the rate at 25 degC (a fridge slows, it does not stop).
    pub(super) fn warmth(&self, celsius: f64) -> f64 {
        const HOTTEST: f64 = 44.0;
        let law = |t: f64| {
            if t <= self.coldest || t >= HOTTEST {
                return 0.0;
            }
            let (low, best) = (self.coldest, self.best);
            let above = (t - HOTTEST) * (t - low) * (t - low);
            let below =
                (best - low) * ((best - low) * (t - best) - (best - HOTTEST) * (best + low - 2.0 * t));
            (above / below).max(0.0)
        };
        let reference = law(25.0).max(1e-3);
        let floor = if celsius < 15.0 {
            0.01 * ((celsius - 4.0) / 8.0).exp()
        } else {
            0.0
        };
        (law(celsius) / reference).max(floor)
    }
}
