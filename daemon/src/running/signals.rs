//! SIGTERM and SIGINT: the first asks to stop, the second ends at once. SIGHUP: the configuration is read again.

use std::{
    path::PathBuf,
    process,
    time::{Duration, Instant},
};

use tokio::{
    signal::unix::{SignalKind, signal},
    sync::mpsc,
};
use tokio_util::sync::CancellationToken;
use tracing::{error, info};

use super::zeros;
use crate::{config::Config, watch::Failure};

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

/// Hands the configuration to `reload` at each SIGHUP. One that is refused changes nothing.
///
/// # Errors
/// The system gives no signals.
pub(super) fn reload_on_hangup(
    path: Option<PathBuf>,
    data: PathBuf,
    reload: mpsc::Sender<Config>,
) -> Result<(), Failure> {
    let mut hangup = signal(SignalKind::hangup()).map_err(|source| Failure::System {
        what: "its signals",
        source,
    })?;
    tokio::spawn(async move {
        while hangup.recv().await.is_some() {
            let read = Config::load(path.as_deref())
                .map_err(Failure::Config)
                .and_then(|mut config| {
                    config.calibrations.set_zeros(&zeros(&data)?);
                    Ok(config)
                });
            match read {
                Ok(config) => {
                    if reload.send(config).await.is_err() {
                        return;
                    }
                }
                Err(refused) => {
                    error!("The configuration is not taken up, and everything stays as it was: {refused}")
                }
            }
        }
    });
    Ok(())
}
