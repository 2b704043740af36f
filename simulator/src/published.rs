//! Kinetics of the literature in place of the simulator's own culture: further truths, each with its own idea of how CO2 comes.
//!
//! Only the production differs; bottle, gas, heat and sensors are the simulator's. All make one mole of ethanol per mole of CO2
//! and no acids.

use crate::brew::{Brew, CO2, ETHANOL, HEXOSE, SUCROSE};
use crate::gas::O2_G_PER_MOL;
use crate::quantity::Kelvin;
use crate::random::Chance;

/// Which of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Published {
    /// Zwietering, Jongenburger, Rombouts and van 't Riet 1990, Appl. Environ. Microbiol. 56, 1875: the Gompertz curve by
    /// asymptote, highest rate and lag, as the curve of the CO2 made.
    Gompertz,
    /// Baranyi and Roberts 1994, Int. J. Food Microbiol. 23, 277: adaptation and logistic growth; production after Luedeking and
    /// Piret 1959, J. Biochem. Microbiol. Technol. Eng. 1, 393.
    BaranyiRoberts,
    /// Coleman, Fish and Block 2007, Appl. Environ. Microbiol. 73, 5875: growth by Monod on nitrogen, fermentation by what lives,
    /// death by alcohol.
    Nitrogen,
}

impl Published {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Gompertz, Self::BaranyiRoberts, Self::Nitrogen];

    /// A word for it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Gompertz => "gompertz",
            Self::BaranyiRoberts => "baranyi-roberts",
            Self::Nitrogen => "nitrogen",
        }
    }

    /// Its constants for one culture. The papers' own organisms and media are not soft drinks: what is the culture's (rate, lag,
    /// inoculum) is drawn wide, what is the model's is as published.
    pub(crate) fn drawn(self, c: &mut Chance) -> Kinetics {
        match self {
            Self::Gompertz => Kinetics::Gompertz {
                made: c.between(9.0, 24.0),
                rate: c.log_normal(0.075, 0.5).clamp(0.02, 0.3),
                lag_h: c.log_normal(14.0, 0.5).clamp(2.0, 60.0),
            },
            Self::BaranyiRoberts => Kinetics::BaranyiRoberts {
                growth: c.log_normal(0.12, 0.3).clamp(0.04, 0.35),
                start: c.log_normal(0.04, 0.8).clamp(0.003, 0.5),
                adapted: c.log_normal(0.3, 1.0),
                with_growth: c.log_normal(1.2, 0.5),
                upkeep: c.log_normal(0.06, 0.5),
            },
            Self::Nitrogen => Kinetics::Nitrogen {
                start: c.log_normal(0.03, 0.7).clamp(0.003, 0.3),
                factor: c.log_normal(0.6, 0.35),
            },
        }
    }
}

/// A model with its constants: CO2 in g/L, time in h, at 20 degC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kinetics {
    /// Asymptote, highest rate and lag.
    Gompertz { made: f64, rate: f64, lag_h: f64 },
    /// Growth rate, part of the ceiling when sealed, adaptation when sealed, CO2 of all growth, CO2 of the grown culture per hour.
    BaranyiRoberts {
        growth: f64,
        start: f64,
        adapted: f64,
        with_growth: f64,
        upkeep: f64,
    },
    /// Living yeast when sealed in g/L, and a factor on its fermentation (a soft drink's mixed culture beside a wine yeast).
    Nitrogen { start: f64, factor: f64 },
}

/// Cardinal temperatures: Rosso et al. 1993 law, 1 at 20 degC. Lowest, best, highest.
fn cardinal([low, best, high]: [f64; 3], celsius: f64) -> f64 {
    let law = |t: f64| {
        if t <= low || t >= high {
            return 0.0;
        }
        (t - high) * (t - low).powi(2)
            / ((best - low) * ((best - low) * (t - best) - (best - high) * (best + low - 2.0 * t)))
    };
    law(celsius) / law(20.0)
}

/// Saccharomyces cerevisiae: Salvado et al. 2011, Appl. Environ. Microbiol. 77, 2292 (best 32.3, highest 45.4 degC; the lowest, and
/// all three from memory, not checked against the print).
const YEAST: [f64; 3] = [1.5, 32.3, 45.4];
/// A mesophilic lactic acid bacterium: Rosso et al. 1995, Appl. Environ. Microbiol. 61, 610 (order of their figures, from memory, not
/// checked against the print).
const BACTERIUM: [f64; 3] = [3.0, 33.0, 44.0];

/// Yeast per nitrogen (g/g), half-saturations of nitrogen and sugar (g/L): Coleman et al. 2007, rounded, from memory, not checked
/// against the print.
const YEAST_PER_NITROGEN: f64 = 16.0;
const HALF_NITROGEN: f64 = 0.009;
const HALF_SUGAR: f64 = 11.0;

