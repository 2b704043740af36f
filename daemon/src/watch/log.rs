//! Alerts as sentences in the log.

use fobwatch_core::alert::{AlertRecord, Priority, Transition};
use tracing::{error, info, warn};

/// Writes a transition as its sentence: what wants a person louder than what is over.
pub(crate) fn tell(alert: &AlertRecord) {
    let AlertRecord {
        batch,
        alert: name,
        state,
        message,
        ..
    } = alert;
    match (state, alert.priority) {
        (Transition::Raised | Transition::Unshelved, Priority::High | Priority::Critical) => {
            error!(%batch, alert = %name, state = ?state, "{message}");
        }
        (Transition::Raised | Transition::Unshelved, Priority::Medium) => {
            warn!(%batch, alert = %name, state = ?state, "{message}");
        }
        _ => info!(%batch, alert = %name, state = ?state, "{message}"),
    }
}
