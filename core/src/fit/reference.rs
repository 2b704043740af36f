//! What a culture would do in the reference drink.

use super::{course::Problem, frame::Frame, life::Life};
use crate::quantity::GRAMS_PER_LITRE_PER_VOLUME;

/// CO2 that the reference culture makes at its best in the reference drink: volumes per hour. Vigour 1.
const REFERENCE_VOLUMES_PER_H: f64 = 0.033;

/// Vigour, and hours of lag to the tangent at the highest rate, of a point in the reference drink at 20 degC.
pub(super) fn in_reference_drink(reference: &Frame, problem: &Problem, z: &[f64]) -> (f64, f64) {
    let mut life = problem.life(z);
    let dose = problem.frame.known.dose.unwrap_or(25.0);
    let mut p = life.p;
    p.start = (p.start * 25.0 / dose.max(1.0)).min(0.9);
    p.second *= 25.0 / dose.max(1.0);
    p.co2_at_start = p.co2_at_start.min(1.0);
    p.probe = 0.0;
    life = Life::new(p, reference, false);
    let mut state = life.start(reference);
    let warmth = life.warmth(20.0, 20.0);
    let (mut h, mut best, mut lag) = (0.0, 0.0, 0.0);
    while h < 480.0 {
        let next = life.brewed(reference, &state, warmth, 1.0, 1.0);
        let rate = next.made - state.made;
        if rate > best {
            best = rate;
            lag = (h + 0.5 - 0.5 * (next.made + state.made) / rate).max(0.0);
        }
        state = next;
        h += 1.0;
        if rate < 0.5 * best && h > 48.0 {
            break;
        }
    }
    (best / GRAMS_PER_LITRE_PER_VOLUME / REFERENCE_VOLUMES_PER_H, lag)
}
