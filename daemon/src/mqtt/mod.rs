//! Readings from brokers of MQTT 3.1.1 and 5, and alerts to them.
//!
//! A session is persistent under a fixed client id: what arrives while we are away stays at the broker. A message is
//! acknowledged only once its readings are stored, so one that was not is sent again. One task alone polls the link and
//! waits for nothing but room; another decodes and waits for the store. Brokers share nothing: each has its own tasks.

mod intake;
mod link;
mod onlook;
mod publisher;
#[cfg(any(test, feature = "faults"))]
pub(crate) mod simulated;
mod wire;

#[cfg(test)]
mod tests;

use std::{panic, sync::Arc};

use tokio::{
    sync::mpsc,
    task::{JoinHandle, JoinSet},
};
use tokio_util::sync::CancellationToken;

use crate::{
    config::Broker,
    decode::Calibrations,
    incoming::{self, Inbox, Mends, Meter},
    kept_up,
};

pub use intake::{Commanded, Overheard};
pub(crate) use onlook::onlook;
pub use publisher::{PublishError, Publisher, alert_topic};

/// Messages that may wait to be decoded. When it is full nothing is read from the link until there is room.
const WAITING: usize = 1_000;

/// Bytes of messages that may wait to be stored, in KiB: a message may be of 256 KiB, and a thousand of those are a quarter of a GiB.
const WAITING_KIB: usize = 8 * 1_024;

/// Commands of people that may wait.
const COMMANDS: usize = 32;

/// A broker that is being listened to.
#[derive(Debug)]
pub struct Link {
    /// Its counts.
    pub meter: Arc<Meter>,
    /// Tells it alerts; `None` where the configuration gives no prefix.
    pub publisher: Option<Publisher>,
    /// What people send to be done to alerts; `None` where the configuration takes no commands.
    pub commands: Option<mpsc::Receiver<Commanded>>,
    /// What other daemons of the site tell; it has to be taken from here.
    pub overheard: mpsc::Receiver<Overheard>,
    /// Its task; it says "offline" to the broker and ends within seconds of the stop, or panics where the intake or the link does.
    pub task: JoinHandle<()>,
}

/// Begins to listen to a broker; whether it can be reached shows in the meter. Call it inside a tokio runtime.
#[must_use]
pub fn start(broker: Broker, calibrations: Arc<Calibrations>, inbox: Inbox, stop: CancellationToken) -> Link {
    let meter = Arc::new(Meter::new(&format!("broker {}", broker.name())));
    let (client, events) = wire::open(&broker, wire::Guise::Daemon);
    let (waiting, to_decode) = mpsc::channel(WAITING);
    let (stored, acks) = mpsc::channel(WAITING);
    let (jobs, to_publish) = mpsc::channel(publisher::WAITING);
    let broker = Arc::new(broker);
    let publisher = broker
        .publish_prefix
        .as_deref()
        .map(|prefix| Publisher::new(prefix, jobs));
    let (command, commands) = broker
        .command_topic()
        .map(|_topic| mpsc::channel(COMMANDS))
        .unzip();
    let (overhear, overheard) = mpsc::channel(COMMANDS);
    let intake = intake::Intake {
        broker: Arc::clone(&broker),
        calibrations,
        inbox,
        meter: Arc::clone(&meter),
        commands: command,
        overheard: overhear,
    };
    let stop = stop.child_token();
    let link = link::Driver::new(broker, client, events, Arc::clone(&meter), waiting, stop.clone());
    let mut life = JoinSet::new();
    life.spawn(intake.run(to_decode, stored));
    life.spawn(link.run(acks, to_publish));
    let stumbles = Arc::clone(&meter);
    let task = tokio::spawn(async move {
        if let Err(fault) = kept_up::together(life, &stop).await {
            stumbles.down("fault", incoming::STUMBLED, Mends::ByItself);
            panic::resume_unwind(fault);
        }
    });
    Link {
        meter,
        publisher,
        commands,
        overheard,
        task,
    }
}
