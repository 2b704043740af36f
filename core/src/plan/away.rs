//! Nobody is at home until a moment: is it safe and right to leave the bottles in the room, and move them then?

use jiff::{SignedDuration, Timestamp};

use super::Prospect;
use crate::{
    forecast::{Quantiles, When},
    quantity::{Co2Volumes, GaugePressure},
};

/// A limit that may be passed so soon after the return is too near: trains are late.
const SPARE: SignedDuration = SignedDuration::from_hours(12);

/// A move is right if the content after it lies this near to the target, volumes: what a palate tells apart is about half of that
/// (common practice, no source).
const RIGHT: f64 = 0.3;

/// Nothing may be passed up to then.
fn latest(until: Timestamp) -> Timestamp {
    until.saturating_add(SPARE).unwrap_or(Timestamp::MAX)
}

/// Bottles that nobody watches until `until` stay below the limit until then and half a day after, nineteen times in twenty.
#[must_use]
pub fn stays_below(limit_at: Option<When>, until: Timestamp) -> bool {
    limit_at
        .and_then(|when| when.p05)
        .is_none_or(|first| first > latest(until))
}

/// What the return finds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Away {
    /// When somebody is there again.
    pub until: Timestamp,
    /// Content in the target's sense 72 h after a move made then.
    pub after_move: Quantiles<Co2Volumes>,
    /// Gauge pressure of the worst bottle then.
    pub worst_bottle: Quantiles<GaugePressure>,
    /// When the worst bottle first exceeds the limit.
    pub limit_at: Option<When>,
    /// When the move would have been right.
    pub move_at: Option<When>,
}

/// How the content stands to the target then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taste {
    /// Still short of it.
    Short,
    /// As wanted, as likely as not.
    Right,
    /// Beyond it.
    Beyond,
}

impl Away {
    /// Of a batch that is left alone from its sealing until `until`.
    #[must_use]
    pub fn of(prospect: &Prospect, until: Timestamp) -> Self {
        let sealing = prospect.forecast();
        let (_, then) = prospect.as_of(until);
        Self {
            until,
            after_move: then.after_move_now,
            worst_bottle: then.worst_bottle_now,
            limit_at: sealing.limit_at,
            move_at: sealing.move_at,
        }
    }

    /// The limit is not passed before the return and half a day after it, nineteen times in twenty.
    #[must_use]
    pub fn is_safe(&self) -> bool {
        stays_below(self.limit_at, self.until)
    }

    /// Sealed then, nothing else changed, it is safe; `None`: not before the return. A later sealing moves the limit by as much.
    #[must_use]
    pub fn safe_if_sealed(&self, bottled_at: Timestamp) -> Option<Timestamp> {
        let Some(first) = self.limit_at.and_then(|when| when.p05) else {
            return Some(bottled_at);
        };
        let late = latest(self.until).duration_since(first).max(SignedDuration::ZERO);
        let sealed = bottled_at.checked_add(late).ok()?;
        (sealed < self.until).then_some(sealed)
    }

    /// How the likeliest content stands to `target`.
    #[must_use]
    pub fn taste(&self, target: Co2Volumes) -> Taste {
        let off = self.after_move.p50.volumes() - target.volumes();
        if off.abs() <= RIGHT {
            Taste::Right
        } else if off < 0.0 {
            Taste::Short
        } else {
            Taste::Beyond
        }
    }
}
