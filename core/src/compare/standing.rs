//! From normal distributions to quantiles, and how sure it is that one is livelier.

use crate::{
    culture::{Lesson, Normal, TRAITS},
    forecast::{Hours, Quantiles},
    quantity::{AlcoholByVolume, Probability, Vigour},
};

use super::Standing;

/// Batches of one culture differ by so much in the logarithm of vigour and of lag, beside what is not known of each: found on drawn
/// cultures of the tuning seeds.
pub(super) const APART: f64 = 0.2;

/// Days after which a culture has drifted by as much as its batches differ.
const DRIFT_DAYS: f64 = 90.0;

/// A ceiling is learned once less than this share of what is believed of any culture is left of its doubt.
const LEARNED: f64 = 0.7;

impl Standing {
    /// `None` only for what is no number.
    pub(super) fn of(
        ln_vigour: Normal,
        ln_lag_h: Normal,
        ceiling: Option<Quantiles<AlcoholByVolume>>,
    ) -> Option<Self> {
        let vigour = |ln: f64| Vigour::from_ratio(ln.exp().min(1_000.0)).ok();
        Some(Self {
            vigour: quantiles(ln_vigour, vigour)?,
            lag: quantiles(ln_lag_h, |ln| Some(Hours(ln.exp())))?,
            ceiling,
        })
    }
}

fn quantiles<T>(of: Normal, typed: impl Fn(f64) -> Option<T>) -> Option<Quantiles<T>> {
    let [p05, p50, p95] = of.points();
    Some(Quantiles {
        p05: typed(p05)?,
        p50: typed(p50)?,
        p95: typed(p95)?,
    })
}

/// How likely `one` is above `other`, each of its own doubt; `None` for what is no number.
pub(super) fn livelier(one: Normal, other: Normal) -> Option<Probability> {
    let doubt = one.sd.hypot(other.sd).max(1e-9);
    Probability::from_share(below((one.mean - other.mean) / doubt).clamp(0.0, 1.0)).ok()
}

/// Share of a standard normal distribution below `z` (Abramowitz and Stegun 1964, 26.2.17: within 7.5e-8).
pub(super) fn below(z: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let sum = t
        * (0.319_381_530
            + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let above = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt() * sum;
    if z < 0.0 { above } else { 1.0 - above }
}

/// What batches of such ages (days) say of their culture today; `None` without any.
pub(super) fn together(batches: impl Iterator<Item = (f64, Normal)>) -> Option<Normal> {
    let (mut weights, mut sum) = (0.0, 0.0);
    for (days, batch) in batches {
        let apart = APART * APART * (1.0 + days.max(0.0) / DRIFT_DAYS);
        let weight = 1.0 / (batch.sd * batch.sd + apart);
        weights += weight;
        sum += weight * batch.mean;
    }
    (weights > 0.0).then(|| Normal {
        mean: sum / weights,
        sd: weights.powf(-0.5),
    })
}

/// The alcohol at which the culture of these batches gives up, once they tell: what is believed of any culture counts once.
pub(super) fn ceiling(lessons: &[&Lesson]) -> Option<Quantiles<AlcoholByVolume>> {
    let place = TRAITS.iter().position(|name| *name == "ln_ceiling")?;
    let pool = lessons.first()?.traits.get(place)?;
    let believed = pool.pooled_sd.powi(-2);
    let (mut precision, mut pull) = (believed, believed * pool.pooled_mean);
    for lesson in lessons {
        let told = lesson.traits.get(place)?;
        let variance = *lesson.covariance.get(place)?.get(place)?;
        let before = told.pooled_sd.powi(-2);
        let said = (1.0 / variance.max(1e-6) - before).max(0.0);
        if said > 0.0 {
            precision += said;
            pull += told.mean / variance.max(1e-6) - told.pooled_mean * before;
        }
    }
    let found = Normal {
        mean: pull / precision,
        sd: precision.powf(-0.5),
    };
    if found.sd > LEARNED * pool.pooled_sd {
        return None;
    }
    quantiles(found, |ln| {
        AlcoholByVolume::from_percent(ln.exp().min(100.0)).ok()
    })
}
