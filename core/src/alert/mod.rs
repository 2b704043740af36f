//! Conditions that want a person: their names, states and records.
//!
//! The life cycle follows ANSI/ISA-18.2-2016 (IEC 62682): a record tells a transition, the stored state is one of
//! [`AlarmState`].

mod amount;
pub mod lifecycle;
pub mod sentence;

use std::{fmt, str::FromStr};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    batch::BatchName,
    reading::{Quantity, Source},
};

pub use amount::Units;

/// Which condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlertName {
    /// The move is at most the notice time away.
    FridgeSoon,
    /// A move made now ends at the target.
    MoveToFridge,
    /// The worst bottle may pass the limit within 24 h.
    LimitNear,
    /// The worst bottle may be at its limit, or the gauge reads it.
    OverLimit,
    /// The gauge fell fast to near zero and nobody noted an opening.
    SuddenLoss,
    /// CO2 is lost that temperature does not explain.
    LeakSuspected,
    /// Production has stopped or never began, short of the target.
    Stalled,
    /// The drink is too cold or too warm for its culture.
    OutsideTemperature,
    /// A chilled batch still gains.
    RisingInFridge,
    /// Nothing heard from a sensor.
    SensorSilent,
    /// A sensor is stuck, jumps or shows what cannot be; or a batch was set aside.
    SensorSuspect,
}

/// How soon a person must act, and what follows if not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Priority {
    /// Look at it today.
    Low,
    /// Act within the hour, for the drink.
    Medium,
    /// Act soon, for safety.
    High,
    /// Danger.
    Critical,
}

/// What happened to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Transition {
    /// The condition began.
    Raised,
    /// A person has seen it.
    Acknowledged,
    /// The condition ended, acknowledged or not.
    Cleared,
    /// A person set it aside for a time.
    Shelved,
    /// The time is over, or a person brought it back.
    Unshelved,
    /// Another condition explains it.
    Suppressed,
    /// Taken out of service by a person.
    OutOfService,
}

/// The stored state, after ANSI/ISA-18.2 (the letters are the standard's).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmState {
    /// A: the condition is absent.
    #[default]
    Normal,
    /// B: present, nobody has seen it.
    Unacknowledged,
    /// C: present, seen.
    Acknowledged,
    /// D: gone before anybody saw it.
    ReturnedUnacknowledged,
    /// E: set aside by a person for a time.
    Shelved,
    /// F: explained by another condition.
    SuppressedByDesign,
    /// G: out of service.
    OutOfService,
}

/// One transition of one alert, as it is stored, printed and published.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlertRecord {
    /// Which batch.
    pub batch: BatchName,
    /// Which condition.
    pub alert: AlertName,
    /// What happened.
    pub state: Transition,
    /// How urgent.
    pub priority: Priority,
    /// When.
    pub at: Timestamp,
    /// Plain sentences for a person: what, since when, what to do, the caution when pressure is concerned.
    pub message: String,
    /// Who did it, for transitions that a person makes.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub who: Option<String>,
    /// Which sensor, for sensor alerts.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub source: Option<Source>,
    /// Which quantity, for sensor alerts.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub quantity: Option<Quantity>,
}

/// By whom, when and why an alert was taken out of service.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakenOut {
    /// When.
    pub at: Timestamp,
    /// Who.
    pub who: String,
    /// Why.
    pub reason: String,
}

