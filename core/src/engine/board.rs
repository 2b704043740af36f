//! The alerts of one batch: each with its standing, its latest sentence and its shelf.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use serde::{Deserialize, Serialize};

use crate::{
    alert::{
        AlarmState, AlertName, AlertRecord, Refused, TakenOut, Transition,
        lifecycle::{self, Happening, NotAllowed, Standing},
        sentence,
    },
    batch::BatchName,
};

use super::{Action, Command, Deed, Rules, intake::Sensor};

/// An alert of pressure may be shelved for no longer: by then another forecast of the next 24 h is wanted.
const LONGEST_SHELF: SignedDuration = SignedDuration::from_hours(24);

/// Which alert: one of the batch, or one of a sensor.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(super) struct Key {
    pub(super) alert: AlertName,
    pub(super) sensor: Option<Sensor>,
}

impl From<AlertName> for Key {
    fn from(alert: AlertName) -> Self {
        Self { alert, sensor: None }
    }
}

/// One alert.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Slot {
    pub(super) standing: Standing,
    /// Since when the condition is there; or when it was last there.
    pub(super) since: Timestamp,
    /// When it was last gone.
    ended: Option<Timestamp>,
    pub(super) message: String,
    /// What explains it, or forbids to act on it: said instead of the message.
    withheld: Option<String>,
    pub(super) shelved_until: Option<Timestamp>,
    pub(super) taken_out: Option<TakenOut>,
    /// When a person last heard of it.
    told: Timestamp,
}

/// All alerts of the batch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Board {
    batch: BatchName,
    slots: BTreeMap<Key, Slot>,
}

impl Board {
    pub(super) fn new(batch: BatchName) -> Self {
        Self {
            batch,
            slots: BTreeMap::new(),
        }
    }

    pub(super) fn slots(&self) -> impl Iterator<Item = (&Key, &Slot)> {
        self.slots.iter()
    }

    /// The condition is there or latched.
    pub(super) fn stands(&self, key: &Key) -> bool {
        self.slots.get(key).is_some_and(|slot| slot.standing.stands())
    }

    pub(super) fn is_present(&self, key: &Key) -> bool {
        self.slots.get(key).is_some_and(|slot| slot.standing.present)
    }

    /// The condition is there, and nothing explains it away.
    pub(super) fn is_told(&self, key: &Key) -> bool {
        self.slots.get(key).is_some_and(|slot| {
            slot.standing.present && slot.standing.state != AlarmState::SuppressedByDesign
        })
    }

    /// For how long the condition is there, or gone; `None`: it never was there. For what must not chatter.
    pub(super) fn unchanged_for(&self, key: &Key, now: Timestamp) -> Option<SignedDuration> {
        let slot = self.slots.get(key)?;
        let since = if slot.standing.present {
            Some(slot.since)
        } else {
            slot.ended
        };
        Some(now.duration_since(since?))
    }

    /// The condition is there; `message` says so as of `at`.
    pub(super) fn begins(&mut self, key: Key, at: Timestamp, message: String, out: &mut Vec<Action>) {
        let slot = self.slot(&key, at);
        if !slot.standing.present {
            slot.since = at;
        }
        slot.message.clone_from(&message);
        self.happens(&key, Happening::Begins, at, message, out);
    }

    /// The condition is gone; `message` says how.
    pub(super) fn ends(&mut self, key: &Key, at: Timestamp, message: String, out: &mut Vec<Action>) {
        if self.is_present(key) {
            if let Some(slot) = self.slots.get_mut(key) {
                slot.ended = Some(at);
            }
            self.happens(key, Happening::Ends, at, message, out);
        }
    }

    /// Another condition explains it (`message`), from `at` on.
    pub(super) fn suppress(&mut self, key: &Key, at: Timestamp, message: String, out: &mut Vec<Action>) {
        self.slot(key, at).withheld = Some(message.clone());
        self.happens(key, Happening::Suppress, at, message, out);
    }

    /// The slot of `key`. A sensor heard of for the first time is out of service if its alert is.
    fn slot(&mut self, key: &Key, at: Timestamp) -> &mut Slot {
        let of_all = self.slots.get(&Key::from(key.alert));
        let taken_out = of_all.and_then(|slot| slot.taken_out.clone());
        self.slots.entry(key.clone()).or_insert_with(|| Slot {
            standing: Standing {
                state: taken_out
                    .as_ref()
                    .map_or(AlarmState::Normal, |_| AlarmState::OutOfService),
                ..Standing::default()
            },
            taken_out,
            ..Slot::new(at)
        })
    }

