//! The engine of one batch: events in, actions out. It decides; the daemon obeys.
//!
//! [`Monitor::step`] is pure: no clock, randomness, I/O or log. [`drive()`] runs it with its ticks and fits in order;
//! `watch` and `replay` both go through it.

mod advice;
mod astray;
mod awake;
mod board;
mod clock;
mod drive;
mod evaluate;
mod gauge;
mod glance;
mod health;
mod holds;
mod intake;
mod limit;
mod moments;
mod monitor;
mod moves;
mod never_tight;
mod others;
mod questions;
mod readings;
mod rescue;
mod rules;
mod silence;
mod snapshot;
mod table;
mod target;
mod times;
mod told;
mod view;
mod whereabouts;

#[cfg(test)]
#[expect(
    clippy::cast_possible_truncation,
    reason = "hours and counts made by hand are small"
)]
mod tests;

use std::sync::Arc;

use jiff::{Timestamp, tz::TimeZone};
use serde::{Deserialize, Serialize};

use crate::{
    alert::{AlertName, AlertRecord, Refused, Units},
    fit::{Evidence, Posterior, Surroundings},
    forecast::{Forecast, Outlook},
    note::Note,
    reading::Reading,
};

/// Everything that can happen.
#[derive(Clone, Debug)]
pub enum Event {
    /// A reading was accepted and stored.
    Measured(Reading),
    /// A reading of a source that another batch has: this one never takes it as the only source of what it does not list, and it only
    /// moves the clock where readings do.
    OfAnother(Reading),
    /// A person noted something.
    Noted(Note),
    /// The clock stands at `at`.
    Tick {
        /// When.
        at: Timestamp,
    },
    /// The answer to [`Action::Fit`].
    Fitted(Box<Fitted>),
    /// A person did something to an alert.
    Commanded(Command),
}

/// Everything the daemon is to do.
#[derive(Clone, Debug)]
pub enum Action {
    /// Run [`FitRequest::run`] and answer with [`Event::Fitted`] before the next event.
    Fit(FitRequest),
    /// A transition of an alert: store and deliver.
    Alert(AlertRecord),
    /// A new forecast on the grid: store it.
    Forecast(Box<Forecast>),
    /// A reading was not used: store why, count it, tell it.
    SetAside(SetAside),
    /// A pressure alert is still unresolved: deliver it again. No transition; `replay` writes no record of it.
    Remind(AlertRecord),
    /// A command could not be obeyed: tell who gave it. [`Monitor::permits`] asks beforehand.
    Refused {
        /// What was asked.
        command: Command,
        /// Why not.
        why: Refused,
    },
}

/// What a person does to an alert.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Command {
    /// When.
    pub at: Timestamp,
    /// Which alert.
    pub alert: AlertName,
    /// Who.
    pub who: String,
    /// What.
    pub deed: Deed,
}

/// What is done to an alert.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Deed {
    /// Seen.
    Acknowledge,
    /// Set aside until a time, for a reason.
    Shelve {
        /// Until when.
        until: Timestamp,
        /// Why.
        reason: String,
    },
    /// Bring a shelved alert back before its time.
    Unshelve,
    /// Clear a latched alert, for a reason.
    Reset {
        /// Why.
        reason: String,
    },
    /// Take an alert out of service, for a reason: nobody is told of it until it is put back.
    TakeOut {
        /// Why.
        reason: String,
    },
    /// Put an alert back into service.
    PutBack,
}

/// A reading that the engine did not use, and why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SetAside {
    /// The reading.
    pub reading: Reading,
    /// Why.
    pub reason: SetAsideReason,
}

/// Why a reading was not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SetAsideReason {
    /// The same source, quantity and time came before.
    Duplicate,
    /// Measured before the bottles were sealed.
    BeforeSealing,
    /// More than 24 h ahead of the clock and confirmed by no other row.
    FromTheFuture,
    /// Not listed under `[sensors]`, and several sources send it.
    SeveralSources,
    /// Another source is listed for this quantity.
    OtherSource,
    /// It shows what cannot be, such as a gauge far below vacuum.
    Impossible,
}

/// A fit to run. Cheap to clone and to send to a worker.
#[derive(Clone, Debug)]
pub struct FitRequest {
    /// What is known.
    pub evidence: Arc<Evidence>,
    /// What to do.
    pub work: Work,
    /// Of which bottles.
    pub of: Bottles,
    /// The answer of the grid point before.
    pub warm: Option<Arc<Posterior>>,
    /// As of when.
    pub at: Timestamp,
}

impl FitRequest {
    /// Does the work. Pure, and the only slow thing of the engine: some tens of milliseconds, or a second where days of data came at once.
    #[must_use]
    pub fn run(&self) -> Fitted {
        let (posterior, forecast, outlook) = match (self.work, &self.warm) {
            (Work::CarryOn, Some(warm)) => {
                let (forecast, outlook) = warm.answers(&self.evidence, self.at);
                (Arc::clone(warm), forecast, outlook)
            }
            _ => {
                let (posterior, forecast, outlook) =
                    crate::fit::fit_and_answers(&self.evidence, self.at, self.warm.as_ref());
                (Arc::new(posterior), forecast, outlook)
            }
        };
        Fitted {
            of: self.of,
            at: self.at,
            posterior,
            forecast,
            outlook,
        }
    }
}

/// How much work a [`FitRequest`] is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Work {
    /// Fit the evidence.
    Fit,
    /// Nothing came in since the answer in `warm`: carry it on to a later time.
    CarryOn,
}

/// Of which bottles a fit speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Bottles {
    /// Those that stand with the sensors.
    WithSensors,
    /// Those left in the room when the sensors went to the fridge.
    LeftBehind,
}

/// The answer to a [`FitRequest`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fitted {
    /// Of which bottles.
    pub of: Bottles,
    /// As of when.
    pub at: Timestamp,
    /// The posterior.
    pub posterior: Arc<Posterior>,
    /// The forecast from it.
    pub forecast: Forecast,
    /// What the alert rules ask.
    pub outlook: Outlook,
}

pub(crate) use awake::Gap;
pub use awake::{Away, WakingHours};
pub use clock::first_tick_from;
pub use drive::{drive, drive_some};
pub use glance::{AlertGlance, Glance, SensorGlance};
pub use intake::AHEAD;
pub use moments::MomentView;
pub(crate) use moments::{Choice, Moment};
pub use monitor::Monitor;
pub use rescue::{Back, Plight, Rescue};
pub use rules::Rules;
pub use snapshot::BadSnapshot;
pub use table::alert_table;
pub use view::{AlertView, ApartView, Fullest, SensorView, View};
pub use whereabouts::Place;

/// What the user configured for all batches.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Zone in which sentences tell the time.
    pub zone: TimeZone,
    /// Units in which sentences tell pressures and temperatures.
    pub units: Units,
    /// The place.
    pub surroundings: Surroundings,
    /// What moves the clock.
    pub clock: ClockSource,
    /// When alerts are raised.
    pub rules: Rules,
}

/// What moves a monitor's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockSource {
    /// The latest accepted measured time, as in `replay`.
    Readings,
    /// [`Event::Tick`] alone, as in `watch`: a reading from ahead of the clock counts as of the clock.
    Ticks,
}
