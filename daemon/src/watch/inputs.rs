//! The brokers and ports under way, and what a reload changes about them: one that stays as it was is not touched, so
//! nothing that it sends is lost.

use std::{
    panic,
    sync::{Arc, PoisonError},
    time::Duration,
};

use tokio::{
    sync::mpsc,
    task::{JoinHandle, JoinSet},
    time::timeout,
};
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
    incoming::{self, Inbox, Kind, Mends},
    kept_up::{self, Task, keep_up},
    mqtt::{self, Publisher},
    serial,
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
    task: JoinHandle<()>,
}

impl<C> Running<C> {
    async fn end(self) {
        self.stop.cancel();
        if timeout(PARTING, self.task).await.is_err() {
            warn!("A link did not end in time and is cut off.");
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
            if !self.ports.iter().any(|running| running.config == *port) {
                self.ports.push(self.read(port));
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
        Running {
            config: config.clone(),
            task: carried(&self.house, destination, channel, &stop),
            stop,
        }
    }

    fn listen_to(&self, broker: &Broker) -> Running<Broker> {
        let stop = self.stop.child_token();
        let listening = Listening {
            house: Arc::clone(&self.house),
            broker: broker.clone(),
            calibrations: Arc::clone(&self.calibrations),
            inbox: self.inbox.clone(),
            tells_share: self.config.share != Share::All,
        };
        let ended = stop.clone();
        let what = format!("The link to broker {}", broker.name());
        let task = keep_up(&self.house.stumbles, what, stop.clone(), move || {
            let stop = ended.child_token();
            let link = mqtt::start(
                listening.broker.clone(),
                Arc::clone(&listening.calibrations),
                listening.inbox.clone(),
                stop.clone(),
            );
            listening.house.counted.meter(Kind::Mqtt, &link.meter);
            Box::pin(listening.clone().live(link, stop))
        });
        Running {
            config: broker.clone(),
            stop,
            task,
        }
    }

    fn read(&self, port: &Port) -> Running<Port> {
        let stop = self.stop.child_token();
        let (house, inbox, calibrations) = (
            Arc::clone(&self.house),
            self.inbox.clone(),
            Arc::clone(&self.calibrations),
        );
        let (config, ended) = (port.clone(), stop.clone());
        let what = format!("The port {}", port.name);
        let task = keep_up(&self.house.stumbles, what, stop.clone(), move || {
            let (calibrations, inbox) = (Arc::clone(&calibrations), inbox.clone());
            let begun = serial::start(config.clone(), calibrations, inbox, ended.clone());
            match &begun {
                Ok(line) => house.counted.meter(Kind::Serial, &line.meter),
                Err(error) => {
                    error!(port = %config.name, "The system gives no thread to read this port: {error}.");
                }
            }
            async move {
                let Ok(serial::Line { meter, thread }) = begun else {
                    return;
                };
                let ended = tokio::task::spawn_blocking(move || thread.join()).await;
                if let Ok(Err(fault)) = ended {
                    meter.down("fault", incoming::STUMBLED, Mends::ByItself);
                    panic::resume_unwind(fault);
                }
            }
        });
        Running {
            config: port.clone(),
            stop,
            task,
        }
    }
}

/// Carries a channel's rows of the outbox, whatever it stumbles over.
fn carried(
    house: &Arc<House>,
    destination: Destination,
    channel: Channel,
    stop: &CancellationToken,
) -> JoinHandle<()> {
    let (house, ended) = (Arc::clone(house), stop.clone());
    let (what, stumbles) = (
        format!("Telling {}", destination.name),
        Arc::clone(&house.stumbles),
    );
    keep_up(&stumbles, what, stop.clone(), move || {
        deliver::carry(
            Arc::clone(&house),
            destination.clone(),
            channel.clone(),
            ended.clone(),
        )
    })
}

/// Begins a task that speaks to a broker.
type Speaker = Box<dyn Fn(Arc<House>, Publisher, CancellationToken) -> Task + Send>;

/// What the link to a broker needs.
#[derive(Clone, Debug)]
struct Listening {
    house: Arc<House>,
    broker: Broker,
    calibrations: Arc<Calibrations>,
    inbox: Inbox,
    tells_share: bool,
}

impl Listening {
    /// Until the stop, or until a part of it panics. What only speaks stands up by itself, so that
    /// readings come in meanwhile.
    async fn live(self, link: mqtt::Link, stop: CancellationToken) {
        let Self { house, broker, .. } = self;
        let meter = link.meter;
        let mut life = JoinSet::new();
        life.spawn(kept_up::part(link.task));
        life.spawn(peers::hear(Arc::clone(&house), link.overheard));
        if let (Some(publisher), Some(prefix)) = (link.publisher, broker.publish_prefix.clone()) {
            if let Some(commands) = link.commands {
                let topic = format!("{prefix}/reply");
                life.spawn(deliver::orders::obey(
                    Arc::clone(&house),
                    publisher.clone(),
                    topic,
                    commands,
                ));
            }
            let kept = |what: &str, speaker: Speaker| {
                let (house, publisher, stop) = (Arc::clone(&house), publisher.clone(), stop.clone());
                let (what, ended) = (format!("{what} to broker {}", broker.name()), stop.clone());
                let stumbles = Arc::clone(&house.stumbles);
                kept_up::part(keep_up(&stumbles, what, ended, move || {
                    speaker(Arc::clone(&house), publisher.clone(), stop.clone())
                }))
            };
            let topic = format!("{prefix}/heartbeat");
            life.spawn(kept(
                "Giving signs of life",
                Box::new(move |house, publisher, stop| {
                    Box::pin(heartbeat::broker(house, publisher, topic.clone(), stop))
                }),
            ));
            let place = hub::Place {
                broker: broker.name(),
                prefix: broker.discovery_prefix.clone(),
                publish_prefix: prefix,
            };
            life.spawn(kept(
                "Telling hubs",
                Box::new(move |house, publisher, stop| {
                    Box::pin(hub::announce(house, publisher, place.clone(), stop))
                }),
            ));
            if self.tells_share {
                life.spawn(kept(
                    "Telling the other daemons",
                    Box::new(|house, publisher, stop| Box::pin(peers::tell(house, publisher, stop))),
                ));
            }
            let channel = Channel::Broker(publisher);
            let destination = Destination::of_broker(&broker);
            life.spawn(kept_up::part(carried(&house, destination, channel, &stop)));
        }
        if let Err(fault) = kept_up::together(life, &stop).await {
            meter.down("fault", incoming::STUMBLED, Mends::ByItself);
            panic::resume_unwind(fault);
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