    /// Nothing explains it any more.
    pub(super) fn unsuppress(&mut self, key: &Key, at: Timestamp, out: &mut Vec<Action>) {
        if let Some(slot) = self.slots.get_mut(key) {
            slot.withheld = None;
            let message = slot.message.clone();
            self.happens(key, Happening::Unsuppress, at, message, out);
        }
    }

    /// Ends shelving that is over and tells pressure alerts again.
    pub(super) fn tick(&mut self, at: Timestamp, rules: &Rules, out: &mut Vec<Action>) {
        for key in self.slots.keys().cloned().collect::<Vec<_>>() {
            let Some(slot) = self.slots.get_mut(&key) else {
                continue;
            };
            if slot.shelved_until.is_some_and(|until| until <= at) {
                slot.shelved_until = None;
                let message = slot.shown().to_owned();
                self.happens(&key, Happening::ShelvingOver, at, message, out);
            }
            self.remind(&key, at, rules, out);
        }
    }

    fn remind(&mut self, key: &Key, at: Timestamp, rules: &Rules, out: &mut Vec<Action>) {
        let Some(slot) = self.slots.get_mut(key) else {
            return;
        };
        let patience = match slot.standing.state {
            AlarmState::Unacknowledged => rules.remind_every,
            AlarmState::Acknowledged => rules.remind_every.saturating_add(rules.remind_every),
            _ => return,
        };
        if !key.alert.is_of_pressure() || at.duration_since(slot.told) < patience {
            return;
        }
        slot.told = at;
        let message = slot.message.clone();
        self.happens(key, Happening::Remind, at, message.clone(), out);
        out.push(Action::Remind(self.record(
            key,
            Transition::Raised,
            at,
            message,
            None,
        )));
    }

    /// Why a command could not be obeyed at `now`, or nothing.
    pub(super) fn permits(&self, command: &Command, now: Timestamp) -> Result<(), Refused> {
        let alert = command.alert;
        let now = now.max(command.at);
        match &command.deed {
            Deed::Shelve { reason, .. } | Deed::Reset { reason } | Deed::TakeOut { reason }
                if reason.trim().is_empty() =>
            {
                return Err(Refused::NoReason { alert });
            }
            Deed::Shelve { until, .. } if *until <= now && alert.manner().may_be_shelved => {
                return Err(Refused::ShelvedIntoThePast {
                    alert,
                    until: *until,
                    now,
                });
            }
            Deed::Shelve { until, .. }
                if alert.is_of_pressure()
                    && alert.manner().may_be_shelved
                    && until.duration_since(now) > LONGEST_SHELF =>
            {
                return Err(Refused::ShelvedTooLong {
                    alert,
                    until: *until,
                    now,
                });
            }
            _ => {}
        }
        let happening = happening_of(&command.deed);
        // Only what may be done to an alert that never stood passes here: taking it out of service.
        let mut answer = match lifecycle::next(alert.manner(), Standing::default(), happening) {
            Ok(_) => return Ok(()),
            Err(why) => Err(refusal(alert, happening, why)),
        };
        for slot in self.of(alert) {
            match lifecycle::next(alert.manner(), slot.standing, happening) {
                Ok(_) => return Ok(()),
                Err(NotAllowed::NotStanding) => {}
                Err(why) => answer = Err(refusal(alert, happening, why)),
            }
        }
        answer
    }

