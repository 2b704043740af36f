//! How weighed residuals move with a point's numbers, and the step downhill that follows.

use nalgebra::{DMatrix, DVector};

use super::factor::{add_product, add_to_lower, factor};

/// A step is no longer than so many prior deviations in any direction.
const LONGEST: f64 = 2.5;

/// A Jacobian with its rows weighed, and the curvature that follows (its lower triangle): of the numbers that move any residual. Some
/// never do (a float's, where none is heard), and each would cost as much as one that does.
#[derive(Clone)]
pub(super) struct Slopes {
    moving: Vec<usize>,
    weighted: DMatrix<f64>,
    curvature: DMatrix<f64>,
}

impl Slopes {
    /// `roots`: of the weights of the rows.
    pub(super) fn new(jacobian: &DMatrix<f64>, roots: &DVector<f64>) -> Self {
        let moves = |column: &usize| jacobian.column(*column).iter().any(|slope| slope.abs() > 0.0);
        let moving: Vec<usize> = (0..jacobian.ncols()).filter(moves).collect();
        let weighted = weigh(jacobian.select_columns(&moving), roots);
        Self {
            curvature: curvature(&weighted),
            moving,
            weighted,
        }
    }

    /// Half the cost's gradient, by the residuals as they pull once weighed, and how far the point lies from the prior's middle.
    pub(super) fn gradient(&self, pull: &DVector<f64>, from_prior: DVector<f64>) -> DVector<f64> {
        let mut gradient = from_prior;
        for (number, by) in self.moving.iter().zip(&self.weighted.tr_mul(pull)) {
            gradient[*number] += by;
        }
        gradient
    }

    /// A step down the gradient by the damped curvature; `None` if that is not a number.
    pub(super) fn step(&self, gradient: &DVector<f64>, damping: f64) -> Option<DVector<f64>> {
        let mut damped = self.curvature.clone();
        for i in 0..damped.nrows() {
            damped[(i, i)] *= 1.0 + damping;
        }
        let mut moved = self.of_moving(gradient);
        factor(damped)?.solve_mut(&mut moved);
        let mut step = gradient / -(1.0 + damping);
        for (number, by) in self.moving.iter().zip(&moved) {
            step[*number] = -by;
        }
        let length = step.amax();
        if length > LONGEST {
            step *= LONGEST / length;
        }
        Some(step)
    }

    /// Corrects them by what a step found: `change` of the weighed residuals. Broyden's update, of rank one.
    pub(super) fn correct(&mut self, step: &DVector<f64>, change: &DVector<f64>) {
        let step = self.of_moving(step);
        let square = step.norm_squared();
        if square <= 0.0 {
            return;
        }
        let missed = change - &self.weighted * &step;
        let across = self.weighted.tr_mul(&missed) / square;
        let again = missed.norm_squared() / (square * square);
        add_product(&mut self.weighted, 1.0 / square, &missed, &step);
        add_to_lower(&mut self.curvature, &across, &step, again);
    }

    fn of_moving(&self, point: &DVector<f64>) -> DVector<f64> {
        DVector::from_iterator(self.moving.len(), self.moving.iter().map(|number| point[*number]))
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Three residuals of four numbers, of which the second moves none.
    fn jacobian() -> DMatrix<f64> {
        DMatrix::from_row_slice(
            3,
            4,
            &[1.0, 0.0, 0.5, -0.2, 0.3, 0.0, 2.0, 0.1, -0.4, 0.0, 0.7, 1.5],
        )
    }

    #[test]
    fn an_undamped_step_ends_where_a_straight_cost_is_lowest() {
        let (jacobian, roots) = (jacobian(), DVector::from_vec(vec![1.0, 0.5, 2.0]));
        let residuals = DVector::from_vec(vec![0.8, -0.6, 0.1]);
        let from_prior = DVector::from_vec(vec![0.1, -0.3, 0.2, 0.4]);
        let slopes = Slopes::new(&jacobian, &roots);
        let gradient = slopes.gradient(&roots.component_mul(&residuals), from_prior.clone());
        let step = slopes.step(&gradient, 0.0).unwrap();
        let weighted = weigh(jacobian.clone(), &roots);
        let there = roots.component_mul(&residuals) + &weighted * &step;
        let left = weighted.tr_mul(&there) + (from_prior + step);
        assert!(left.amax() < 1e-12, "{left}");
    }

    #[test]
    fn corrected_they_tell_what_the_step_found_and_the_curvature_follows() {
        let mut slopes = Slopes::new(&jacobian(), &DVector::from_element(3, 1.0));
        let (step, change) = (
            DVector::from_vec(vec![0.3, 9.0, -0.2, 0.5]),
            DVector::from_vec(vec![0.2, -0.1, 0.9]),
        );
        slopes.correct(&step, &change);
        let told = &slopes.weighted * slopes.of_moving(&step);
        assert!((told - change).amax() < 1e-12);
        let follows = curvature(&slopes.weighted).lower_triangle();
        assert!((follows - slopes.curvature.lower_triangle()).amax() < 1e-12);
    }
}