impl Kinetics {
    /// The brew after `hours` at a steady temperature, by steps short enough for a midpoint rule to be needless.
    pub(crate) fn step(&self, brew: &Brew, t: Kelvin, hours: f64) -> Brew {
        let celsius = t.celsius();
        let mut next = *brew;
        let made = match *self {
            Self::Gompertz { made, rate, lag_h } => {
                let curve =
                    |h: f64| made * (-(rate * std::f64::consts::E / made * (lag_h - h) + 1.0).exp()).exp();
                next.age_h = brew.age_h + hours * cardinal(BACTERIUM, celsius);
                curve(next.age_h) - curve(brew.age_h)
            }
            Self::BaranyiRoberts {
                growth,
                start,
                adapted,
                with_growth,
                upkeep,
            } => {
                let warmth = cardinal(YEAST, celsius);
                next.age_h = brew.age_h + hours * warmth;
                // Closed form of 1994 for the logistic curve: A(t) = t + ln(...)/mu.
                let grown = |h: f64| {
                    let late = adapted / (1.0 + adapted);
                    let delayed = h + ((-growth * h).exp() * (1.0 - late) + late).ln() / growth;
                    let up = start * (growth * delayed).exp();
                    up / (1.0 - start + up)
                };
                let (before, after) = (grown(brew.age_h), grown(next.age_h));
                with_growth * (after - before) + upkeep * 0.5 * (before + after) * hours * warmth
            }
            Self::Nitrogen { start, factor } => {
                let alive = if brew.age_h > 0.0 { brew.yeast } else { start };
                let sugar = brew.sugar();
                // Growth, fermentation and death by temperature: their exponentials, rounded, from memory. They were fitted from 11
                // to 35 degC; colder, the yeast's cardinal law goes on from there.
                let fitted = celsius.max(11.0);
                let chilled = cardinal(YEAST, celsius.min(11.0)) / cardinal(YEAST, 11.0);
                let growth = chilled * (-3.92 + 0.0782 * fitted).exp() * brew.nitrogen
                    / (brew.nitrogen + HALF_NITROGEN);
                let ethanol =
                    factor * chilled * 0.35 * (0.08 * (fitted - 20.0)).exp() * sugar / (sugar + HALF_SUGAR);
                let death = (-9.5 + 0.1 * fitted).exp() * brew.ethanol;
                next.age_h = brew.age_h + hours;
                next.yeast = (alive + hours * (growth - death) * alive).max(0.0);
                next.nitrogen = (brew.nitrogen - hours * growth * alive / YEAST_PER_NITROGEN).max(0.0);
                hours * ethanol * alive * CO2 / ETHANOL
            }
        };
        ferment(&mut next, made.max(0.0));
        breathe(&mut next, hours * cardinal(YEAST, celsius));
        next
    }
}

/// Makes so much CO2, or what the sugar gives: hexose first, then the sucrose.
fn ferment(brew: &mut Brew, made: f64) {
    let wanted = made * HEXOSE / (2.0 * CO2);
    let mut left = wanted;
    for sugar in [&mut brew.glucose, &mut brew.fructose] {
        let taken = left.min(*sugar);
        *sugar -= taken;
        left -= taken;
    }
    let split = 2.0 * HEXOSE / SUCROSE;
    let taken = (left / split).min(brew.sucrose);
    brew.sucrose -= taken;
    left -= taken * split;
    let done = (wanted - left) / HEXOSE;
    brew.co2 += 2.0 * done * CO2;
    brew.ethanol += 2.0 * done * ETHANOL;
}

/// The oxygen goes within a day or two, whatever the model says of growth.
fn breathe(brew: &mut Brew, hours: f64) {
    let eaten = brew.oxygen * (1.0 - (-0.4 * hours).exp());
    brew.oxygen -= eaten;
    brew.co2 += eaten / O2_G_PER_MOL * CO2;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(kinetics: Kinetics, hours: u32) -> Vec<f64> {
        let mut brew = Brew {
            sucrose: 60.0,
            fructose: 10.0,
            nitrogen: 0.03,
            ..Brew::default()
        };
        let mut made = vec![0.0];
        for _ in 0..60 * hours {
            brew = kinetics.step(&brew, Kelvin::from_celsius(20.0), 1.0 / 60.0);
            made.push(brew.co2);
        }
        made
    }

    #[test]
    fn the_gompertz_curve_has_the_rate_and_lag_it_was_given() {
        let made = run(
            Kinetics::Gompertz {
                made: 12.0,
                rate: 0.1,
                lag_h: 15.0,
            },
            400,
        );
        let best = made.windows(61).map(|w| w[60] - w[0]).fold(0.0, f64::max);
        assert!((best - 0.1).abs() < 0.001, "{best}");
        // The tangent at the highest rate meets zero at the lag.
        let steepest = (0..made.len() - 60)
            .max_by(|a, b| (made[a + 60] - made[*a]).total_cmp(&(made[b + 60] - made[*b])))
            .unwrap_or(0);
        #[expect(clippy::cast_precision_loss, reason = "minutes of a test")]
        let h = (steepest + 30) as f64 / 60.0;
        // The curve does not begin at nothing: what it has when sealed is not made.
        let when_sealed = 12.0 * (-(0.1 * std::f64::consts::E / 12.0 * 15.0 + 1.0).exp()).exp();
        let lag = h - (made[steepest + 30] + when_sealed) / best;
        assert!((lag - 15.0).abs() < 0.2, "{lag}");
        assert!((made[made.len() - 1] - 12.0).abs() < 0.3);
    }

    #[test]
    fn the_adapted_culture_grows_at_its_rate() {
        let made = run(
            Kinetics::BaranyiRoberts {
                growth: 0.2,
                start: 0.001,
                adapted: 1e6,
                with_growth: 5.0,
                upkeep: 0.0,
            },
            12,
        );
        // Far below the ceiling and fully adapted: growth is exponential.
        let slope = ((made[720] - made[660]) / (made[360] - made[300])).ln() / 6.0;
        assert!((slope - 0.2).abs() < 0.005, "{slope}");
    }

    #[test]
    fn nitrogen_bounds_the_yeast_and_no_sugar_is_made() {
        let kinetics = Kinetics::Nitrogen {
            start: 0.03,
            factor: 1.0,
        };
        let made = run(kinetics, 24 * 60);
        let most = (60.0 * 2.0 * HEXOSE / SUCROSE + 10.0) * 2.0 * CO2 / HEXOSE;
        let last = made[made.len() - 1];
        assert!(last > 0.5 * most && last <= most, "{last} of {most}");
        assert!(made.windows(2).all(|w| w[1] >= w[0]));
    }
}
