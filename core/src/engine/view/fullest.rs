//! The fullest bottle of a batch, of those that stand here and those that do not.

use crate::{
    forecast::{Outlook, Quantiles},
    quantity::GaugePressure,
};

/// The fullest of all bottles, wherever they stand: at each quantile the highest of any.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fullest {
    /// Its gauge pressure now.
    pub now: Quantiles<GaugePressure>,
    /// The highest within the next 24 h.
    pub within_24h: Quantiles<GaugePressure>,
}

impl Fullest {
    /// Of bottles that are reckoned apart; `None`: of none.
    pub(super) fn of<'a>(outlooks: impl Iterator<Item = &'a Outlook>) -> Option<Self> {
        let each = outlooks.map(|outlook| Self {
            now: outlook.worst_bottle_now,
            within_24h: outlook.worst_bottle_24h,
        });
        each.reduce(|a, b| Self {
            now: highest(a.now, b.now),
            within_24h: highest(a.within_24h, b.within_24h),
        })
    }
}

fn highest(a: Quantiles<GaugePressure>, b: Quantiles<GaugePressure>) -> Quantiles<GaugePressure> {
    let higher = |a, b| if b > a { b } else { a };
    Quantiles {
        p05: higher(a.p05, b.p05),
        p50: higher(a.p50, b.p50),
        p95: higher(a.p95, b.p95),
    }
}
