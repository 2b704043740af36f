//! Cholesky factors and Broyden's updates, column by column over plain slices, of which the compiler makes vectors: a fit takes thousands.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Earlier columns that are taken from one at once.
const TILE: usize = 4;

/// The factor of a symmetric matrix, of which the lower triangle is read; `None` if it is not positive definite.
pub(super) fn factor(mut matrix: DMatrix<f64>) -> Option<Cholesky<f64, Dyn>> {
    let size = matrix.nrows();
    let entries = matrix.as_mut_slice();
    for diagonal in 0..size {
        let (before, rest) = entries.split_at_mut(diagonal * size);
        let column = rest.get_mut(diagonal..size)?;
        let mut tiles = before.chunks_exact(TILE * size);
        for tile in &mut tiles {
            let part = |index: usize| &tile[index * size + diagonal..(index + 1) * size];
            subtract(column, [part(0), part(1), part(2), part(3)]);
        }
        for earlier in tiles.remainder().chunks_exact(size) {
            let earlier = &earlier[diagonal..];
            let factor = earlier[0];
            for (entry, earlier) in column.iter_mut().zip(earlier) {
                *entry -= factor * earlier;
            }
        }
        let (first, below) = column.split_first_mut()?;
        // Not a number is not above zero either.
        if *first > 0.0 {
            *first = first.sqrt();
        } else {
            return None;
        }
        for entry in below {
            *entry /= *first;
        }
    }
    Some(Cholesky::pack_dirty(matrix))
}

/// Takes four earlier columns from one, each times its own first entry.
fn subtract(column: &mut [f64], earlier: [&[f64]; TILE]) {
    let size = column.len();
    let [a, b, c, d] = earlier.map(|earlier| &earlier[..size]);
    let [by_a, by_b, by_c, by_d] = [a[0], b[0], c[0], d[0]];
    for (row, entry) in column.iter_mut().enumerate() {
        *entry = *entry - by_a * a[row] - by_b * b[row] - by_c * c[row] - by_d * d[row];
    }
}

/// Adds `left` times the transposed `right`, times `factor`.
pub(super) fn add_product(matrix: &mut DMatrix<f64>, factor: f64, left: &DVector<f64>, right: &DVector<f64>) {
    let rows = matrix.nrows().max(1);
    for (column, right) in matrix.as_mut_slice().chunks_exact_mut(rows).zip(right) {
        let by = factor * right;
        for (entry, left) in column.iter_mut().zip(left.as_slice()) {
            *entry += by * left;
        }
    }
}

/// Adds `across` times the transposed `step`, that transposed, and the square of `step` times `again`, to the lower triangle.
pub(super) fn add_to_lower(
    matrix: &mut DMatrix<f64>,
    across: &DVector<f64>,
    step: &DVector<f64>,
    again: f64,
) {
    let size = matrix.nrows().max(1);
    let (across, step) = (across.as_slice(), step.as_slice());
    for (diagonal, column) in matrix.as_mut_slice().chunks_exact_mut(size).enumerate() {
        let (here, of_step) = (across[diagonal], step[diagonal]);
        let by = again * of_step;
        let below = column[diagonal..]
            .iter_mut()
            .zip(&across[diagonal..])
            .zip(&step[diagonal..]);
        for ((entry, across), step) in below {
            *entry = *entry + of_step * across + here * step + by * step;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rugged(rows: usize, columns: usize) -> DMatrix<f64> {
        let mut turn = 0.3;
        DMatrix::from_fn(rows, columns, |_, _| {
            turn = (turn * 997.0_f64 + 0.137).fract();
            turn - 0.5
        })
    }

    #[test]
    fn the_factor_squared_is_the_matrix() {
        for size in [1, 3, 4, 5, 9, 30] {
            let root = rugged(size + 3, size);
            let matrix = root.tr_mul(&root) + DMatrix::identity(size, size);
            let known = factor(matrix.clone()).expect("positive definite").l();
            assert!((&known * known.transpose() - matrix).amax() < 1e-12, "{size}");
        }
    }

    #[test]
    fn what_is_not_positive_definite_has_no_factor() {
        let mut matrix = DMatrix::identity(6, 6);
        matrix[(4, 4)] = -1.0;
        assert!(factor(matrix.clone()).is_none());
        matrix[(4, 4)] = f64::NAN;
        assert!(factor(matrix).is_none());
    }

    #[test]
    fn products_are_added_as_they_are_written() {
        let (left, right) = (
            rugged(7, 1).column(0).into_owned(),
            rugged(5, 2).column(1).into_owned(),
        );
        let mut matrix = rugged(7, 5);
        let expected = &matrix + &left * right.transpose() * 0.7;
        add_product(&mut matrix, 0.7, &left, &right);
        assert!((matrix - expected).amax() < 1e-12);

        let (across, step) = (rugged(5, 1).column(0).into_owned(), right);
        let mut matrix = rugged(5, 5);
        let expected = &matrix
            + &across * step.transpose()
            + &step * across.transpose()
            + &step * step.transpose() * 0.4;
        add_to_lower(&mut matrix, &across, &step, 0.4);
        assert!((matrix - expected).lower_triangle().amax() < 1e-12);
    }
}
