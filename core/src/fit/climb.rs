//! The maximum of the posterior: Levenberg-Marquardt with the weights of Student's t, from several starts.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::{
    course::{Course, Problem},
    prior::ALL,
};

/// Degrees of freedom of the noise.
const NU: f64 = 4.0;

/// Step of the forward differences, in prior standard deviations.
const STEP: f64 = 0.02;

/// A point, its course and what it costs.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    pub(super) z: DVector<f64>,
    pub(super) course: Course,
    pub(super) residuals: DVector<f64>,
    cost: f64,
}

/// The best point, from `warm` (the maximum of an earlier fit) or from cold; `thorough` asks for a cold start beside a warm one.
pub(super) fn maximum(problem: &Problem, warm: Option<&[f64]>, thorough: bool) -> Candidate {
    let cold = |shift: &[(usize, f64)]| {
        let mut z = DVector::zeros(problem.size());
        for (index, value) in shift {
            z[*index] = *value;
        }
        candidate(problem, z)
    };
    // Slow with a long lag, and fast: the misfit has more than one valley while little is known.
    let slow = [(0, -1.0), (2, -1.0), (3, -1.0), (4, -1.0)];
    let fast = [(0, 1.0), (2, 1.0), (3, 0.5), (4, 1.0)];
    let mut starts = Vec::new();
    if let Some(warm) = warm {
        let mut z = DVector::zeros(problem.size());
        z.iter_mut().zip(warm).for_each(|(z, w)| *z = *w);
        starts.push((candidate(problem, z), 4));
        if thorough {
            starts.push((cold(&[]), 6));
        }
    } else {
        starts.extend([(cold(&[]), 8), (cold(&slow), 8), (cold(&fast), 8)]);
    }
    let mut best: Option<Candidate> = None;
    for (start, turns) in starts {
        let found = climbed(problem, start, turns);
        if best.as_ref().is_none_or(|best| found.cost < best.cost) {
            best = Some(found);
        }
    }
    best.unwrap_or_else(|| cold(&[]))
}

fn candidate(problem: &Problem, z: DVector<f64>) -> Candidate {
    let course = problem.course(z.as_slice(), None);
    let residuals = DVector::from_vec(problem.residuals(z.as_slice(), &course));
    let misfit: f64 = residuals
        .iter()
        .map(|r| (NU + 1.0) * (1.0 + r * r / NU).ln())
        .sum();
    let cost = z.norm_squared() + misfit;
    Candidate {
        z,
        course,
        residuals,
        cost: if cost.is_finite() { cost } else { f64::MAX },
    }
}

fn climbed(problem: &Problem, mut at: Candidate, turns: usize) -> Candidate {
    let mut damping = 0.1;
    for _ in 0..turns {
        let jacobian = jacobian(problem, &at.z, &at.course, &at.residuals);
        let weights = weights(&at.residuals);
        let gradient = jacobian.tr_mul(&weights.component_mul(&at.residuals)) + &at.z;
        let curvature = curvature(&jacobian, &weights);
        let mut gain = 0.0;
        for _ in 0..5 {
            let Some(step) = damped_step(&curvature, &gradient, damping) else {
                break;
            };
            let next = candidate(problem, &at.z + step);
            if next.cost < at.cost {
                gain = at.cost - next.cost;
                at = next;
                damping *= 0.2;
                break;
            }
            damping *= 8.0;
        }
        if gain < 0.02 {
            break;
        }
    }
    at
}

/// Weights of Student's t.
pub(super) fn weights(residuals: &DVector<f64>) -> DVector<f64> {
    residuals.map(|r| (NU + 1.0) / (NU + r * r))
}

/// A step down `gradient` by a damped `curvature`, no longer than two and a half prior deviations in any direction; `None` if the
/// curvature is not a number.
pub(super) fn damped_step(
    curvature: &DMatrix<f64>,
    gradient: &DVector<f64>,
    damping: f64,
) -> Option<DVector<f64>> {
    let mut damped = curvature.clone();
    for i in 0..damped.nrows() {
        damped[(i, i)] *= 1.0 + damping;
    }
    let mut step = Cholesky::new(damped)?.solve(&(-gradient));
    let length = step.amax();
    if length > 2.5 {
        step *= 2.5 / length;
    }
    Some(step)
}

/// Jacobian of the residuals at a point by forward differences.
pub(super) fn jacobian(
    problem: &Problem,
    z: &DVector<f64>,
    course: &Course,
    residuals: &DVector<f64>,
) -> DMatrix<f64> {
    let mut jacobian = DMatrix::zeros(residuals.len(), z.len());
    let mut moved = z.as_slice().to_vec();
    for index in (0..z.len()).filter(|index| !problem.idle(*index)) {
        moved[index] = z[index] + STEP;
        let there = if problem.only_observed(index) {
            problem.residuals(&moved, course)
        } else {
            // A knot of the discrepancy acts from the knot before it on: what came earlier is the same.
            let like = index.checked_sub(ALL + 1).and_then(|before| {
                let from_h = problem.frame.knots.get(before)?;
                let node = problem
                    .frame
                    .nodes
                    .partition_point(|h| h <= from_h)
                    .checked_sub(1)?;
                Some((course, node))
            });
            problem.residuals(&moved, &problem.course(&moved, like))
        };
        for (row, (there, here)) in there.iter().zip(residuals.iter()).enumerate() {
            let slope = (there - here) / STEP;
            jacobian[(row, index)] = if slope.is_finite() { slope } else { 0.0 };
        }
        moved[index] = z[index];
    }
    jacobian
}

/// Curvature of half the cost: the weighted square of the Jacobian, and 1 for the prior.
pub(super) fn curvature(jacobian: &DMatrix<f64>, weights: &DVector<f64>) -> DMatrix<f64> {
    let mut weighted = jacobian.clone();
    for (mut row, weight) in weighted.row_iter_mut().zip(weights.iter()) {
        row *= *weight;
    }
    let mut curvature = jacobian.tr_mul(&weighted);
    for i in 0..curvature.nrows() {
        curvature[(i, i)] += 1.0;
    }
    curvature
}
