//! The other side of a channel: takes letters, refuses them, or takes them and cannot say so.

use std::sync::{Mutex, MutexGuard, PoisonError};

use fobwatch_core::alert::AlertRecord;

use super::power::Power;
use crate::deliver::{Letter, Undelivered, simulated::OtherSide};

/// How it is with letters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Mood {
    #[default]
    Takes,
    Refuses,
    Unanswered,
}

/// A letter that arrived.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Arrived {
    pub(super) key: String,
    pub(super) reminder: bool,
    pub(super) alerts: Vec<AlertRecord>,
}

/// One of them.
pub(super) struct Other {
    power: Power,
    mood: Mutex<Mood>,
    arrived: Mutex<Vec<Arrived>>,
}

impl std::fmt::Debug for Other {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Other")
    }
}

fn lock<T>(shared: &Mutex<T>) -> MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Other {
    pub(super) fn new(power: Power) -> Self {
        Self {
            power,
            mood: Mutex::default(),
            arrived: Mutex::default(),
        }
    }

    pub(super) fn feels(&self, mood: Mood) {
        *lock(&self.mood) = mood;
    }

    /// It takes what it is given.
    pub(super) fn is_open(&self) -> bool {
        *lock(&self.mood) == Mood::Takes
    }

    /// All that arrived, in order.
    pub(super) fn arrived(&self) -> Vec<Arrived> {
        lock(&self.arrived).clone()
    }
}

impl OtherSide for Other {
    fn takes(&self, letter: &Letter) -> Result<(), Undelivered> {
        if self.power.is_off() {
            return Err(Undelivered::later("the machine is off"));
        }
        let mood = *lock(&self.mood);
        if mood == Mood::Refuses {
            return Err(Undelivered::later("not now"));
        }
        lock(&self.arrived).push(Arrived {
            key: letter.key.clone(),
            reminder: letter.is_reminder(),
            alerts: letter.alerts().to_vec(),
        });
        match mood {
            Mood::Unanswered => Err(Undelivered::later("no answer")),
            _ => Ok(()),
        }
    }
}
