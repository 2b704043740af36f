//! Inference in the whitened space: the maximum of the posterior, then equally likely lives around it.
//!
//! 1. Levenberg-Marquardt with weights of Student's t (4 degrees of freedom) from several starts.
//! 2. Randomised maximum likelihood (Oliver, He and Reynolds 1996; Kitanidis 1995): each member fits data perturbed by their own
//!    noise under a prior mean drawn from the prior, by Gauss-Newton steps with the Jacobian frozen at the maximum.
//! 3. Members that did not converge start again from the best one; what still fails is replaced by a good one.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::{
    course::{Course, Problem},
    prior::ALL,
    random::Random,
};

/// Members of the posterior.
pub(super) const MEMBERS: usize = 64;

/// Degrees of freedom of the noise.
const NU: f64 = 4.0;

/// Step of the forward differences, in prior standard deviations.
const STEP: f64 = 0.02;

/// A point, its course and what it costs.
#[derive(Clone, Debug)]
struct Candidate {
    z: DVector<f64>,
    course: Course,
    residuals: DVector<f64>,
    cost: f64,
}

/// The maximum, and the members.
pub(super) struct Sampled {
    pub(super) best: Vec<f64>,
    pub(super) members: Vec<Vec<f64>>,
}

/// Samples the posterior; `warm` is the maximum of an earlier fit, `thorough` asks for a cold start beside it.
pub(super) fn sample(
    problem: &Problem,
    warm: Option<&[f64]>,
    thorough: bool,
    random: &mut Random,
) -> Sampled {
    let n = problem.size();
    if problem.data.is_empty() {
        let members = (0..MEMBERS)
            .map(|_| (0..n).map(|_| random.normal()).collect())
            .collect();
        return Sampled {
            best: vec![0.0; n],
            members,
        };
    }
    let best = maximum(problem, warm, thorough);
    let (jacobian, weights) = linearised(problem, &best);
    let members = ensemble(problem, &best, &jacobian, &weights, random);
    Sampled {
        best: best.z.as_slice().to_vec(),
        members,
    }
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

fn maximum(problem: &Problem, warm: Option<&[f64]>, thorough: bool) -> Candidate {
    let n = problem.size();
    let cold = |shift: &[(usize, f64)]| {
        let mut z = DVector::zeros(n);
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
        let mut z = DVector::zeros(n);
        z.iter_mut().zip(warm).for_each(|(z, w)| *z = *w);
        starts.push((candidate(problem, z), 3));
        if thorough {
            starts.push((cold(&[]), 5));
        }
    } else {
        starts.extend([(cold(&[]), 4), (cold(&slow), 4), (cold(&fast), 4)]);
    }
    let mut best: Option<Candidate> = None;
    for (start, turns) in starts {
        let found = climbed(problem, start, turns);
        if best.as_ref().is_none_or(|best| found.cost < best.cost) {
            best = Some(found);
        }
    }
    let best = best.unwrap_or_else(|| cold(&[]));
    if warm.is_none() {
        climbed(problem, best, 4)
    } else {
        best
    }
}

fn climbed(problem: &Problem, mut at: Candidate, turns: usize) -> Candidate {
    let mut damping = 0.1;
    for _ in 0..turns {
        let (jacobian, weights) = linearised(problem, &at);
        let gradient = jacobian.transpose() * weights.component_mul(&at.residuals) + &at.z;
        let curvature = curvature(&jacobian, &weights);
        let mut moved = false;
        for _ in 0..5 {
            let mut damped = curvature.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] *= 1.0 + damping;
            }
            let Some(solver) = Cholesky::new(damped) else {
                break;
            };
            let mut step = solver.solve(&(-&gradient));
            let length = step.amax();
            if length > 2.5 {
                step *= 2.5 / length;
            }
            let next = candidate(problem, &at.z + step);
            if next.cost < at.cost {
                let gain = at.cost - next.cost;
                at = next;
                damping *= 0.2;
                moved = gain > 0.02;
                break;
            }
            damping *= 8.0;
        }
        if !moved {
            break;
        }
    }
    at
}

/// Jacobian of the residuals by forward differences, and the weights of Student's t.
fn linearised(problem: &Problem, at: &Candidate) -> (DMatrix<f64>, DVector<f64>) {
    let knots = problem.frame.knots.len();
    let mut jacobian = DMatrix::zeros(at.residuals.len(), at.z.len());
    let mut z = at.z.as_slice().to_vec();
    for index in 0..at.z.len() {
        let Some(value) = z.get(index).copied() else {
            continue;
        };
        if let Some(entry) = z.get_mut(index) {
            *entry = value + STEP;
        }
        let residuals = if Problem::only_observed(index, knots) {
            problem.residuals(&z, &at.course)
        } else {
            // A knot of the discrepancy acts from the knot before it on: what came earlier is the same.
            let like = index.checked_sub(ALL + 1).and_then(|before| {
                let from_h = problem.frame.knots.get(before)?;
                let node = problem
                    .frame
                    .nodes
                    .partition_point(|h| h <= from_h)
                    .checked_sub(1)?;
                Some((&at.course, node))
            });
            let course = problem.course(&z, like);
            problem.residuals(&z, &course)
        };
        for (row, (moved, still)) in residuals.iter().zip(at.residuals.iter()).enumerate() {
            let slope = (moved - still) / STEP;
            jacobian[(row, index)] = if slope.is_finite() { slope } else { 0.0 };
        }
        if let Some(entry) = z.get_mut(index) {
            *entry = value;
        }
    }
    let weights = at.residuals.map(|r| (NU + 1.0) / (NU + r * r));
    (jacobian, weights)
}

