//! The way that a batch has come, by the likeliest life.

use jiff::Timestamp;

use super::{climb, course::Problem, evidence::Evidence};
use crate::quantity::{Co2Volumes, Temperature};

/// Hours between the points.
const EVERY_H: f64 = 1.0;

/// A moment of the past.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Passed {
    /// Hours since sealing.
    pub hours: f64,
    /// Hours that a steady 20 degC would have taken for the same work of the temperature: time weighted by the culture's own
    /// response.
    pub hours_at_20_c: f64,
    /// Content of the bottles of the batch, in the target's sense.
    pub co2: Co2Volumes,
    /// Temperature of the drink.
    pub drink: Temperature,
}

/// The past up to `at`, from sealing on, by the maximum of the posterior. Empty before sealing.
#[must_use]
pub fn past(evidence: &Evidence, at: Timestamp) -> Vec<Passed> {
    let problem = Problem::new(evidence, evidence.hours(at).max(0.0));
    let best = climb::maximum(&problem, None, true);
    let life = problem.life(best.z.as_slice());
    let frame = &problem.frame;
    let usual = life.warmth(20.0, 20.0).max(1e-6);
    let (mut felt, mut next_h, mut passed) = (0.0, 0.0, Vec::new());
    for (node, (h, state)) in frame.nodes.iter().zip(&best.course.states).enumerate() {
        let celsius = frame.climate.felt(node, life.p.probe);
        if node > 0
            && let Some(before) = frame.nodes.get(node - 1)
        {
            felt += (h - before) * life.warmth(frame.climate.felt(node - 1, life.p.probe), celsius) / usual;
        }
        if *h + 1e-9 < next_h {
            continue;
        }
        next_h = h + EVERY_H;
        let (Ok(co2), Ok(drink)) = (
            Co2Volumes::from_volumes(
                life.content(frame, state) / crate::quantity::GRAMS_PER_LITRE_PER_VOLUME,
            ),
            Temperature::from_celsius(celsius),
        ) else {
            continue;
        };
        passed.push(Passed {
            hours: *h,
            hours_at_20_c: felt,
            co2,
            drink,
        });
    }
    passed
}
