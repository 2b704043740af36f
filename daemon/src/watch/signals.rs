//! SIGTERM and SIGINT: the first asks to stop, the second ends at once.

use std::process;

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tracing::info;

use super::Failure;

/// Cancels `stop` at the first signal.
///
/// # Errors
/// The system gives no signals.
pub fn stop_on_signals(stop: CancellationToken) -> Result<(), Failure> {
    let take = |kind| {
        signal(kind).map_err(|source| Failure::System {
            what: "its signals",
            source,
        })
    };
    let mut terminate = take(SignalKind::terminate())?;
    let mut interrupt = take(SignalKind::interrupt())?;
    tokio::spawn(async move {
        for again in [false, true] {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            if again {
                // Every acknowledged reading is on the disk already.
                process::exit(1);
            }
            info!("Stopping: what has arrived is stored first. Ask again to end at once.");
            stop.cancel();
        }
    });
    Ok(())
}
