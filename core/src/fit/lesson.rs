//! What a batch taught about its culture.

use jiff::Timestamp;
use nalgebra::Cholesky;

use super::{
    climb,
    course::Problem,
    evidence::Evidence,
    prior::{Parameters, TRAITS},
    slopes::{curvature, weigh},
};
use crate::culture::{COUNT, Lesson, TRAITS as NAMES, Trait};

/// What the evidence up to `at` says of the batch's culture, beside the wide beliefs alone: history that the evidence may carry has
/// no part in it, so that no batch is counted twice. `None` for a batch that names no culture, or without anything measured in it.
///
/// A normal distribution at the maximum of the posterior with the curvature there: the members are too few to tell the covariance of
/// all traits.
#[must_use]
pub fn lesson(evidence: &Evidence, at: Timestamp) -> Option<Lesson> {
    let batch = evidence.batch();
    let culture = batch.culture.clone()?;
    let mut problem = Problem::new(evidence, evidence.hours(at).max(0.0));
    problem.frame.known.taught = None;
    if problem.data.is_empty() {
        return None;
    }
    let best = climb::maximum(&problem, None, true);
    let roots = climb::weights(&best.residuals).map(f64::sqrt);
    let jacobian = problem.jacobian(&best.z, &best.course, &best.residuals);
    let curvature = curvature(&weigh(jacobian, &roots));
    let covariance = Cholesky::new(curvature)?.inverse();
    let known = &problem.frame.known;
    let dose = known.dose;
    let mean = Parameters::of(best.z.as_slice(), known).traits(dose);
    // As this batch's file has it: the second population's start does not know the dose, a ceiling may be entered.
    let before = known.pool();
    let traits = (0..COUNT)
        .map(|i| Trait {
            name: NAMES[i].to_owned(),
            mean: mean[i],
            pooled_mean: before.mean[i],
            pooled_sd: before.sd[i],
        })
        .collect();
    let covariance = (0..COUNT)
        .map(|i| {
            (0..COUNT)
                .map(|j| {
                    let (i, j) = (i.max(j), i.min(j));
                    covariance[(TRAITS[i], TRAITS[j])] * before.sd[i] * before.sd[j]
                })
                .collect()
        })
        .collect();
    Some(Lesson {
        culture,
        batch: batch.name.clone(),
        bottled_at: batch.bottled_at,
        hours: problem.now_h(),
        dose_ml_per_l: dose,
        traits,
        covariance,
        liveliness: None,
    })
}
