//! A life whose data came all at once: an import, a board that hands in its backlog.
//!
//! From hour to hour each member follows what is new. Set at once before days of data, be it from cold or from where it was without
//! them, it finds the nearest place that agrees and stays there: the content is right, but all members tell the same vigour. Led along
//! from the sealing on they spread as those do that heard the data in time.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::{Evidence, Fresh, Posterior, SEED, drawn, sample::Care, sampled};

/// The first fit on the way comes at this age, in hours; from each to the next the age grows by this factor at most, and by the same one
/// each time. On forty tuning batches of a week the interval of vigour is then 0.95 times as wide as that of batches that were followed every
/// half hour; set at once it is a tenth.
const FIRST_H: f64 = 12.0;
const GROWS: f64 = 2.42;

/// So many spans of time may have come late, beside this share of those that had come in time.
const FEW: usize = 6;
const SHARE: usize = 4;

/// [`super::fit()`], but led along from the sealing on if there is nothing to go on from, or if much has come late since.
#[must_use]
pub fn fit_led(evidence: &Evidence, at: Timestamp, warm: Option<&Arc<Posterior>>) -> Posterior {
    fresh_led(evidence, at, warm).posterior
}

/// The same with what its answers need of it.
pub(super) fn fresh_led(evidence: &Evidence, at: Timestamp, warm: Option<&Arc<Posterior>>) -> Fresh {
    let known = warm.is_some_and(|warm| {
        let late = evidence.heard(evidence.hours(warm.at)).saturating_sub(warm.heard);
        late <= FEW + warm.heard / SHARE
    });
    if known {
        drawn(evidence, at, warm, SEED)
    } else {
        let grown = (evidence.hours(at) / FIRST_H).max(1.0);
        let grows = grown.powf(1.0 / (grown.ln() / GROWS.ln()).ceil().max(1.0));
        // No stage more for a rounding's sake.
        fresh_along(evidence, at, FIRST_H, |age_h| 1.000_001 * grows * age_h)
    }
}

/// Fits at the age `age_h` and then at the `next` age, in hours, as long as that is before `at`, each from the one before.
pub(super) fn along(evidence: &Evidence, at: Timestamp, age_h: f64, next: impl Fn(f64) -> f64) -> Posterior {
    fresh_along(evidence, at, age_h, next).posterior
}

fn fresh_along(evidence: &Evidence, at: Timestamp, mut age_h: f64, next: impl Fn(f64) -> f64) -> Fresh {
    let now_h = evidence.hours(at).max(0.0);
    let sealed = evidence.batch().bottled_at;
    let mut warm: Option<Arc<Posterior>> = None;
    while evidence.heard(now_h) > 0
        && age_h < now_h
        && let Ok(moment) = sealed.checked_add(SignedDuration::from_secs_f64(3_600.0 * age_h))
    {
        warm = Some(Arc::new(
            sampled(evidence, moment, warm.as_ref(), SEED, Care::OnTheWay).posterior,
        ));
        age_h = next(age_h);
    }
    drawn(evidence, at, warm.as_ref(), SEED)
}
