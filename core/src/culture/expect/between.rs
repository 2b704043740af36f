//! How batches of one culture differ, told anew from lessons of many cultures.

use super::*;

/// Variance from batch to batch in the whitened space of usual cultures after so many steps of the EM algorithm (Dempster, Laird and Rubin 1977), from
/// [`USUAL`] in each trait on. Batches of one culture are taken as of one moment.
pub(crate) fn between(cultures: &[Vec<Lesson>], pool: &Pool, steps: usize) -> Option<DMatrix<f64>> {
    let usual = Usual::new()?;
    let heard: Vec<Vec<Said>> = cultures
        .iter()
        .map(|lessons| {
            let said = |lesson: &Lesson| said(lesson, lesson.bottled_at, pool, usual);
            lessons.iter().filter_map(said).collect()
        })
        .collect();
    let mut apart = DMatrix::identity(COUNT, COUNT) * USUAL;
    for _ in 0..steps {
        apart = step(&heard, &apart)?;
    }
    Some(apart)
}

/// The mean over all batches of the square of how a batch is off its culture's mean.
fn step(cultures: &[Vec<Said>], apart: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let one = DMatrix::<f64>::identity(COUNT, COUNT);
    let (mut squares, mut batches) = (DMatrix::<f64>::zeros(COUNT, COUNT), 0.0);
    for said in cultures.iter().filter(|said| !said.is_empty()) {
        let (_, mean, next) = with_spread(said, apart)?;
        let culture = next - apart;
        for batch in said {
            let own = (&one + apart * &batch.precision).try_inverse()? * apart;
            let off = &own * (&batch.pull - &batch.precision * &mean);
            let held = &own * &batch.precision;
            squares += &own + &off * off.transpose() + &held * &culture * held.transpose();
            batches += 1.0;
        }
    }
    let squares = squares / batches;
    let mut eigen = SymmetricEigen::try_new((&squares + squares.transpose()) * 0.5, 1e-12, 1_000)?;
    eigen
        .eigenvalues
        .iter_mut()
        .for_each(|value| *value = value.clamp(1e-3, 0.9));
    Some(eigen.recompose())
}
