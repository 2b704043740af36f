//! The maximum of the posterior: Levenberg-Marquardt with the weights of Student's t, from several starts.

use nalgebra::DVector;

use super::{
    course::{Course, Problem},
    slopes::Slopes,
};

/// Degrees of freedom of the noise.
const NU: f64 = 4.0;

/// A point, its course and what it costs.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    pub(super) z: DVector<f64>,
    pub(super) course: Course,
    pub(super) residuals: DVector<f64>,
    pub(super) cost: f64,
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

pub(super) fn candidate(problem: &Problem, z: DVector<f64>) -> Candidate {
    let (course, residuals) = problem.shown_at(&z);
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

pub(super) fn climbed(problem: &Problem, at: Candidate, turns: usize) -> Candidate {
    let downhill = |at: &Candidate| {
        let roots = weights(&at.residuals).map(f64::sqrt);
        let slopes = Slopes::new(&problem.jacobian(&at.z, &at.course, &at.residuals), &roots);
        let gradient = slopes.gradient(&roots.component_mul(&at.residuals), at.z.clone());
        (slopes, gradient)
    };
    let moved = |at: &Candidate, step: DVector<f64>| candidate(problem, &at.z + step);
    descended(at, turns, downhill, moved, |at| at.cost)
}

/// Goes downhill in so many turns, by the slopes and half the gradient at each place, the steps damped the more the more of them fail.
pub(super) fn descended<P>(
    mut at: P,
    turns: usize,
    downhill: impl Fn(&P) -> (Slopes, DVector<f64>),
    moved: impl Fn(&P, DVector<f64>) -> P,
    cost: impl Fn(&P) -> f64,
) -> P {
    let mut damping = 0.1;
    for _ in 0..turns {
        let (slopes, gradient) = downhill(&at);
        let mut gain = 0.0;
        for _ in 0..5 {
            let Some(step) = slopes.step(&gradient, damping) else {
                break;
            };
            let next = moved(&at, step);
            if cost(&next) < cost(&at) {
                gain = cost(&at) - cost(&next);
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