fn curvature(jacobian: &DMatrix<f64>, weights: &DVector<f64>) -> DMatrix<f64> {
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

/// One member on its way.
struct Member {
    prior: DVector<f64>,
    noise: DVector<f64>,
    z: DVector<f64>,
    cost: f64,
}

fn ensemble(
    problem: &Problem,
    best: &Candidate,
    jacobian: &DMatrix<f64>,
    weights: &DVector<f64>,
    random: &mut Random,
) -> Vec<Vec<f64>> {
    let (n, rows) = (best.z.len(), best.residuals.len());
    let Some(solver) = Cholesky::new(curvature(jacobian, weights)) else {
        return vec![best.z.as_slice().to_vec(); MEMBERS];
    };
    let root = weights.map(f64::sqrt);
    let mut members: Vec<Member> = (0..MEMBERS)
        .map(|_| {
            let prior = DVector::from_fn(n, |_, _| random.normal());
            let noise = DVector::from_fn(rows, |_, _| random.normal());
            let mut member = Member {
                prior,
                noise,
                z: best.z.clone(),
                cost: f64::MAX,
            };
            let start = &best.z + newton(&member, &best.z, &best.residuals, &root, jacobian, &solver);
            member.z = start;
            settle(problem, &mut member, &root, jacobian, &solver, 3);
            member
        })
        .collect();
    let lowest = members.iter().map(|m| m.cost).fold(f64::MAX, f64::min);
    let spread = members
        .iter()
        .map(|_| 2.0)
        .sum::<f64>()
        .sqrt()
        .max((2.0 * data_count(rows)).sqrt());
    let cutoff = lowest + 6.4 * spread;
    let good = members
        .iter()
        .position(|m| m.cost <= lowest)
        .map(|i| members[i].z.clone());
    if let Some(good) = good {
        for member in members.iter_mut().filter(|m| m.cost > cutoff) {
            member.z.copy_from(&good);
            member.cost = f64::MAX;
            settle(problem, member, &root, jacobian, &solver, 4);
        }
    }
    let sound: Vec<usize> = (0..members.len())
        .filter(|i| members[*i].cost <= cutoff)
        .collect();
    members
        .iter()
        .enumerate()
        .map(|(index, member)| {
            let source = match sound.get(index % sound.len().max(1)) {
                Some(other) if member.cost > cutoff => *other,
                _ => index,
            };
            members[source].z.as_slice().to_vec()
        })
        .collect()
}

fn data_count(rows: usize) -> f64 {
    u32::try_from(rows).map_or(f64::from(u32::MAX), f64::from)
}

/// The Gauss-Newton step of a member from `z`, with the frozen Jacobian.
fn newton(
    member: &Member,
    z: &DVector<f64>,
    residuals: &DVector<f64>,
    root: &DVector<f64>,
    jacobian: &DMatrix<f64>,
    solver: &Cholesky<f64, Dyn>,
) -> DVector<f64> {
    let perturbed = root.component_mul(residuals) + &member.noise;
    let gradient = jacobian.tr_mul(&root.component_mul(&perturbed)) + (z - &member.prior);
    solver.solve(&(-gradient))
}

/// Steps that are taken only if the cost falls.
fn settle(
    problem: &Problem,
    member: &mut Member,
    root: &DVector<f64>,
    jacobian: &DMatrix<f64>,
    solver: &Cholesky<f64, Dyn>,
    turns: usize,
) {
    let cost_of = |member: &Member, z: &DVector<f64>| {
        let course = problem.course(z.as_slice(), None);
        let residuals = DVector::from_vec(problem.residuals(z.as_slice(), &course));
        let perturbed = root.component_mul(&residuals) + &member.noise;
        let cost = (z - &member.prior).norm_squared() + perturbed.norm_squared();
        (if cost.is_finite() { cost } else { f64::MAX }, residuals)
    };
    let (cost, mut residuals) = cost_of(member, &member.z);
    member.cost = cost;
    for _ in 0..turns {
        if residuals.iter().any(|r| !r.is_finite()) {
            return;
        }
        let step = newton(member, &member.z, &residuals, root, jacobian, solver);
        let mut accepted = false;
        for share in [1.0, 0.4] {
            let z = &member.z + &step * share;
            let (cost, next) = cost_of(member, &z);
            if cost < member.cost {
                let gain = member.cost - cost;
                (member.z, member.cost, residuals) = (z, cost, next);
                accepted = gain > 0.3;
                break;
            }
        }
        if !accepted {
            return;
        }
    }
}
