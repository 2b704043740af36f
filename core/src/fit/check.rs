//! Gauge, float and recipe beside each other: each checks the others.

use super::{Evidence, Posterior, course::Problem};
use crate::{forecast::Quantiles, quantity::GaugePressure};

/// The last hours that count.
const LATELY_H: f64 = 24.0;

/// How far what the sensors show lies from what one and the same life has them show.
///
/// A leak pulls the gauge down and leaves the float; sugar that was entered wrong shifts the float when sealed.
#[derive(Clone, Debug, PartialEq)]
pub struct Crosscheck {
    /// Gravity when sealed as the float or hydrometer has it, less what the recipe says (specific gravity, such as 0.008 for 20 g/L
    /// of sugar that nobody entered); `None` without any.
    pub recipe: Option<Quantiles<f64>>,
    /// What the gauge showed over the last 24 h, less what the likeliest life has it show; `None` if it showed nothing.
    pub gauge: Option<GaugePressure>,
    /// The same of the float, in specific gravity.
    pub gravity: Option<f64>,
}

impl Posterior {
    /// The sensors beside each other, as of the fit; `evidence` is what was fitted.
    #[must_use]
    pub fn crosscheck(&self, evidence: &Evidence) -> Crosscheck {
        let problem = Problem::new(evidence, evidence.hours(self.at).max(0.0));
        let recipe = problem.hears_gravity().then(|| {
            let mut offs: Vec<f64> = self
                .members
                .iter()
                .map(|z| problem.life(z).p.gravity_zero)
                .collect();
            offs.sort_by(f64::total_cmp);
            let at = |share: usize| offs.get(offs.len() * share / 100).copied().unwrap_or(0.0);
            Quantiles {
                p05: at(5),
                p50: at(50),
                p95: at(95),
            }
        });
        let [gauge, gravity] = problem.apart_lately(&self.best, LATELY_H);
        Crosscheck {
            recipe,
            gauge: gauge.and_then(|bar| GaugePressure::from_bar(bar.clamp(-1.2, 100.0)).ok()),
            gravity,
        }
    }
}
