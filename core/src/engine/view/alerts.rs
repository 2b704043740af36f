//! The alerts of a view.

use jiff::Timestamp;
use serde::Serialize;

use crate::{
    alert::{AlarmState, AlertName, Priority, TakenOut, sentence},
    engine::{
        Monitor,
        board::{Key, Slot},
    },
    reading::{Quantity, Source},
};

/// One alert.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlertView {
    /// Which.
    pub alert: AlertName,
    /// Its state after ISA-18.2.
    pub state: AlarmState,
    /// The condition is there at this moment.
    pub present: bool,
    /// Only a person clears it, with a reason.
    pub latched: bool,
    /// How urgent.
    pub priority: Priority,
    /// Since when the condition is, or was, there.
    pub since: Timestamp,
    /// Until when it is shelved.
    pub shelved_until: Option<Timestamp>,
    /// By whom, when and why it was taken out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_out: Option<TakenOut>,
    /// Plain sentences, as of the newest evaluation.
    pub message: String,
    /// Which sensor, for sensor alerts.
    pub source: Option<Source>,
    /// Which quantity, for sensor alerts.
    pub quantity: Option<Quantity>,
}

/// It stands, or a person or the rules have done something to it that is not over.
pub(in crate::engine) fn is_shown(slot: &Slot) -> bool {
    let quiet = matches!(
        slot.standing.state,
        AlarmState::Normal | AlarmState::SuppressedByDesign
    );
    slot.standing.stands() || !quiet
}

impl Monitor {
    /// What stands, or waits to be seen; most urgent first.
    #[must_use]
    pub fn alerts(&self) -> Vec<AlertView> {
        let mut views: Vec<AlertView> = self
            .state
            .board
            .slots()
            .filter(|(_, slot)| is_shown(slot))
            .map(|(key, slot)| AlertView {
                alert: key.alert,
                state: slot.standing.state,
                present: slot.standing.present,
                latched: slot.standing.latched,
                priority: key.alert.priority(),
                since: slot.since,
                shelved_until: slot.shelved_until,
                taken_out: slot.taken_out.clone(),
                message: self.alert_message(key, slot),
                source: key.sensor.as_ref().map(|sensor| sensor.source.clone()),
                quantity: key.sensor.as_ref().map(|sensor| sensor.quantity),
            })
            .collect();
        views.sort_by(|a, b| b.priority.cmp(&a.priority).then(a.since.cmp(&b.since)));
        views
    }

    fn alert_message(&self, key: &Key, slot: &Slot) -> String {
        let Some(out) = &slot.taken_out else {
            let latched = key.alert == AlertName::OverLimit && slot.standing.stands();
            return match self
                .below_the_limit_since(slot.standing.present)
                .filter(|_| latched)
            {
                Some(since) => format!("{} {since}", slot.shown()),
                None => slot.shown().to_owned(),
            };
        };
        let since = sentence::local(out.at, &self.settings.zone);
        let told = format!("Out of service since {since}: {}, {}.", out.who, out.reason);
        if slot.standing.stands() {
            format!("{told} {}", slot.shown())
        } else {
            told
        }
    }
}
