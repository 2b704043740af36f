//! One event through the engine, and what comes of it.

use std::panic::{AssertUnwindSafe, catch_unwind};

use fobwatch_core::{
    alert::AlertRecord,
    engine::{Action, Event, SetAsideReason, drive_some},
};
use tracing::{debug, warn};

use super::Worker;
use crate::{
    store::{Sequence, StoredEvent},
    watch::{
        concerns::{concerns, first_tick},
        log,
    },
};

/// What became of an event.
pub(super) enum Taken {
    Whole,
    /// A fit comes next.
    WaitsForFit,
    /// The engine failed.
    Failed,
    /// What came of it cannot be stored yet, or it is time to stop.
    Halted,
}

impl Worker {
    pub(super) fn concerns(&mut self, event: &StoredEvent) -> Option<Event> {
        let clock = self.house.settings.clock;
        concerns(
            &mut self.monitor,
            (self.live.id, &self.back),
            clock,
            &self.house.claims(),
            event,
        )
    }

    /// Takes one event, tick by tick: a leap of the clock asks for many fits, and neither a stop nor the other batches must wait for
    /// all of them. A restart takes the same event again and goes on with the ticks that are left.
    pub(super) fn drive(&mut self, event: &Event, stored: &StoredEvent, fits_left: &mut u32) -> Taken {
        if self.first.is_none() {
            self.first = first_tick(&self.monitor, self.house.settings.clock, stored);
        }
        let first = self.first.clone();
        for event in first.iter().chain([event]) {
            let until = self.monitor.reaches(event);
            loop {
                let at = self.monitor.next_wake();
                let ticks = at < until || (at == until && matches!(event, Event::Tick { .. }));
                if ticks && self.monitor.wakes_with_fit() && at >= self.fit.from {
                    if *fits_left == 0 {
                        return Taken::WaitsForFit;
                    }
                    *fits_left -= 1;
                    self.fits_since_snapshot += 1;
                }
                let is_last = at >= until;
                let next = if is_last {
                    event.clone()
                } else {
                    Event::Tick { at }
                };
                let Some(actions) = self.step(next) else {
                    return Taken::Failed;
                };
                self.obey(actions, stored.sequence);
                if is_last {
                    self.first = None;
                    break;
                }
                if self.unstored.is_some() || self.live.stop.is_cancelled() {
                    return Taken::Halted;
                }
            }
        }
        Taken::Whole
    }

    /// `None`: the engine failed.
    pub(super) fn step(&mut self, event: Event) -> Option<Vec<Action>> {
        let (monitor, fit, counted) = (&mut self.monitor, self.fit, &self.house.counted);
        let answer = catch_unwind(AssertUnwindSafe(|| {
            drive_some(monitor, event, &mut |request| {
                counted.timed(|| fit.answer(request))
            })
        }));
        answer.ok()
    }

    fn obey(&mut self, actions: Vec<Action>, sequence: Sequence) {
        let name = &self.live.batch.name;
        for action in actions {
            match action {
                // The driver has answered it, or left it open.
                Action::Fit(_) => {}
                Action::Alert(_) | Action::Remind(_) if self.is_gone_over(sequence) => {}
                Action::Alert(alert) => self.outcome.alerts.push(alert),
                Action::Forecast(forecast) => self.outcome.forecasts.push(*forecast),
                Action::SetAside(set_aside) => {
                    debug!(batch = %name, ?set_aside, "A reading is not used.");
                    // One of another sensor that moved the clock is only counted, like those that pass by.
                    if set_aside.reason != SetAsideReason::OtherSource {
                        self.outcome.set_aside.push(set_aside);
                    }
                }
                Action::Remind(alert) => {
                    if sequence > self.old {
                        log::tell(&alert);
                        self.outcome.reminders.push(alert);
                    } else {
                        // One that a stop cut off is told; of many that are gone over, the last.
                        self.late.retain(|late| !same(late, &alert));
                        self.late.push(alert);
                    }
                }
                Action::Refused { command, why } => {
                    warn!(batch = %name, "What {} asked of {name} was not done: {why}.", command.who);
                }
            }
        }
        if sequence > self.old {
            self.outcome.reminders.append(&mut self.late);
        }
        if !self.outcome.alerts.is_empty() || !self.outcome.reminders.is_empty() {
            self.record();
        }
    }
}

/// Reminders of one alert.
fn same(a: &AlertRecord, b: &AlertRecord) -> bool {
    (a.alert, &a.source, a.quantity) == (b.alert, &b.source, b.quantity)
}
