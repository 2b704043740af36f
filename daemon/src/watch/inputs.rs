//! The brokers and ports under way, and what a reload changes about them: one that stays as it was is not touched, so
//! nothing that it sends is lost.

use std::sync::{Arc, PoisonError};

use tokio::{sync::mpsc, task::JoinHandle, time::timeout};
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use super::{
    PARTING, heartbeat,
    house::{Door, House},
};
use crate::{
    config::{Broker, Config, Port},
    decode::Calibrations,
    deliver::{self, Channel, Destination},
    incoming::{Inbox, Kind},
    mqtt, serial,
};

#[derive(Debug)]
pub(super) struct Inputs {
    house: Arc<House>,
    inbox: Inbox,
    stop: CancellationToken,
    /// As what runs was configured.
    config: Config,
    calibrations: Arc<Calibrations>,
    brokers: Vec<Running<Broker>>,
    ports: Vec<Running<Port>>,
}

/// An input under way.
#[derive(Debug)]
struct Running<C> {
    config: C,
    stop: CancellationToken,
    tasks: Vec<JoinHandle<()>>,
}

impl<C> Running<C> {
    async fn end(self) {
        self.stop.cancel();
        for task in self.tasks {
            if timeout(PARTING, task).await.is_err() {
                warn!("A link did not end in time and is cut off.");
            }
        }
    }
}

impl Inputs {
    /// Begins to listen to every broker and port.
    pub(super) fn start(house: Arc<House>, config: Config, inbox: Inbox, stop: CancellationToken) -> Self {
        let mut inputs = Self {
            house,
            inbox,
            stop,
            calibrations: Arc::new(config.calibrations.clone()),
            config,
            brokers: Vec::new(),
            ports: Vec::new(),
        };
        inputs.begin_missing();
        inputs
    }

    /// Until the stop; takes up what a reload brings.
    pub(super) async fn run(mut self, mut reloads: mpsc::Receiver<Config>) {
        let stop = self.stop.clone();
        loop {
            tokio::select! {
                () = stop.cancelled() => break,
                Some(config) = reloads.recv() => self.change(config).await,
            }
        }
        for broker in self.brokers {
            broker.end().await;
        }
        for port in self.ports {
            port.end().await;
        }
    }

    async fn change(&mut self, config: Config) {
        for key in fixed(&self.config, &config) {
            warn!("`{key}` has changed in the configuration: it holds from the next start of fobwatch on.");
        }
        let all = config.calibrations != *self.calibrations;
        self.calibrations = Arc::new(config.calibrations.clone());
        let door = Door {
            token: config.token.clone(),
            calibrations: Arc::clone(&self.calibrations),
        };
        self.house.gate.change(&config.access);
        *self.house.door.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(door);
        let (mut kept, mut ended) = (Vec::new(), 0);
        for broker in std::mem::take(&mut self.brokers) {
            if !all && config.mqtt.contains(&broker.config) {
                kept.push(broker);
            } else {
                broker.end().await;
                ended += 1;
            }
        }
        self.brokers = kept;
        let mut kept = Vec::new();
        for port in std::mem::take(&mut self.ports) {
            if !all && config.serial.contains(&port.config) {
                kept.push(port);
            } else {
                port.end().await;
                ended += 1;
            }
        }
        self.ports = kept;
        let stayed = self.brokers.len() + self.ports.len();
        self.config = config;
        self.begin_missing();
        let begun = self.brokers.len() + self.ports.len() - stayed;
        info!(
            "The configuration was read again: {stayed} inputs stay as they are, {ended} ended, {begun} begun."
        );
    }

    fn begin_missing(&mut self) {
        for broker in &self.config.mqtt {
            if !self.brokers.iter().any(|running| running.config == *broker) {
                self.brokers.push(self.listen_to(broker));
            }
        }
        for port in &self.config.serial {
            if !self.ports.iter().any(|running| running.config == *port)
                && let Some(running) = self.read(port)
            {
                self.ports.push(running);
            }
        }
    }

    fn listen_to(&self, broker: &Broker) -> Running<Broker> {
        let stop = self.stop.child_token();
        let link = mqtt::start(
            broker.clone(),
            Arc::clone(&self.calibrations),
            self.inbox.clone(),
            stop.clone(),
        );
        self.house.counted.meter(Kind::Mqtt, &link.meter);
        let mut tasks = vec![link.task];
        if let Some(publisher) = link.publisher {
            let destination = Destination::of_broker(broker);
            if self.house.destinations.contains(&destination) {
                if let Some(prefix) = &broker.publish_prefix {
                    let topic = format!("{prefix}/heartbeat");
                    let signs =
                        heartbeat::broker(Arc::clone(&self.house), publisher.clone(), topic, stop.clone());
                    tasks.push(tokio::spawn(signs));
                }
                if let (Some(commands), Some(prefix)) = (link.commands, &broker.publish_prefix) {
                    let topic = format!("{prefix}/reply");
                    let orders =
                        deliver::orders::obey(Arc::clone(&self.house), publisher.clone(), topic, commands);
                    tasks.push(tokio::spawn(orders));
                }
                let channel = Channel::Broker(publisher);
                let carried = deliver::carry(Arc::clone(&self.house), destination, channel, stop.clone());
                tasks.push(tokio::spawn(carried));
            } else {
                warn!(broker = %broker.name(), "Alerts are told to this broker from the next start of fobwatch on.");
            }
        }
        Running {
            config: broker.clone(),
            stop,
            tasks,
        }
    }

    fn read(&self, port: &Port) -> Option<Running<Port>> {
        let stop = self.stop.child_token();
        let begun = serial::start(
            port.clone(),
            Arc::clone(&self.calibrations),
            self.inbox.clone(),
            stop.clone(),
        );
        match begun {
            Ok(line) => {
                self.house.counted.meter(Kind::Serial, &line.meter);
                let ended = tokio::task::spawn_blocking(move || {
                    if line.thread.join().is_err() {
                        error!("The thread of a serial port has ended in disorder.");
                    }
                });
                Some(Running {
                    config: port.clone(),
                    stop,
                    tasks: vec![ended],
                })
            }
            Err(error) => {
                error!(port = %port.name, "The system gives no thread to read this port: {error}.");
                None
            }
        }
    }
}

/// What a reload cannot change, because the batches are reckoned with it or an address stands on it.
fn fixed(old: &Config, new: &Config) -> Vec<&'static str> {
    let changed = [
        ("place", old.altitude != new.altitude),
        ("display", old.display != new.display),
        ("clock", old.clock != new.clock),
        ("store", old.store_folder != new.store_folder),
        ("http.listen", old.listen != new.listen),
        (
            "http.behind_proxy",
            old.access.behind_proxy != new.access.behind_proxy,
        ),
        (
            "http.certificate_file",
            old.access.certificate.is_some() != new.access.certificate.is_some(),
        ),
        ("http.post_listen", old.post_listen != new.post_listen),
        ("alerts", old.rules != new.rules),
        ("share", old.share != new.share),
        ("series", old.series != new.series),
    ];
    changed
        .into_iter()
        .filter_map(|(key, changed)| changed.then_some(key))
        .collect()
}

#[cfg(test)]
mod tests;
