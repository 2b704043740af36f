//! Runs a monitor with its ticks and fits in order. `watch` and `replay` both go through here.

use super::{Action, Event, FitRequest, Fitted, Monitor};

/// Advances the clock tick by tick to where `event` leaves it, then applies the event. Each fit is answered by `fit`
/// before anything else happens, so its answer counts as of the clock at which it was asked.
///
/// The actions come in order; [`Action::Fit`] is carried out and not among them. A leap of the clock costs a bounded
/// number of fits: while nothing comes in, ticks thin out (see the engine's clock), and the last answer is carried on
/// instead of fitted anew.
#[must_use]
pub fn drive(monitor: &mut Monitor, event: Event, fit: &mut dyn FnMut(&FitRequest) -> Fitted) -> Vec<Action> {
    drive_some(monitor, event, &mut |request| Some(fit(request)))
}

/// The same, but `fit` may leave a question open (`None`): then nothing is judged until the next grid point asks anew. For
/// going quickly over a past that nobody needs warnings of. Leave questions open only before the first answer: after it the
/// engine takes what it asked about for known.
#[must_use]
pub fn drive_some(
    monitor: &mut Monitor,
    event: Event,
    fit: &mut dyn FnMut(&FitRequest) -> Option<Fitted>,
) -> Vec<Action> {
    let mut done = Vec::new();
    let until = monitor.reaches(&event);
    loop {
        let at = monitor.next_wake();
        if at >= until {
            break;
        }
        step(monitor, Event::Tick { at }, fit, &mut done);
    }
    step(monitor, event, fit, &mut done);
    done
}

fn step(
    monitor: &mut Monitor,
    event: Event,
    fit: &mut dyn FnMut(&FitRequest) -> Option<Fitted>,
    done: &mut Vec<Action>,
) {
    for action in monitor.step(event) {
        match action {
            Action::Fit(request) => {
                if let Some(answer) = fit(&request) {
                    step(monitor, Event::Fitted(Box::new(answer)), fit, done);
                }
            }
            other => done.push(other),
        }
    }
}
