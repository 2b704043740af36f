//! When alerts are raised: the figures of the surface's table, all of them settings.

use jiff::SignedDuration;

use super::{Away, WakingHours};
use crate::quantity::{GaugePressure, Probability};

/// When alerts are raised. [`Rules::default`] holds the defaults.
#[derive(Clone, Debug, PartialEq)]
pub struct Rules {
    /// `fridge_soon` is raised when the move is at most this far away.
    pub notice: SignedDuration,
    /// `limit_near`: chance within 24 h, at two evaluations in a row.
    pub limit_chance: Probability,
    /// `limit_near` while no trustworthy gauge is heard: chance within 24 h that is not ruled out, at one evaluation.
    pub limit_chance_blind: Probability,
    /// `over_limit`: a single reading that leaps by more needs the next one, or the estimate, to agree.
    pub leap: GaugePressure,
    /// `sensor_silent`: nothing for so many usual intervals ...
    pub silent_intervals: u32,
    /// ... and at least for this long.
    pub silent_at_least: SignedDuration,
    /// A pressure alert nobody has acknowledged is told again after this long; an acknowledged one after twice that.
    pub remind_every: SignedDuration,
    /// When somebody can carry bottles; `None`: always. Alerts of pressure do not ask.
    pub waking_hours: Option<WakingHours>,
    /// When nobody is at home; treated like a night.
    pub away: Vec<Away>,
}

impl Default for Rules {
    fn default() -> Self {
        let share = |share| Probability::from_share(share).ok();
        Self {
            notice: SignedDuration::from_hours(12),
            limit_chance: share(0.20).unwrap_or(Probability::NEVER),
            limit_chance_blind: share(0.05).unwrap_or(Probability::NEVER),
            leap: GaugePressure::from_bar(0.5).unwrap_or(GaugePressure::ZERO),
            silent_intervals: 6,
            silent_at_least: SignedDuration::from_mins(30),
            remind_every: SignedDuration::from_hours(6),
            waking_hours: None,
            away: Vec::new(),
        }
    }
}
