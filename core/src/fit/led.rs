//! A life whose data came all at once: an import, a board that hands in its backlog.
//!
//! From hour to hour each member follows what is new. Set at once before days of data, be it from cold or from where it was without
//! them, it finds the nearest place that agrees and stays there: the content is right, but all members tell the same vigour. Led along
//! from the sealing on they spread as those do that heard the data in time.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use super::{Evidence, Posterior, fit};

/// Hours between the fits on the way, and how many of them at most.
const EVERY_H: f64 = 12.0;
const MOST_FITS: f64 = 14.0;

/// So many spans of time may have come late, beside this share of those that had come in time.
const FEW: usize = 6;
const SHARE: usize = 4;

/// [`fit`], but led along from the sealing on if there is nothing to go on from, or if much has come late since.
#[must_use]
pub fn fit_led(evidence: &Evidence, at: Timestamp, warm: Option<&Arc<Posterior>>) -> Posterior {
    let known = warm.is_some_and(|warm| {
        let late = evidence.heard(evidence.hours(warm.at)).saturating_sub(warm.heard);
        late <= FEW + warm.heard / SHARE
    });
    if known {
        fit(evidence, at, warm)
    } else {
        along(evidence, at, EVERY_H, MOST_FITS)
    }
}

/// Fits every so many hours, or so many times at the most, each from the one before.
pub(super) fn along(evidence: &Evidence, at: Timestamp, every_h: f64, most: f64) -> Posterior {
    let now_h = evidence.hours(at).max(0.0);
    let every = SignedDuration::from_secs_f64(3_600.0 * every_h.max(now_h / most));
    let mut warm: Option<Arc<Posterior>> = None;
    let mut moment = evidence.batch().bottled_at;
    while evidence.heard(now_h) > 0
        && let Ok(next) = moment.checked_add(every)
        && next < at
    {
        moment = next;
        warm = Some(Arc::new(fit(evidence, moment, warm.as_ref())));
    }
    fit(evidence, at, warm.as_ref())
}
