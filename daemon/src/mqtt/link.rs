//! The task that polls one broker's link.

use std::{
    collections::{BTreeMap, VecDeque},
    pin::pin,
    sync::Arc,
    time::Duration,
};

use jiff::Timestamp;
use rumqttc::{
    AsyncClient, ClientError, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming as Packet,
    Outgoing, Publish, QoS, StateError, SubscribeFilter, SubscribeReasonCode,
};
use tokio::{
    sync::{mpsc, oneshot},
    time::Instant,
};
use tokio_util::sync::CancellationToken;
use tracing::{error, warn};

use super::{
    intake::{Arrived, Settled},
    publisher::{Job, OFFLINE, ONLINE, PublishError, status_topic},
};
use crate::{
    config::Broker,
    decode::MAX_MESSAGE,
    incoming::{Backoff, Mends, Meter},
};

/// Publishes under way at a time; below what the client lets wait for confirmation.
const IN_FLIGHT: usize = 50;

/// How long a goodbye may take.
const GOODBYE: Duration = Duration::from_secs(2);

/// Who waits for the confirmation of a publish; `None`: nobody.
type Waiter = Option<oneshot::Sender<Result<(), PublishError>>>;

pub(super) struct Driver {
    broker: Arc<Broker>,
    client: AsyncClient,
    events: EventLoop,
    meter: Arc<Meter>,
    waiting: mpsc::Sender<Arrived>,
    stop: CancellationToken,
    link: LinkState,
}

/// What holds for one connection.
#[derive(Default)]
struct LinkState {
    /// Counts connections from 1.
    connection: u64,
    up_since: Option<Instant>,
    /// Publishes handed to the client, not yet written.
    handed: VecDeque<Waiter>,
    /// Publishes written, by packet id, not yet confirmed.
    written: BTreeMap<u16, Waiter>,
    /// Acknowledgements for which the client had no room.
    unacked: VecDeque<Publish>,
}

/// Why a connection ended.
enum Broken {
    Link(ConnectionError),
    /// Some readings could not be stored: the broker has to send them again.
    NotStored,
    Stopped,
}

impl Driver {
    pub(super) fn new(
        broker: Arc<Broker>,
        client: AsyncClient,
        events: EventLoop,
        meter: Arc<Meter>,
        waiting: mpsc::Sender<Arrived>,
        stop: CancellationToken,
    ) -> Self {
        Self {
            broker,
            client,
            events,
            meter,
            waiting,
            stop,
            link: LinkState::default(),
        }
    }

    pub(super) async fn run(mut self, mut settled: mpsc::Receiver<Settled>, mut jobs: mpsc::Receiver<Job>) {
        let mut backoff = Backoff::default();
        loop {
            let broken = self.connected(&mut settled, &mut jobs).await;
            let lasted = self.link.up_since.map_or(Duration::ZERO, |since| since.elapsed());
            match broken {
                Broken::Stopped => {
                    self.goodbye().await;
                    return;
                }
                Broken::NotStored => self.meter.down(
                    "not_stored",
                    "readings could not be stored, so the broker has to send them again",
                    Mends::ByItself,
                ),
                Broken::Link(error) => {
                    let (reason, mends) = judge(&error);
                    self.meter.down(reason, &error.to_string(), mends);
                }
            }
            self.forget();
            if !self.wait(backoff.after(lasted), &mut settled, &mut jobs).await {
                return;
            }
        }
    }

