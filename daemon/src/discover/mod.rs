//! What arrives at brokers and ports, listened to for a while: what is read of it, what is not and why, and how the rest
//! could be mapped. Nothing is stored, acknowledged or published.

pub(crate) mod guess;
mod heard;
mod ports;
#[cfg(test)]
mod tests;

use std::{
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::{
    config::{Broker, Port},
    decode::Calibrations,
    mqtt,
};

pub(crate) use guess::Offer;
pub(crate) use heard::Heard;

/// What to listen to.
#[derive(Debug, Default)]
pub(crate) struct Ears {
    /// Brokers; those that a configuration does not map yet take everything.
    pub(crate) brokers: Vec<Broker>,
    /// Ports of a configuration.
    pub(crate) ports: Vec<Port>,
    /// Ports that nothing is known of but their name and speed.
    pub(crate) unknown_ports: Vec<(String, u32)>,
    pub(crate) calibrations: Arc<Calibrations>,
}

/// What was heard so far, shared by those who hear.
pub(crate) type Shared = Arc<Mutex<Heard>>;

/// Listens until `stop`, or for `lasting`.
pub(crate) async fn listen(ears: Ears, lasting: Duration, stop: CancellationToken) -> Heard {
    let shared = Shared::default();
    let ended = stop.child_token();
    let mut tasks = JoinSet::new();
    // One name for each, and never the daemon's: a broker knows only one link of a name.
    let id = format!("fobwatch-check-{}", std::process::id());
    for (broker, number) in ears.brokers.into_iter().zip(1..) {
        let onlooker = mqtt::onlook(
            broker,
            format!("{id}-{number}"),
            Arc::clone(&ears.calibrations),
            Arc::clone(&shared),
            ended.clone(),
        );
        tasks.spawn(onlooker);
    }
    let known = ears.ports.into_iter().map(ports::Ear::Known);
    let unknown = ears
        .unknown_ports
        .into_iter()
        .map(|(name, baud)| ports::Ear::Unknown { name, baud });
    for ear in known.chain(unknown) {
        let (calibrations, shared, ended) =
            (Arc::clone(&ears.calibrations), Arc::clone(&shared), ended.clone());
        tasks.spawn_blocking(move || ports::hear(&ear, &calibrations, &shared, &ended));
    }
    tokio::select! {
        () = ended.cancelled() => {}
        () = tokio::time::sleep(lasting) => {}
    }
    ended.cancel();
    while tasks.join_next().await.is_some() {}
    let mut heard = shared.lock().unwrap_or_else(PoisonError::into_inner);
    std::mem::take(&mut heard)
}