    /// Obeys a command that [`Board::permits`]; it concerns every sensor that raised the alert.
    pub(super) fn obey(&mut self, command: &Command, at: Timestamp, zone: &TimeZone, out: &mut Vec<Action>) {
        if matches!(command.deed, Deed::TakeOut { .. }) {
            self.slot(&command.alert.into(), at);
        }
        let keys: Vec<Key> = self
            .slots
            .keys()
            .filter(|k| k.alert == command.alert)
            .cloned()
            .collect();
        for key in keys {
            let Some(slot) = self.slots.get(&key) else {
                continue;
            };
            let happening = happening_of(&command.deed);
            let Ok((after, said)) = lifecycle::next(key.alert.manner(), slot.standing, happening) else {
                continue;
            };
            let message = match &command.deed {
                Deed::Shelve { until, reason } => {
                    let until = sentence::local(*until, zone);
                    format!("Shelved until {until}: {reason}. {}", slot.shown())
                }
                Deed::Reset { reason } => format!("{}: cleared by {}: {reason}", self.batch, command.who),
                Deed::TakeOut { reason } => format!(
                    "{}: {} is out of service since {}: {}, {reason}. Nobody is told of it until it is put back.",
                    self.batch,
                    command.alert,
                    sentence::local(at, zone),
                    command.who
                ),
                Deed::PutBack if !slot.standing.stands() => {
                    format!("{}: {} is back in service.", self.batch, command.alert)
                }
                Deed::Acknowledge | Deed::Unshelve | Deed::PutBack => slot.shown().to_owned(),
            };
            if let Some(slot) = self.slots.get_mut(&key) {
                slot.standing = after;
                slot.told = at;
                match &command.deed {
                    Deed::Shelve { until, .. } => slot.shelved_until = Some(*until),
                    Deed::Unshelve | Deed::Reset { .. } => slot.shelved_until = None,
                    Deed::TakeOut { reason } => {
                        slot.shelved_until = None;
                        slot.taken_out.get_or_insert_with(|| TakenOut {
                            at,
                            who: command.who.clone(),
                            reason: reason.clone(),
                        });
                    }
                    Deed::PutBack => slot.taken_out = None,
                    Deed::Acknowledge => {}
                }
            }
            if let Some(said) = said {
                let who = Some(command.who.clone());
                out.push(Action::Alert(self.record(&key, said, at, message, who)));
            }
        }
    }

    fn of(&self, alert: AlertName) -> impl Iterator<Item = &Slot> {
        self.slots
            .iter()
            .filter(move |(key, _)| key.alert == alert)
            .map(|(_, slot)| slot)
    }

    fn happens(
        &mut self,
        key: &Key,
        happening: Happening,
        at: Timestamp,
        message: String,
        out: &mut Vec<Action>,
    ) {
        let Some(slot) = self.slots.get_mut(key) else {
            return;
        };
        let before = slot.standing.state;
        // Conditions and times are never refused; see `lifecycle::next`.
        let Ok((after, said)) = lifecycle::next(key.alert.manner(), slot.standing, happening) else {
            return;
        };
        slot.standing = after;
        if let Some(said) = said {
            slot.told = at;
            out.push(Action::Alert(self.record(key, said, at, message, None)));
        } else if happening == Happening::Begins
            && before == AlarmState::Acknowledged
            && after.state == AlarmState::Unacknowledged
        {
            slot.told = at;
            out.push(Action::Remind(self.record(
                key,
                Transition::Raised,
                at,
                message,
                None,
            )));
        }
    }

    fn record(
        &self,
        key: &Key,
        state: Transition,
        at: Timestamp,
        message: String,
        who: Option<String>,
    ) -> AlertRecord {
        AlertRecord {
            batch: self.batch.clone(),
            alert: key.alert,
            state,
            priority: key.alert.priority(),
            at,
            message,
            who,
            source: key.sensor.as_ref().map(|sensor| sensor.source.clone()),
            quantity: key.sensor.as_ref().map(|sensor| sensor.quantity),
        }
    }
}

impl Slot {
    fn new(at: Timestamp) -> Self {
        Self {
            standing: Standing::default(),
            since: at,
            ended: None,
            message: String::new(),
            withheld: None,
            shelved_until: None,
            taken_out: None,
            told: at,
        }
    }

    /// What is to be said of it.
    pub(super) fn shown(&self) -> &str {
        self.withheld.as_deref().unwrap_or(&self.message)
    }
}

fn happening_of(deed: &Deed) -> Happening {
    match deed {
        Deed::Acknowledge => Happening::Acknowledge,
        Deed::Shelve { .. } => Happening::Shelve,
        Deed::Unshelve => Happening::Unshelve,
        Deed::Reset { .. } => Happening::Reset,
        Deed::TakeOut { .. } => Happening::TakeOut,
        Deed::PutBack => Happening::PutBack,
    }
}

fn refusal(alert: AlertName, happening: Happening, why: NotAllowed) -> Refused {
    match why {
        NotAllowed::NotStanding if happening == Happening::PutBack => Refused::InService { alert },
        NotAllowed::StaysInSight if happening == Happening::TakeOut => Refused::NeverTakenOut { alert },
        NotAllowed::NotStanding => Refused::NotStanding { alert },
        NotAllowed::StaysInSight => Refused::NeverShelved { alert },
        NotAllowed::StillPresent => Refused::StillPresent { alert },
        NotAllowed::ClearsByItself => Refused::ClearsByItself { alert },
    }
}
