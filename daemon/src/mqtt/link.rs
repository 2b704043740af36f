//! The task that polls one broker's link.

use std::{
    collections::{BTreeMap, VecDeque},
    pin::pin,
    sync::Arc,
    time::Duration,
};

use jiff::Timestamp;
use tokio::{
    sync::{Semaphore, mpsc, oneshot},
    time::Instant,
};
use tokio_util::sync::CancellationToken;
use tracing::{error, warn};

use super::{
    intake::{Arrived, Settled},
    publisher::{Job, Keep, OFFLINE, ONLINE, PublishError, status_topic},
    wire::{Client, Events, Happened, Lost, Message, NoRoom, Receipt},
};
use crate::{
    config::Broker,
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
    client: Client,
    events: Events,
    meter: Arc<Meter>,
    waiting: mpsc::Sender<Arrived>,
    /// Room for the bytes of what waits, in KiB.
    room: Arc<Semaphore>,
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
    unacked: VecDeque<Receipt>,
}

/// Why a connection ended.
enum Broken {
    Link(Lost),
    /// Some readings could not be stored: the broker has to send them again.
    NotStored,
    Stopped,
}

impl Driver {
    pub(super) fn new(
        broker: Arc<Broker>,
        client: Client,
        events: Events,
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
            room: Arc::new(Semaphore::new(super::WAITING_KIB)),
            stop,
            link: LinkState::default(),
        }
    }

    pub(super) async fn run(mut self, mut settled: mpsc::Receiver<Settled>, mut jobs: mpsc::Receiver<Job>) {
        let mut backoff = Backoff::default();
        loop {
            let before = self.meter.readings();
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
                Broken::Link(lost) => {
                    if self.meter.readings() > before {
                        backoff.was_good();
                    }
                    self.meter.down(lost.reason, &lost.why, lost.mends);
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
                            self.link.publish(&self.client, job);
                        }
                    }
                }
            };
            match event {
                Err(lost) => return Broken::Link(lost),
                Ok(Happened::Message(message)) => {
                    if let Err(broken) = self.hand_on(message, settled).await {
                        return broken;
                    }
                }
                Ok(happened) => self.note(happened),
            }
        }
    }

    /// Gives a message to those who decode and store. While they have no room nothing more is read from the link, so the
    /// broker waits too: some brokers send far more than a few unacknowledged messages at once, and a link dropped for that
    /// would get all of them again at the next connection, and never come to an end.
    async fn hand_on(
        &mut self,
        message: Message,
        settled: &mut mpsc::Receiver<Settled>,
    ) -> Result<(), Broken> {
        let (connection, at) = (self.link.connection, Timestamp::now());
        let waiting = self.waiting.clone();
        let kib = weight(message.topic.len() + message.payload.len());
        let bytes = Arc::clone(&self.room);
        let mut room = pin!(async {
            let held = bytes.acquire_many_owned(kib).await.ok()?;
            Some((held, waiting.reserve().await.ok()?))
        });
        let mut message = Some(message);
        loop {
            tokio::select! {
                biased;
                () = self.stop.cancelled() => return Err(Broken::Stopped),
                room = &mut room => {
                    let (Some((held, place)), Some(message)) = (room, message.take()) else {
                        return Err(Broken::Stopped);
                    };
                    place.send(Arrived { connection, at, message, held });
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

    fn note(&mut self, happened: Happened) {
        match happened {
            Happened::Up => {
                self.link.connection += 1;
                self.link.up_since = Some(Instant::now());
                self.meter.up();
                self.subscribe();
                if let Some(prefix) = &self.broker.publish_prefix {
                    let topic = status_topic(prefix);
                    self.link.state(&self.client, topic, ONLINE);
                }
            }
            Happened::Subscribed(granted) => {
                let command = self.broker.command_topic();
                let peers: Vec<String> = self.broker.peer_filters().collect();
                let filters = self.broker.routes.iter().map(|route| route.filter.as_str());
                let filters = filters.chain(command.as_deref());
                for (filter, granted) in filters.chain(peers.iter().map(String::as_str)).zip(granted) {
                    if !granted {
                        error!(
                            broker = %self.broker.name(), topic = %filter,
                            "The broker refuses this subscription: nothing will be heard from it."
                        );
                    }
                }
            }
            Happened::Sent(id) => self.link.sent(id),
            Happened::Confirmed(id, taken) => self.link.confirmed(id, taken),
            Happened::Message(_) | Happened::Left | Happened::Other => {}
        }
    }

    fn subscribe(&self) {
        let command = self.broker.command_topic();
        let peers: Vec<String> = self.broker.peer_filters().collect();
        if self.broker.routes.is_empty() && command.is_none() && peers.is_empty() {
            return;
        }
        let routes = self.broker.routes.iter();
        // What a broker kept for us tells no time of its own once it comes: better missed than dated wrong.
        let filters = routes.map(|route| (route.filter.as_str(), route.format.has_time()));
        // The same goes for a command: after an absence it could be done to another alert than its sender saw.
        let filters = filters.chain(command.as_deref().map(|topic| (topic, false)));
        let filters = filters.chain(peers.iter().map(|filter| (filter.as_str(), true)));
        if let Err(NoRoom) = self.client.subscribe(filters) {
            // The queue of requests is empty at a new connection.
            warn!(broker = %self.broker.name(), "Could not subscribe.");
        }
    }

    /// Drops the connection and all that belonged to it: subscriptions are made anew, publishes are the outbox's to
    /// repeat, and what was not acknowledged the broker sends again.
    fn forget(&mut self) {
        self.events.forget();
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
            self.link.state(&self.client, topic, OFFLINE);
        }
        let polite = async {
            let mut leaving = false;
            loop {
                if self.link.publishes() == 0 && !leaving {
                    self.client.disconnect()?;
                    leaving = true;
                }
                match self.events.poll().await {
                    Ok(Happened::Sent(id)) => self.link.sent(id),
                    Ok(Happened::Confirmed(id, taken)) => self.link.confirmed(id, taken),
                    Ok(Happened::Left) | Err(_) => return Ok::<_, NoRoom>(()),
                    Ok(_) => {}
                }
            }
        };
        match tokio::time::timeout(GOODBYE, polite).await {
            Ok(Ok(())) => {}
            Ok(Err(NoRoom)) => warn!(broker = %self.broker.name(), "Could not say goodbye."),
            Err(_late) => warn!(broker = %self.broker.name(), "The broker did not answer the goodbye."),
        }
    }
}

/// Of a message that waits, in whole KiB, the least for its own sake.
fn weight(bytes: usize) -> u32 {
    let kib = 1 + bytes / 1_024;
    u32::try_from(kib.min(super::WAITING_KIB)).unwrap_or(1)
}

impl LinkState {
    fn publishes(&self) -> usize {
        self.handed.len() + self.written.len()
    }

    fn publish(&mut self, client: &Client, job: Job) {
        match client.publish(job.topic, job.payload, job.keep) {
            Ok(()) => self.handed.push_back(Some(job.done)),
            Err(NoRoom) => {
                job.done.send(Err(PublishError::NotConnected)).ok();
            }
        }
    }

    /// Our own state, for which nobody waits.
    fn state(&mut self, client: &Client, topic: String, state: &str) {
        if client.publish(topic, state.to_owned(), Keep::Retained).is_ok() {
            self.handed.push_back(None);
        }
    }

    fn sent(&mut self, id: u16) {
        let waiter = self.handed.pop_front().flatten();
        self.written.insert(id, waiter);
    }

    fn confirmed(&mut self, id: u16, taken: bool) {
        if let Some(Some(done)) = self.written.remove(&id) {
            // Whoever waited may have gone away.
            done.send(if taken { Ok(()) } else { Err(PublishError::Refused) })
                .ok();
        }
    }

    /// Puts a message that is done with among those to be acknowledged; false: it could not be stored. What came on an
    /// earlier connection comes again by itself.
    fn settle(&mut self, outcome: Settled) -> bool {
        if outcome.connection == self.connection {
            if !outcome.stored {
                return false;
            }
            self.unacked.push_back(outcome.receipt);
        }
        true
    }

    fn retry_acks(&mut self, client: &Client) {
        while let Some(receipt) = self.unacked.front() {
            if client.ack(receipt).is_err() {
                return;
            }
            self.unacked.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{
        super::{WAITING, WAITING_KIB},
        weight,
    };
    use crate::decode::MAX_MESSAGE;

    #[test]
    fn what_waits_is_bounded_by_its_bytes_and_even_the_largest_message_fits() {
        let largest = usize::try_from(weight(MAX_MESSAGE + 1)).unwrap();
        assert!((257..=258).contains(&largest), "{largest} KiB");
        // Far fewer of the largest than of the usual may wait.
        assert!(WAITING_KIB / largest <= 32 && largest <= WAITING_KIB);
        assert_eq!(weight(20), 1);
        const { assert!(WAITING_KIB >= WAITING) };
        assert!(usize::try_from(weight(1 << 28)).unwrap() <= WAITING_KIB);
    }
}
