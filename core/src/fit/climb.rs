//! The maximum of the posterior: Levenberg-Marquardt with the weights of Student's t, from several starts.

use nalgebra::{DMatrix, DVector};

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

pub(super) fn climbed(problem: &Problem, mut at: Candidate, turns: usize) -> Candidate {
    let mut damping = 0.1;
    for _ in 0..turns {
        let roots = weights(&at.residuals).map(f64::sqrt);
        let slopes = Slopes::new(&problem.jacobian(&at.z, &at.course, &at.residuals), &roots);
        let gradient = slopes.gradient(&roots.component_mul(&at.residuals), at.z.clone());
        let mut gain = 0.0;
        for _ in 0..5 {
            let Some(step) = slopes.step(&gradient, damping) else {
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

/// A Jacobian whose rows are weighed.
pub(super) fn weigh(mut jacobian: DMatrix<f64>, roots: &DVector<f64>) -> DMatrix<f64> {
    for mut column in jacobian.column_iter_mut() {
        column.component_mul_assign(roots);
    }
    jacobian
}

/// Curvature of half the cost: the square of the weighted Jacobian, and 1 for the prior. Its lower triangle: all that Cholesky reads.
///
/// A knot of the discrepancy moves nothing before its time: what lies above the first entry of a column is skipped.
pub(super) fn curvature(weighted: &DMatrix<f64>) -> DMatrix<f64> {
    let (rows, size) = weighted.shape();
    let columns: Vec<(usize, usize)> = weighted
        .column_iter()
        .enumerate()
        .filter_map(|(index, column)| {
            let first = column.iter().position(|entry| entry.abs() > 0.0)?;
            Some((index, first))
        })
        .collect();
    let entries = weighted.as_slice();
    let column = |(index, _): (usize, usize)| &entries[index * rows..(index + 1) * rows];
    let mut curvature = DMatrix::identity(size, size);
    for (place, left) in columns.iter().enumerate() {
        for others in columns[place..].chunks(TILE) {
            let from = others
                .iter()
                .map(|(_, first)| *first)
                .min()
                .unwrap_or(0)
                .max(left.1);
            let of = |tile: usize| &column(others[tile.min(others.len() - 1)])[from..];
            let sums = products(&column(*left)[from..], [of(0), of(1), of(2), of(3)]);
            for (other, sum) in others.iter().zip(sums) {
                curvature[(other.0, left.0)] += sum;
            }
        }
    }
    curvature
}

/// Columns multiplied at once.
const TILE: usize = 4;

/// Scalar products of one column with four.
fn products(left: &[f64], right: [&[f64]; TILE]) -> [f64; TILE] {
    let n = left.len();
    let [a, b, c, d] = right.map(|column| &column[..n]);
    let mut sums = [[0.0; 2]; TILE];
    let mut row = 0;
    while row + 1 < n {
        for (tile, column) in [a, b, c, d].into_iter().enumerate() {
            sums[tile][0] += left[row] * column[row];
            sums[tile][1] += left[row + 1] * column[row + 1];
        }
        row += 2;
    }
    let mut out = sums.map(|[even, odd]| even + odd);
    if row < n {
        for (out, column) in out.iter_mut().zip([a, b, c, d]) {
            *out += left[row] * column[row];
        }
    }
    out
}