    /// Polls one connection to its end.
    async fn connected(
        &mut self,
        settled: &mut mpsc::Receiver<Settled>,
        jobs: &mut mpsc::Receiver<Job>,
    ) -> Broken {
        loop {
            let event = {
                // Not to be dropped half-way: what the client has taken from its queue would be lost.
                let mut poll = pin!(self.events.poll());
                loop {
                    self.link.retry_acks(&self.client);
                    let room = self.link.up_since.is_some() && self.link.publishes() < IN_FLIGHT;
                    tokio::select! {
                        biased;
                        () = self.stop.cancelled() => return Broken::Stopped,
                        event = &mut poll => break event,
                        Some(outcome) = settled.recv() => {
                            if !self.link.settle(outcome) {
                                return Broken::NotStored;
                            }
                        }
                        Some(job) = jobs.recv(), if room => {
                            self.link.publish(&self.client, job.topic, job.payload, Some(job.done));
                        }
                    }
                }
            };
            match event {
                Err(error) => return Broken::Link(error),
                Ok(Event::Incoming(Packet::Publish(message))) => {
                    if let Err(broken) = self.hand_on(message, settled).await {
                        return broken;
                    }
                }
                Ok(Event::Incoming(packet)) => self.on_packet(packet),
                Ok(Event::Outgoing(Outgoing::Publish(id))) => {
                    let waiter = self.link.handed.pop_front().flatten();
                    self.link.written.insert(id, waiter);
                }
                Ok(Event::Outgoing(_)) => {}
            }
        }
    }

    /// Gives a message to those who decode and store. While they have no room nothing more is read from the link, so the
    /// broker waits too: some brokers send far more than a few unacknowledged messages at once, and a link dropped for that
    /// would get all of them again at the next connection, and never come to an end.
    async fn hand_on(
        &mut self,
        mut message: Publish,
        settled: &mut mpsc::Receiver<Settled>,
    ) -> Result<(), Broken> {
        if message.payload.len() > MAX_MESSAGE {
            // It will be refused for its length: what waits to be refused need not be held whole.
            message.payload = message.payload[..=MAX_MESSAGE].to_vec().into();
        }
        let arrived = Arrived {
            connection: self.link.connection,
            at: Timestamp::now(),
            message,
        };
        let waiting = self.waiting.clone();
        let mut room = pin!(waiting.reserve());
        loop {
            tokio::select! {
                biased;
                () = self.stop.cancelled() => return Err(Broken::Stopped),
                room = &mut room => {
                    room.map_err(|_closed| Broken::Stopped)?.send(arrived);
                    return Ok(());
                }
                Some(outcome) = settled.recv() => {
                    if !self.link.settle(outcome) {
                        return Err(Broken::NotStored);
                    }
                }
            }
        }
    }

    fn on_packet(&mut self, packet: Packet) {
        match packet {
            Packet::ConnAck(_) => {
                self.link.connection += 1;
                self.link.up_since = Some(Instant::now());
                self.meter.up();
                self.subscribe();
                if let Some(prefix) = &self.broker.publish_prefix {
                    let topic = status_topic(prefix);
                    self.link.publish(&self.client, topic, ONLINE.to_owned(), None);
                }
            }
            Packet::SubAck(answer) => {
                for (route, code) in self.broker.routes.iter().zip(answer.return_codes) {
                    if code == SubscribeReasonCode::Failure {
                        error!(
                            broker = %self.broker.name(), topic = %route.filter,
                            "The broker refuses this subscription: nothing will be heard from it."
                        );
                    }
                }
            }
            Packet::PubAck(ack) => {
                if let Some(Some(done)) = self.link.written.remove(&ack.pkid) {
                    // Whoever waited may have gone away.
                    done.send(Ok(())).ok();
                }
            }
            _ => {}
        }
    }

    fn subscribe(&self) {
        if self.broker.routes.is_empty() {
            return;
        }
        let filters = self.broker.routes.iter().map(|route| {
            // What a broker kept for us tells no time of its own once it comes: better missed than dated wrong.
            let kept = if route.format.has_time() {
                QoS::AtLeastOnce
            } else {
                QoS::AtMostOnce
            };
            SubscribeFilter::new(route.filter.clone(), kept)
        });
        if let Err(error) = self.client.try_subscribe_many(filters) {
            // The queue of requests is empty at a new connection.
            warn!(broker = %self.broker.name(), %error, "Could not subscribe.");
        }
    }

    /// Drops the connection and all that belonged to it: subscriptions are made anew, publishes are the outbox's to
    /// repeat, and what was not acknowledged the broker sends again.
    fn forget(&mut self) {
        self.events.clean();
        self.events.pending.clear();
        let link = std::mem::take(&mut self.link);
        self.link.connection = link.connection;
        for done in link
            .handed
            .into_iter()
            .chain(link.written.into_values())
            .flatten()
        {
            done.send(Err(PublishError::LinkLost)).ok();
        }
    }

