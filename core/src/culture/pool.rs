//! What is believed of any culture before it was heard.
//!
//! Twice: wide and each trait for itself, after the literature, as a lesson is told against it; and as cultures usually are, for a batch that has to be
//! foretold. Traits go together: a culture that is strong when sealed makes more while it grows, and one that grows fast makes less of it by growing. How, is
//! taken from batches that were heard for a week.

use std::sync::LazyLock;

use nalgebra::{Cholesky, DMatrix, DVector};

use super::COUNT;

/// What is believed of any culture by the literature alone: mean and standard deviation of each trait, no two of them together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pool {
    /// Means, in the order of [`super::TRAITS`].
    pub mean: [f64; COUNT],
    /// Standard deviations.
    pub sd: [f64; COUNT],
}

/// Means and standard deviations of the traits of usual cultures, in standard deviations of the [`Pool`] about its means; how they go together, in
/// hundredths: the correlations with those before.
///
/// The members of 340 drawn batches (the simulator's tuning seeds), each heard for a week and fitted with the wide beliefs alone: mean and covariance of
/// all of them together, so that what single batches leave open stays in it (`usual_cultures` among the fit's tests tells them anew). A week in a room says nothing
/// of the fridge: the lowest temperature and the work in the cold stay as the literature has them.
const MEANS: [f64; COUNT] = [
    -0.18, -0.53, 0.63, -0.58, 0.49, -0.34, 0.22, 0.13, 0.0, 0.07, -0.05, -0.04, 0.01, 0.0,
];
const SPREADS: [f64; COUNT] = [
    0.69, 0.91, 0.85, 0.93, 0.86, 0.82, 0.95, 0.87, 1.0, 1.01, 0.96, 0.99, 0.94, 1.0,
];
const TOGETHER: [&[i8]; COUNT - 1] = [
    &[26],
    &[-3, -45],
    &[18, 44, -26],
    &[-5, -16, 9, -29],
    &[6, 4, 5, 7, 7],
    &[-12, 0, 16, 6, -3, -1],
    &[-15, -2, 9, -3, -1, 2, 13],
    &[0, 0, 0, 0, 0, 0, 0, 0],
    &[12, 14, -7, 13, -7, 2, -4, -9, 0],
    &[-3, -3, 7, 4, -2, -1, 2, -4, 0, -2],
    &[-3, -2, 4, 4, -3, 0, 2, -4, 0, -2, 9],
    &[4, 6, 5, 8, -5, -1, 4, 1, 0, -2, -4, 3],
    &[0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
];

/// Usual cultures in the whitened space of the [`Pool`]: `mean + root x`, `x` independent standard normals.
#[derive(Clone, Debug)]
pub(super) struct Usual {
    pub(super) mean: DVector<f64>,
    pub(super) root: DMatrix<f64>,
}

static USUAL: LazyLock<Option<Usual>> = LazyLock::new(Usual::told);

impl Usual {
    pub(super) fn new() -> Option<&'static Self> {
        USUAL.as_ref()
    }

    fn told() -> Option<Self> {
        let together = |i: usize, j: usize| match i.cmp(&j) {
            std::cmp::Ordering::Equal => 1.0,
            std::cmp::Ordering::Greater => hundredths(i, j),
            std::cmp::Ordering::Less => hundredths(j, i),
        };
        let covariance = DMatrix::from_fn(COUNT, COUNT, |i, j| SPREADS[i] * SPREADS[j] * together(i, j));
        Some(Self {
            mean: DVector::from_column_slice(&MEANS),
            root: Cholesky::new(covariance)?.l(),
        })
    }
}

/// The correlation of a trait with one before it.
fn hundredths(late: usize, early: usize) -> f64 {
    let row = late.checked_sub(1).and_then(|row| TOGETHER.get(row));
    let entry = row.and_then(|row| row.get(early)).copied().unwrap_or(0);
    f64::from(entry) * 0.01
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_whole_and_a_distribution() {
        for (row, before) in TOGETHER.iter().zip(1..) {
            assert_eq!(row.len(), before);
        }
        let usual = Usual::new().expect("a distribution");
        let covariance = &usual.root * usual.root.transpose();
        for (i, spread) in SPREADS.iter().enumerate() {
            assert!((covariance[(i, i)].sqrt() - spread).abs() < 1e-12);
        }
        // Growth beside the yield of growth.
        let together = covariance[(2, 1)] / (covariance[(1, 1)] * covariance[(2, 2)]).sqrt();
        assert!((together + 0.45).abs() < 1e-12, "{together}");
    }
}
