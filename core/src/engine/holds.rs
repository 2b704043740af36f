//! For how many evaluations in a row a condition has been there, or gone.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Evaluations in a row that a condition must hold to begin, where a rule says so.
pub(super) const IN_A_ROW: u8 = 2;

/// What is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(super) enum Matter {
    /// `over_limit`.
    OverLimit,
    /// `limit_near`, by its chance.
    LimitNear,
    /// `limit_near`, since the limit comes before the move is due.
    LimitFirst,
    /// `move_to_fridge`.
    Move,
    /// `fridge_soon`.
    Soon,
    /// `leak_suspected`.
    Leak,
    /// `leak_suspected`, of a bottle that was never tight.
    NeverTight,
    /// A gauge that creeps away.
    Creeping,
    /// The gauge reads what is expected without it.
    Agrees,
    /// `stalled`.
    Stalled,
    /// `outside_temperature`.
    Outside,
    /// `rising_in_fridge`.
    Rising,
}

/// For how many evaluations in a row each condition has been there, or gone.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Holds(BTreeMap<Matter, Hold>);

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Hold {
    pub(super) there: u8,
    pub(super) gone: u8,
    settled: bool,
}

/// What one evaluation says of a condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// There.
    There,
    /// Within the deadband.
    Between,
    /// Gone.
    Gone,
}

impl Verdict {
    pub(super) fn of(there: bool, gone: bool) -> Self {
        match (there, gone) {
            (true, _) => Self::There,
            (false, true) => Self::Gone,
            (false, false) => Self::Between,
        }
    }
}

impl Holds {
    pub(super) fn count(&mut self, matter: Matter, verdict: Verdict) -> Hold {
        let hold = self.0.entry(matter).or_default();
        (hold.there, hold.gone) = match verdict {
            Verdict::There => (hold.there.saturating_add(1), 0),
            Verdict::Between => (0, 0),
            Verdict::Gone => (0, hold.gone.saturating_add(1)),
        };
        *hold
    }

    /// Whether a condition holds that begins and ends only after so many evaluations in a row.
    pub(super) fn settles(&mut self, matter: Matter, verdict: Verdict, in_a_row: u8) -> bool {
        let now = self.count(matter, verdict);
        let hold = self.0.entry(matter).or_default();
        hold.settled = (hold.settled || now.there >= in_a_row) && now.gone < in_a_row;
        hold.settled
    }
}