    /// Waits before the next try, and answers those who would publish; false: it is time to stop.
    async fn wait(
        &mut self,
        wait: Duration,
        settled: &mut mpsc::Receiver<Settled>,
        jobs: &mut mpsc::Receiver<Job>,
    ) -> bool {
        let mut over = pin!(tokio::time::sleep(wait));
        loop {
            tokio::select! {
                () = self.stop.cancelled() => return false,
                () = &mut over => return true,
                Some(_) = settled.recv() => {}
                Some(job) = jobs.recv() => {
                    job.done.send(Err(PublishError::NotConnected)).ok();
                }
            }
        }
    }

    /// Says "offline", so that nobody takes a planned stop for a lost link, and disconnects.
    async fn goodbye(mut self) {
        if self.link.up_since.is_none() {
            return;
        }
        if let Some(prefix) = &self.broker.publish_prefix {
            let topic = status_topic(prefix);
            self.link.publish(&self.client, topic, OFFLINE.to_owned(), None);
        }
        let polite = async {
            let mut leaving = false;
            loop {
                if self.link.publishes() == 0 && !leaving {
                    self.client.try_disconnect()?;
                    leaving = true;
                }
                match self.events.poll().await {
                    Ok(Event::Outgoing(Outgoing::Publish(id))) => {
                        let waiter = self.link.handed.pop_front().flatten();
                        self.link.written.insert(id, waiter);
                    }
                    Ok(Event::Incoming(Packet::PubAck(ack))) => {
                        if let Some(Some(done)) = self.link.written.remove(&ack.pkid) {
                            done.send(Ok(())).ok();
                        }
                    }
                    Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_) => return Ok::<_, ClientError>(()),
                    Ok(_) => {}
                }
            }
        };
        match tokio::time::timeout(GOODBYE, polite).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => warn!(broker = %self.broker.name(), %error, "Could not say goodbye."),
            Err(_late) => warn!(broker = %self.broker.name(), "The broker did not answer the goodbye."),
        }
    }
}

impl LinkState {
    fn publishes(&self) -> usize {
        self.handed.len() + self.written.len()
    }

    fn publish(&mut self, client: &AsyncClient, topic: String, payload: String, waiter: Waiter) {
        match client.try_publish(topic, QoS::AtLeastOnce, true, payload) {
            Ok(()) => self.handed.push_back(waiter),
            Err(_no_room) => {
                if let Some(done) = waiter {
                    done.send(Err(PublishError::NotConnected)).ok();
                }
            }
        }
    }

    /// Puts a message that is done with among those to be acknowledged; false: it could not be stored. What came on an
    /// earlier connection comes again by itself.
    fn settle(&mut self, outcome: Settled) -> bool {
        if outcome.connection == self.connection {
            if !outcome.stored {
                return false;
            }
            self.unacked.push_back(outcome.message);
        }
        true
    }

    fn retry_acks(&mut self, client: &AsyncClient) {
        while let Some(message) = self.unacked.front() {
            if client.try_ack(message).is_err() {
                return;
            }
            self.unacked.pop_front();
        }
    }
}

/// A short name for counters, one of a fixed few, and whether waiting can help.
fn judge(error: &ConnectionError) -> (&'static str, Mends) {
    match error {
        ConnectionError::ConnectionRefused(code) => {
            let mends = match code {
                ConnectReturnCode::ServiceUnavailable => Mends::ByItself,
                _ => Mends::ByAPerson,
            };
            ("refused", mends)
        }
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => ("timeout", Mends::ByItself),
        ConnectionError::MqttState(StateError::AwaitPingResp) => ("timeout", Mends::ByItself),
        ConnectionError::Io(_)
        | ConnectionError::MqttState(StateError::Io(_) | StateError::ConnectionAborted) => {
            ("network", Mends::ByItself)
        }
        _ => ("protocol", Mends::ByItself),
    }
}
