//! The brokers and ports under way, and what a reload changes about them: one that stays as it was is not touched, so
//! nothing that it sends is lost.

use std::{
    sync::{Arc, PoisonError},
    time::Duration,
};

use tokio::{sync::mpsc, task::JoinHandle, time::timeout};
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use super::{
    PARTING, heartbeat,
    house::{Door, House},
    peers,
};
use crate::{
    config::{Address, Broker, Config, Email, Port, Share, Webhook},
    decode::Calibrations,
    deliver::{self, Channel, Destination},
    hub,
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
    webhooks: Vec<Running<Webhook>>,
    emails: Vec<Running<Email>>,
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
            webhooks: Vec::new(),
            emails: Vec::new(),
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
        for webhook in self.webhooks {
            webhook.end().await;
        }
        for email in self.emails {
            email.end().await;
        }
    }

    async fn change(&mut self, config: Config) {
        for key in fixed(&self.config, &config) {
            warn!("`{key}` has changed in the configuration: it holds from the next start of fobwatch on.");
        }
        let all = config.calibrations != *self.calibrations;
        self.calibrations = Arc::new(config.calibrations.clone());
        let before = self.running();
        let door = Door {
            token: config.token.clone(),
            calibrations: Arc::clone(&self.calibrations),
        };
        self.house.gate.change(&config.access);
        *self.house.door.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(door);
        self.tell_others(&config).await;
        let brokers = std::mem::take(&mut self.brokers);
        self.brokers = still(brokers, |of| !all && config.mqtt.contains(of)).await;
        let ports = std::mem::take(&mut self.ports);
        self.ports = still(ports, |of| !all && config.serial.contains(of)).await;
        let webhooks = std::mem::take(&mut self.webhooks);
        self.webhooks = still(webhooks, |of| config.webhooks.contains(of)).await;
        let emails = std::mem::take(&mut self.emails);
        self.emails = still(emails, |of| config.emails.contains(of)).await;
        let stayed = self.running();
        let ended = before - stayed;
        self.config = config;
        self.begin_missing();
        let begun = self.running() - stayed;
        info!(
            "The configuration was read again: {stayed} links stay as they are, {ended} ended, {begun} begun."
        );
    }

    fn running(&self) -> usize {
        self.brokers.len() + self.ports.len() + self.webhooks.len() + self.emails.len()
    }

    /// Alerts go where `config` says from here on, and who is new is told what stands.
    async fn tell_others(&self, config: &Config) {
        // The zone holds from the next start on.
        let config = Config {
            display: self.config.display.clone(),
            ..config.clone()
        };
        let destinations = Destination::all(&config);
        if let Err(error) = deliver::welcome(&self.house.store, &destinations, self.house.clock.now()).await {
            warn!("A channel that is new is not told what stands: {error}.");
        }
        *self
            .house
            .destinations
            .write()
            .unwrap_or_else(PoisonError::into_inner) = Arc::new(destinations);
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
        let zone = &self.house.display.zone;
        for webhook in &self.config.webhooks {
            if !self.webhooks.iter().any(|running| running.config == *webhook)
                && let Some(channel) = Channel::webhook(webhook)
            {
                let destination = Destination::of_webhook(webhook, zone);
                self.webhooks.push(self.tell(webhook, destination, channel));
            }
        }
        for email in &self.config.emails {
            if !self.emails.iter().any(|running| running.config == *email)
                && let Some(channel) = Channel::email(email)
            {
                let destination = Destination::of_email(email, zone);
                self.emails.push(self.tell(email, destination, channel));
            }
        }
    }

    fn tell<C: Clone>(&self, config: &C, destination: Destination, channel: Channel) -> Running<C> {
        let stop = self.stop.child_token();
        let carried = deliver::carry(Arc::clone(&self.house), destination, channel, stop.clone());
        Running {
            config: config.clone(),
            stop,
            tasks: vec![tokio::spawn(carried)],
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
        tasks.push(tokio::spawn(peers::hear(Arc::clone(&self.house), link.overheard)));
        if let Some(publisher) = link.publisher {
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
            if let Some(publish_prefix) = &broker.publish_prefix {
                let place = hub::Place {
                    broker: format!("{}:{}", broker.host, broker.port),
                    prefix: broker.discovery_prefix.clone(),
                    publish_prefix: publish_prefix.clone(),
                };
                let announced =
                    hub::announce(Arc::clone(&self.house), publisher.clone(), place, stop.clone());
                tasks.push(tokio::spawn(announced));
            }
            if self.config.share != Share::All {
                let told = peers::tell(Arc::clone(&self.house), publisher.clone(), stop.clone());
                tasks.push(tokio::spawn(told));
            }
            let destination = Destination::of_broker(broker);
            let channel = Channel::Broker(publisher);
            let carried = deliver::carry(Arc::clone(&self.house), destination, channel, stop.clone());
            tasks.push(tokio::spawn(carried));
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

/// Those that are still wanted; the others end.
async fn still<C>(running: Vec<Running<C>>, wanted: impl Fn(&C) -> bool) -> Vec<Running<C>> {
    let mut kept = Vec::new();
    for one in running {
        if wanted(&one.config) {
            kept.push(one);
        } else {
            one.end().await;
        }
    }
    kept
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
        ("share", old.share != new.share || old.peered != new.peered),
        ("heartbeat", heartbeat(old) != heartbeat(new)),
        ("series", old.series != new.series),
    ];
    changed
        .into_iter()
        .filter_map(|(key, changed)| changed.then_some(key))
        .collect()
}

/// Where signs of life are sent, and how often.
fn heartbeat(config: &Config) -> (&Option<Address>, Duration) {
    (&config.ping_url, config.ping_every)
}

#[cfg(test)]
mod tests;
