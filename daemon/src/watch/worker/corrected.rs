//! A batch whose entries were corrected, or of which a note was taken back: gone over from its sealing on, in silence, up to where that was done.
//!
//! People were told meanwhile what was made of it. Nobody is told all of that again from days ago: where the correction stands in the order,
//! what was told and does not hold is cleared, and what holds and was not told is raised. What was told last stands in the store, so a stop
//! in the middle does it over again, and the same comes of it.

use fobwatch_core::{
    alert::{AlarmState, AlertRecord, Transition},
    engine::AlertView,
    note::NoteKind,
};
use tracing::error;

use super::Worker;
use crate::store::{Sequence, StoredEvent, StoredWhat};

impl Worker {
    /// What comes of the event at `sequence` is of the time before the correction.
    pub(super) fn is_gone_over(&self, sequence: Sequence) -> bool {
        self.corrected.is_some_and(|corrected| sequence <= corrected)
    }

    /// At the correction itself; false: the store cannot be read, so it is to be tried again.
    pub(super) fn settle_corrected(&mut self, event: &StoredEvent) -> bool {
        let id = self.live.id;
        let told = self
            .runtime
            .block_on(self.house.store.read(move |reader| reader.last_alerts(id)));
        let told = match told {
            Ok(told) => told,
            Err(error) => {
                error!(batch = %self.live.batch.name, "What was told of {} cannot be read yet: {error}.", self.live.batch.name);
                return false;
            }
        };
        let view = self.monitor.view();
        let at = self.monitor.clock().max(event.received_at);
        let name = &self.live.batch.name;
        let why = match &event.what {
            StoredWhat::Note(_, note) if note.kind == NoteKind::TakenBack => {
                "without the note that was taken back"
            }
            _ => "with the corrected entries",
        };
        // One of the whole batch is of a failed reckoning, and not the engine's.
        let of_the_engine = |alert: &&AlertRecord| {
            alert.source.is_some() || alert.alert != fobwatch_core::alert::AlertName::SensorSuspect
        };
        let mut settled: Vec<AlertRecord> = Vec::new();
        for old in told.iter().filter(of_the_engine) {
            let stands = view.alerts.iter().any(|new| same(old, new) && holds(new));
            if old.state != Transition::Cleared && !stands {
                settled.push(AlertRecord {
                    state: Transition::Cleared,
                    at,
                    message: format!("{name}: {why} this does not hold."),
                    who: None,
                    ..old.clone()
                });
            }
        }
        for new in view.alerts.iter().filter(|new| is_to_be_told(new)) {
            let known = told
                .iter()
                .any(|old| same(old, new) && old.state != Transition::Cleared);
            if !known {
                settled.push(AlertRecord {
                    batch: name.clone(),
                    alert: new.alert,
                    state: Transition::Raised,
                    priority: new.priority,
                    at,
                    message: new.message.clone(),
                    who: None,
                    source: new.source.clone(),
                    quantity: new.quantity,
                });
            }
        }
        self.outcome.alerts.extend(settled);
        self.record();
        true
    }
}

fn same(old: &AlertRecord, new: &AlertView) -> bool {
    (old.alert, &old.source, old.quantity) == (new.alert, &new.source, new.quantity)
}

/// Whether the last word of it is not that it ended.
fn holds(alert: &AlertView) -> bool {
    alert.present || alert.latched || alert.state == AlarmState::OutOfService
}

fn is_to_be_told(alert: &AlertView) -> bool {
    holds(alert) && matches!(alert.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}