/// Why a command to an alert is not obeyed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Refused {
    /// No such alert stands.
    #[error("{alert} does not stand, so there is nothing to do; `status` lists what stands")]
    NotStanding {
        /// Which.
        alert: AlertName,
    },
    /// It is a danger: it stays in sight.
    #[error("{alert} cannot be shelved; it stays in sight until a person clears it with a reason")]
    NeverShelved {
        /// Which.
        alert: AlertName,
    },
    /// It warns of pressure: it stays in service.
    #[error("{alert} warns of pressure: it cannot be taken out of service")]
    NeverTakenOut {
        /// Which.
        alert: AlertName,
    },
    /// It is in service.
    #[error("{alert} is in service already; `status` lists what stands")]
    InService {
        /// Which.
        alert: AlertName,
    },
    /// The end of shelving is not after the clock.
    #[error("{alert} cannot be shelved until {until}: that is not after {now}")]
    ShelvedIntoThePast {
        /// Which.
        alert: AlertName,
        /// Until when.
        until: Timestamp,
        /// What the clock shows.
        now: Timestamp,
    },
    /// It warns of pressure: nobody sets it aside for days.
    #[error(
        "{alert} cannot be shelved until {until}: it warns of pressure, so at most for 24 hours from {now}"
    )]
    ShelvedTooLong {
        /// Which.
        alert: AlertName,
        /// Until when.
        until: Timestamp,
        /// What the clock shows.
        now: Timestamp,
    },
    /// The condition is still there.
    #[error("{alert} cannot be cleared while its condition is present; acknowledge it instead")]
    StillPresent {
        /// Which.
        alert: AlertName,
    },
    /// It clears by itself.
    #[error("{alert} clears by itself when its condition ends; acknowledge or shelve it instead")]
    ClearsByItself {
        /// Which.
        alert: AlertName,
    },
    /// A reason is needed.
    #[error("{alert} needs a reason in words for this")]
    NoReason {
        /// Which.
        alert: AlertName,
    },
}

/// A word that names no alert.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "alert `{given}` is not known; allowed: fridge_soon, move_to_fridge, limit_near, over_limit, sudden_loss, \
     leak_suspected, stalled, outside_temperature, rising_in_fridge, sensor_silent, sensor_suspect"
)]
pub struct UnknownAlert {
    /// What stood there, cut to 40 characters.
    pub given: String,
}

impl AlertName {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::FridgeSoon,
        Self::MoveToFridge,
        Self::LimitNear,
        Self::OverLimit,
        Self::SuddenLoss,
        Self::LeakSuspected,
        Self::Stalled,
        Self::OutsideTemperature,
        Self::RisingInFridge,
        Self::SensorSilent,
        Self::SensorSuspect,
    ];

    /// Its name in records, topics and commands.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::FridgeSoon => "fridge_soon",
            Self::MoveToFridge => "move_to_fridge",
            Self::LimitNear => "limit_near",
            Self::OverLimit => "over_limit",
            Self::SuddenLoss => "sudden_loss",
            Self::LeakSuspected => "leak_suspected",
            Self::Stalled => "stalled",
            Self::OutsideTemperature => "outside_temperature",
            Self::RisingInFridge => "rising_in_fridge",
            Self::SensorSilent => "sensor_silent",
            Self::SensorSuspect => "sensor_suspect",
        }
    }

    /// Its priority.
    #[must_use]
    pub fn priority(self) -> Priority {
        match self {
            Self::FridgeSoon | Self::Stalled | Self::OutsideTemperature => Priority::Low,
            Self::MoveToFridge
            | Self::LeakSuspected
            | Self::RisingInFridge
            | Self::SensorSilent
            | Self::SensorSuspect => Priority::Medium,
            Self::LimitNear => Priority::High,
            Self::OverLimit | Self::SuddenLoss => Priority::Critical,
        }
    }

    /// How it lives.
    #[must_use]
    pub fn manner(self) -> lifecycle::Manner {
        lifecycle::Manner {
            latches: self.latches(),
            may_be_shelved: self != Self::OverLimit,
            // A bottle goes on whether or not anybody wants to hear of it.
            may_be_taken_out: !self.is_of_pressure(),
        }
    }

    /// It warns of pressure: it comes back while unresolved.
    #[must_use]
    pub fn is_of_pressure(self) -> bool {
        matches!(self, Self::LimitNear | Self::OverLimit | Self::SuddenLoss)
    }

    /// Stays until a person clears it with a reason, even when the condition is gone.
    #[must_use]
    pub fn latches(self) -> bool {
        matches!(self, Self::OverLimit | Self::SuddenLoss)
    }
}

impl fmt::Display for AlertName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for AlertName {
    type Err = UnknownAlert;

    fn from_str(text: &str) -> Result<Self, UnknownAlert> {
        Self::ALL
            .into_iter()
            .find(|alert| alert.name() == text)
            .ok_or_else(|| UnknownAlert {
                given: crate::plain::line(text, 40),
            })
    }
}
