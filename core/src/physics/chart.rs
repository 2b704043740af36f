//! What depends on the temperature alone, as a chart to read from: a fit asks for it millions of times.

use crate::abreast::Real;

use super::{air, carbon_dioxide, liquid, molar::GAS_CONSTANT, water};

/// Coldest temperature of a chart, K, its step, K, and how many steps it has: -8 to 52 degC.
const COLDEST_K: f64 = 265.15;
const STEP_K: f64 = 0.1;
const STEPS: u32 = 600;

/// Drink and gas at one temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Warmed<F = f64> {
    /// Solubility of CO2 in water at one atmosphere, mol/(L atm).
    pub(super) solubility: F,
    /// `B/(R T)` of CO2 in 1/Pa.
    pub(super) b_over_rt: F,
    /// Vapour pressure of water, Pa.
    pub(super) vapour: F,
    /// Volume of the drink over that at 20 degC.
    pub(super) expansion: F,
    /// Solubility of nitrogen, mol/(m3 Pa).
    pub(super) nitrogen: F,
}

impl Warmed {
    /// By the formulas.
    pub(super) fn at(t_k: f64) -> Self {
        Self {
            solubility: carbon_dioxide::weiss_mol_per_l_atm(t_k),
            b_over_rt: carbon_dioxide::virial_m3_per_mol(t_k) / (GAS_CONSTANT * t_k),
            vapour: water::vapour_pa(t_k),
            expansion: liquid::expansion(t_k),
            nitrogen: air::nitrogen_mol_per_m3_pa(t_k),
        }
    }

    #[inline(always)]
    fn figures(&self) -> [f64; 5] {
        let Self {
            solubility,
            b_over_rt,
            vapour,
            expansion,
            nitrogen,
        } = *self;
        [solubility, b_over_rt, vapour, expansion, nitrogen]
    }
}

/// The formulas at every tenth of a degree; between them a straight line, off by less than 2e-6 of the value.
#[derive(Clone, Debug)]
pub(crate) struct Chart {
    rows: Vec<Warmed>,
}

impl Chart {
    pub(crate) fn new() -> Self {
        Self {
            rows: (0..=STEPS)
                .map(|step| Warmed::at(COLDEST_K + STEP_K * f64::from(step)))
                .collect(),
        }
    }

    /// At `t_k`; outside the chart by the formulas.
    #[inline(always)]
    pub(crate) fn at<F: Real>(&self, t_k: F) -> Warmed<F> {
        let [solubility, b_over_rt, vapour, expansion, nitrogen] = t_k.read(|t_k| self.figures_at(t_k));
        Warmed {
            solubility,
            b_over_rt,
            vapour,
            expansion,
            nitrogen,
        }
    }

    #[inline(always)]
    fn figures_at(&self, t_k: f64) -> [f64; 5] {
        let place = (t_k - COLDEST_K) * (1.0 / STEP_K);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "checked against the ends of the chart"
        )]
        let whole = if place >= 0.0 { place as u32 } else { u32::MAX };
        let index = whole as usize;
        let (Some(low), Some(high)) = (self.rows.get(index), self.rows.get(index.saturating_add(1))) else {
            return Warmed::at(t_k).figures();
        };
        let part = place - f64::from(whole);
        let between = |low: f64, high: f64| low + (high - low) * part;
        let (low, high) = (low.figures(), high.figures());
        std::array::from_fn(|figure| between(low[figure], high[figure]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chart_reads_as_the_formulas() {
        let chart = Chart::new();
        for t_k in [
            200.0, 265.149, 265.15, 277.1234, 293.15, 301.049_9, 325.149_9, 325.16, 400.0,
        ] {
            let (read, known) = (chart.at(t_k), Warmed::at(t_k));
            for (read, known) in [
                (read.solubility, known.solubility),
                (read.b_over_rt, known.b_over_rt),
                (read.vapour, known.vapour),
                (read.expansion, known.expansion),
                (read.nitrogen, known.nitrogen),
            ] {
                assert!((read / known - 1.0).abs() < 2e-5, "{t_k}: {read} {known}");
            }
        }
    }
}
