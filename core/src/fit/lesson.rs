//! What a batch taught about its culture.

use jiff::Timestamp;
use nalgebra::{Cholesky, DMatrix, DVector};

use super::{
    climb,
    course::Problem,
    evidence::Evidence,
    prior::{Known, TRAITS, Taught},
    slopes::{curvature, weigh},
};
use crate::culture::{COUNT, Lesson, TRAITS as NAMES, Trait};

/// What the evidence up to `at` says of the batch's culture, beside the wide beliefs alone: history that the evidence may carry has
/// no part in it, so that no batch is counted twice. `None` for a batch that names no culture, or without anything measured in it.
///
/// A normal distribution at the maximum of the posterior with the curvature there: the members are too few to tell the covariance of
/// all traits. The maximum is that of a usual culture, for the one beside the wide beliefs alone lies too far off to be straight about it: on sixty
/// cultures (tuning seeds) such lessons foretold the next batch with a mean error of 21 h, these 20 h, and 23 h without any.
#[must_use]
pub fn lesson(evidence: &Evidence, at: Timestamp) -> Option<Lesson> {
    let batch = evidence.batch();
    let culture = batch.culture.clone()?;
    let mut problem = Problem::new(evidence, evidence.hours(at).max(0.0));
    problem.frame.known.taught = Taught::usual(problem.frame.known.dose);
    if problem.data.is_empty() {
        return None;
    }
    let best = climb::maximum(&problem, None, true);
    let roots = climb::weights(&best.residuals).map(f64::sqrt);
    let jacobian = problem.jacobian(&best.z, &best.course, &best.residuals);
    let curvature = curvature(&weigh(jacobian, &roots));
    let covariance = Cholesky::new(curvature)?.inverse();
    let known = &problem.frame.known;
    let covariance = DMatrix::from_fn(COUNT, COUNT, |i, j| {
        covariance[(TRAITS[i.max(j)], TRAITS[i.min(j)])]
    });
    let mean = DVector::from_fn(COUNT, |i, _| best.z[TRAITS[i]]);
    let (mean, covariance) = beside_wide_beliefs(known, &mean, &covariance)?;
    // As this batch's file has it: the second population's start does not know the dose, a ceiling may be entered.
    let before = known.pool();
    let traits = (0..COUNT)
        .map(|i| Trait {
            name: NAMES[i].to_owned(),
            mean: before.mean[i] + before.sd[i] * mean[i],
            pooled_mean: before.mean[i],
            pooled_sd: before.sd[i],
        })
        .collect();
    let covariance = (0..COUNT)
        .map(|i| {
            (0..COUNT)
                .map(|j| covariance[(i.max(j), i.min(j))] * before.sd[i] * before.sd[j])
                .collect()
        })
        .collect();
    Some(Lesson {
        culture,
        batch: batch.name.clone(),
        bottled_at: batch.bottled_at,
        hours: problem.now_h(),
        dose_ml_per_l: known.dose,
        traits,
        covariance,
        liveliness: None,
    })
}

/// What was found beside usual cultures, as it would be found beside the wide beliefs: less those, and these in their place. Mean and covariance in the
/// whitened space of the pool.
fn beside_wide_beliefs(
    known: &Known,
    mean: &DVector<f64>,
    covariance: &DMatrix<f64>,
) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let (usual, root) = known.taught.as_ref()?.affine(known.ceiling.is_some());
    let inverse = |of: DMatrix<f64>| Cholesky::new(of).map(|of| of.inverse());
    let found = inverse(&root * covariance * root.transpose())?;
    let before = inverse(&root * root.transpose())?;
    let pull = &found * (&usual + &root * mean) - &before * &usual;
    let precision = found - before + DMatrix::identity(COUNT, COUNT);
    let precision = Cholesky::new(precision)?;
    Some((precision.solve(&pull), precision.inverse()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is known of a culture at a dose that is written down, or not; with a ceiling in the batch file, or not.
    fn known(dose: Option<f64>, ceiling: Option<f64>) -> Known {
        Known {
            taught: Taught::usual(dose),
            dose,
            ceiling,
            ..Known::default()
        }
    }

    #[test]
    fn a_batch_that_says_nothing_leaves_the_wide_beliefs() {
        for known in [known(Some(40.0), None), known(None, None), known(None, Some(1.5))] {
            let (mean, covariance) =
                beside_wide_beliefs(&known, &DVector::zeros(COUNT), &DMatrix::identity(COUNT, COUNT))
                    .unwrap();
            assert!(mean.amax() < 1e-9, "{mean}");
            let wide = DMatrix::identity(COUNT, COUNT);
            assert!((covariance - wide).amax() < 1e-9);
        }
    }

    #[test]
    fn what_a_batch_says_of_one_trait_is_told_as_beside_the_wide_beliefs_alone() {
        let known = known(Some(25.0), None);
        let (usual, root) = known.taught.as_ref().unwrap().affine(false);
        // A measurement of the second trait with a precision of nine deviations, by Bayes beside either belief.
        let (place, said, precision) = (1, 0.8, 81.0);
        let row = root.row(place).transpose();
        let found = DMatrix::identity(COUNT, COUNT) + &row * row.transpose() * precision;
        let covariance = found.try_inverse().unwrap();
        let mean = &covariance * &row * (precision * (said - usual[place]));
        let (mean, covariance) = beside_wide_beliefs(&known, &mean, &covariance).unwrap();
        for i in 0..COUNT {
            let own = i == place;
            let wanted = if own {
                said * precision / (1.0 + precision)
            } else {
                0.0
            };
            assert!((mean[i] - wanted).abs() < 1e-8, "{i}: {}", mean[i]);
            let wanted = if own { 1.0 / (1.0 + precision) } else { 1.0 };
            assert!((covariance[(i, i)] - wanted).abs() < 1e-8, "{i}");
        }
    }
}
