//! From normal distributions to quantiles, and how sure it is that one is livelier.

use crate::{
    culture::{Normal, TRAITS},
    forecast::{Hours, Quantiles},
    physics::sugar::{Yield, alcohol_with, co2_from},
    quantity::{AlcoholByVolume, Probability, Vigour},
};

use super::{Entry, Standing};

/// Batches of one culture differ by so much in the logarithm of vigour and of lag, beside what is not known of each: found on drawn
/// cultures of the tuning seeds.
pub(super) const APART: f64 = 0.2;

/// Days after which a culture has drifted by as much as its batches differ.
const DRIFT_DAYS: f64 = 90.0;

/// A batch shows a ceiling once no more than this share of what is believed of any culture is left of its doubt. That it has made some
/// alcohol already shows only that the ceiling lies above: of a normal distribution that is cut off from below, between one and two deviations
/// above its middle, 0.45 to 0.34 of the deviation is left (variance of the truncated normal distribution, any handbook of statistics).
const SHOWN: f64 = 1.0 / 3.0;

/// Of the alcohol that all of its sugar makes, as much can be seen of a ceiling: with less than a quarter of the sugar left a culture slows for
/// want of it, and nobody can tell the two apart (common practice, no source).
const FED: f64 = 0.75;

/// A culture has given up once a day brings no more than this share of its liveliest day. Until then it may as well go on: of ten drawn
/// batches of which a ceiling was told without this rule four came to more within 60 days than the interval told.
const STANDS: f64 = 0.05;

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

/// The alcohol at which the culture of these batches gives up, once one of them showed it: what is believed of any culture counts once.
pub(super) fn ceiling<'a>(
    entries: impl IntoIterator<Item = &'a Entry>,
) -> Option<Quantiles<AlcoholByVolume>> {
    let place = TRAITS.iter().position(|name| *name == "ln_ceiling")?;
    let mut found: Option<(f64, f64)> = None;
    for entry in entries {
        let told = entry.lesson.traits.get(place)?;
        let variance = entry.lesson.covariance.get(place)?.get(place)?.max(1e-6);
        let seen = Normal {
            mean: told.mean,
            sd: variance.sqrt(),
        };
        if seen.sd > SHOWN * told.pooled_sd || !shows(entry, seen) {
            continue;
        }
        let before = told.pooled_sd.powi(-2);
        let (precision, pull) = found.unwrap_or((before, before * told.pooled_mean));
        found = Some((
            precision + (1.0 / variance - before).max(0.0),
            pull + told.mean / variance - told.pooled_mean * before,
        ));
    }
    let (precision, pull) = found?;
    let found = Normal {
        mean: pull / precision,
        sd: precision.powf(-0.5),
    };
    quantiles(found, |ln| {
        AlcoholByVolume::from_percent(ln.exp().min(100.0)).ok()
    })
}

/// It has come to a stand, with sugar enough left at this ceiling (logarithm of % vol). Of what nobody knows it may have wanted.
fn shows(entry: &Entry, ceiling: Normal) -> bool {
    let Some(circumstances) = &entry.circumstances else {
        return false;
    };
    let all = co2_from(circumstances.sugar, Yield::Balling).and_then(alcohol_with);
    let [.., most] = ceiling.points();
    circumstances.pace.is_some_and(|pace| pace.share() <= STANDS)
        && all.is_ok_and(|all| most.exp() <= FED * all.percent())
}
