//! SIGTERM and SIGINT: the first asks to stop, the second ends at once.

use std::{
    process,
    time::{Duration, Instant},
};

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tracing::info;

use super::Failure;

/// What comes so soon after the first is the same wish: `timeout` and shells tell the program, and then its whole group.
const SAME: Duration = Duration::from_millis(500);

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
        let mut asked = None::<Instant>;
        loop {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
            }
            match asked {
                None => {
                    asked = Some(Instant::now());
                    info!("Stopping: what has arrived is stored first. Ask again to end at once.");
                    stop.cancel();
                }
                Some(first) if first.elapsed() < SAME => {}
                // Every acknowledged reading is on the disk already.
                Some(_) => process::exit(1),
            }
        }
    });
    Ok(())
}
