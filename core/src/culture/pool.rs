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
/// The members of 340 drawn batches (the simulator's tuning seeds), each heard for a week: mean and covariance of all of them together, so that what single
/// batches leave open stays in it. Twice, for the wide beliefs hold back what a week tells only weakly: fitted with those alone, and then with what these fits
/// told (`usual_cultures` among the fit's tests tells them anew). A week in a room says nothing of the fridge: the lowest temperature and the work in the cold stay as the
/// literature has them.
const MEANS: [f64; COUNT] = [
    -0.41, -1.18, 1.15, -0.99, 0.86, -0.12, 0.45, 0.38, 0.0, 0.07, -0.02, -0.05, -0.01, 0.0,
];
const SPREADS: [f64; COUNT] = [
    0.64, 1.06, 0.85, 1.01, 0.73, 0.7, 0.78, 0.75, 1.0, 1.06, 0.89, 0.89, 0.87, 1.0,
];
const TOGETHER: [&[i8]; COUNT - 1] = [
    &[40],
    &[-16, -66],
    &[43, 69, -51],
    &[-4, -23, 23, -31],
    &[8, 15, 7, 19, 3],
    &[5, 2, 26, 9, 9, -2],
    &[-29, -13, 20, -14, 6, 16, 15],
    &[0, 0, 0, 0, 0, 0, 0, 0],
    &[18, 34, -26, 34, -14, 6, -4, -13, 0],
    &[5, -8, 6, 3, 9, 10, 4, -6, 0, -5],
    &[-10, -1, 1, 1, 1, 5, -1, -6, 0, -2, 7],
    &[6, 10, 4, 6, -6, 4, 7, -10, 0, 4, -4, 5],
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
        assert!((together + 0.66).abs() < 1e-12, "{together}");
    }
}
