//! Where a culture goes: a straight line through the logarithm of its batches' vigour.

use crate::{
    culture::{Liveliness, Normal},
    forecast::Quantiles,
};

use super::{Entry, standing::APART};

/// Change of vigour in 30 days, percent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend(pub Quantiles<f64>);

/// A culture is believed to change by so much in 30 days (of the logarithm) before any batch is seen: common practice, no source.
const BELIEVED: f64 = 0.3;

const MONTH_S: f64 = 30.0 * 86_400.0;

/// Of the batches of one culture in order of time; `None` with fewer than three, or all within a day.
pub(super) fn trend(batches: &[(&Entry, Liveliness)]) -> Option<Trend> {
    let first = batches.first()?.0.lesson.bottled_at;
    let points: Vec<(f64, f64, f64)> = batches
        .iter()
        .map(|(entry, lively)| {
            let vigour = lively.ln_vigour;
            let months = entry.lesson.bottled_at.duration_since(first).as_secs_f64() / MONTH_S;
            (months, vigour.mean, 1.0 / (vigour.sd * vigour.sd + APART * APART))
        })
        .collect();
    let last = points.iter().map(|(months, ..)| *months).fold(0.0, f64::max);
    if points.len() < 3 || last < 1.0 / 30.0 {
        return None;
    }
    let sum = |of: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(of).sum::<f64>();
    let all = sum(&|(_, _, w)| *w);
    let (middle, level) = (sum(&|(x, _, w)| w * x) / all, sum(&|(_, y, w)| w * y) / all);
    let precision = sum(&|(x, _, w)| w * (x - middle) * (x - middle)) + BELIEVED.powi(-2);
    let slope = Normal {
        mean: sum(&|(x, y, w)| w * (x - middle) * (y - level)) / precision,
        sd: precision.powf(-0.5),
    };
    let [p05, p50, p95] = slope.points().map(|ln| 100.0 * (ln.exp() - 1.0));
    Some(Trend(Quantiles { p05, p50, p95 }))
}
