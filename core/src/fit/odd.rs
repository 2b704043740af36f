//! Entries of the batch file that the readings speak against: the posterior sits far out in the prior that they made.

use super::{
    Posterior,
    evidence::Evidence,
    prior::{GAS_SPACE, YIELD},
};
use crate::forecast::Odd;

/// So many prior standard deviations away, the entry is asked about: by chance in one batch of 160.
const FAR_OUT: f64 = 2.5;
/// Weather takes the air by 20 mbar from its usual pressure, seldom by 40 (common practice, no source); 350 m of altitude are 40 mbar.
const WEATHER_BAR: f64 = 0.04;
/// Younger batches have not told much of their gas space.
const TOLD_BY_H: f64 = 24.0;

/// What the batch file, or the configuration, says and the readings do not bear out.
pub(super) fn odd(posterior: &Posterior, evidence: &Evidence, now_h: f64) -> Vec<Odd> {
    let middle = |index: usize| {
        let mut all: Vec<f64> = posterior
            .members
            .iter()
            .filter_map(|z| z.get(index).copied())
            .collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(0.0)
    };
    let usual = evidence.surroundings().usual_ambient.bar();
    let air: Vec<f64> = evidence
        .ambient
        .points(now_h, |_| true)
        .iter()
        .map(|point| point.value)
        .collect();
    let elsewhere = air.len() >= 12
        && (air.iter().all(|bar| bar - usual > WEATHER_BAR)
            || air.iter().all(|bar| usual - bar > WEATHER_BAR));
    let mut odd = Vec::new();
    if now_h >= TOLD_BY_H && middle(YIELD) > FAR_OUT {
        odd.push(Odd::Sugar);
    }
    if now_h >= TOLD_BY_H && middle(GAS_SPACE).abs() > FAR_OUT {
        odd.push(Odd::Fill);
    }
    if elsewhere {
        odd.push(Odd::Altitude);
    }
    odd
}
