//! Alerts on their way out: each destination has its rows in the store's outbox, and one task that carries them in order.
//!
//! A row is stored in one transaction with its alert and stays until the other side has confirmed it, so an alert that was raised while
//! nobody was there, or just before a stop, is told later. Who gets one twice knows it by its key.

mod channel;
mod destination;
pub(crate) mod log;
mod mail;
pub(crate) mod orders;
mod picture;
#[cfg(test)]
mod tests;
mod webhook;

use std::{
    hash::{BuildHasher, Hasher, RandomState},
    sync::Arc,
    time::Duration,
};

use fobwatch_core::alert::AlertRecord;
use jiff::{SignedDuration, Timestamp};
use tokio::{
    sync::{broadcast, watch},
    time::sleep,
};
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, warn};

use crate::{
    config::Config,
    store::{OutboxRow, StoreError},
    watch::House,
};

pub(crate) use channel::{Again, Channel, Undelivered};
pub use destination::Destination;
use mail::Mailer;
use webhook::Poster;

/// Rows that are read at once.
const CHUNK: u32 = 50;
/// The outbox is looked at this often even if nobody says that something is in it.
const LOOK: Duration = Duration::from_secs(30);
/// The first wait after a failure.
const FIRST: Duration = Duration::from_secs(2);
/// What could not be delivered for so long is given up, visibly: nobody wants last week's alert.
const GIVE_UP: SignedDuration = SignedDuration::from_hours(72);

/// The channels of a configuration beside its brokers, each with its destination.
pub(crate) fn channels(config: &Config) -> Vec<(Destination, Channel)> {
    let mut found = Vec::new();
    let mut add = |destination: Destination, made: Result<Channel, String>| match made {
        Ok(channel) => found.push((destination, channel)),
        Err(why) => error!(destination = %destination.name, "This channel cannot be used: {why}."),
    };
    for webhook in &config.webhooks {
        let made = Poster::new(webhook.clone()).map(|poster| Channel::Webhook(Box::new(poster)));
        add(Destination::of_webhook(webhook), made);
    }
    for email in &config.emails {
        let made = Mailer::new(email.clone()).map(|mailer| Channel::Email(Box::new(mailer)));
        add(Destination::of_email(email), made);
    }
    found
}

/// The same whenever this alert is delivered, anywhere.
pub(crate) fn key(alert: &AlertRecord) -> String {
    let state = serde_json::to_value(alert.state).ok();
    let state = state
        .as_ref()
        .and_then(|state| state.as_str())
        .unwrap_or("changed");
    let mut key = format!(
        "{}.{}.{state}.{}",
        alert.batch.slug(),
        alert.alert,
        alert.at.as_microsecond()
    );
    for part in [
        alert.source.as_ref().map(|source| source.as_str()),
        alert.quantity.map(|quantity| quantity.name()),
    ]
    .into_iter()
    .flatten()
    {
        key.push('.');
        key.extend(part.chars().map(|c| {
            if c.is_ascii_alphanumeric() || c == '_' {
                c
            } else {
                '-'
            }
        }));
    }
    key
}

/// Sends one alert through a channel, outbox and store aside: to try a configuration.
pub(crate) async fn try_out(channel: &Channel, alert: &AlertRecord) -> Result<(), Undelivered> {
    channel.deliver(alert, &key(alert), None).await
}

/// Carries the rows of one destination until the stop.
pub(crate) async fn carry(
    house: Arc<House>,
    destination: Destination,
    channel: Channel,
    stop: CancellationToken,
) {
    let carrier = Carrier {
        house,
        destination,
        channel,
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = carrier.run() => {}
    }
}

struct Carrier {
    house: Arc<House>,
    destination: Destination,
    channel: Channel,
}

/// What became of the rows.
enum Carried {
    All,
    /// The first of them is not due, or was not taken: until then.
    Until(Timestamp),
}

impl Carrier {
    async fn run(self) {
        let mut news = self.house.alerts.subscribe();
        let mut reminders = self.house.reminders.subscribe();
        let mut tried = false;
        loop {
            news.mark_unchanged();
            let wait = match self.carry_all(!tried).await {
                Ok(Carried::All) => LOOK,
                Ok(Carried::Until(due)) => until(due, Timestamp::now()),
                Err(StoreError::Closed) => return,
                Err(error) => {
                    warn!(destination = %self.destination.name, "The outbox cannot be used: {error}.");
                    FIRST
                }
            };
            // A new alert is a reason to try at once, whatever the others wait for.
            tried = !self.wait(wait, &mut news, &mut reminders).await;
        }
    }

    /// `at_once`: rows that only wait because they failed are tried.
    async fn carry_all(&self, at_once: bool) -> Result<Carried, StoreError> {
        loop {
            let name = self.destination.name.clone();
            let rows = self
                .house
                .store
                .read(move |reader| reader.outbox(&name, CHUNK))
                .await?;
            if rows.is_empty() {
                return Ok(Carried::All);
            }
            for row in rows {
                let waits = row.due_at > Timestamp::now() && !(at_once && row.attempts > 0);
                if waits {
                    return Ok(Carried::Until(row.due_at));
                }
                if let Some(due) = self.carry_one(row).await? {
                    return Ok(Carried::Until(due));
                }
            }
        }
    }

    /// `Some`: it was not taken, and is due again then.
    async fn carry_one(&self, row: OutboxRow) -> Result<Option<Timestamp>, StoreError> {
        let (id, now) = (row.id, Timestamp::now());
        let name = &self.destination.name;
        if self.destination.picks.after > SignedDuration::ZERO
            && self.house.store.read(move |reader| reader.is_seen_to(id)).await?
        {
            debug!(destination = %name, alert = %row.alert.alert, batch = %row.alert.batch, "Someone has seen to it by now.");
            self.house
                .store
                .write(move |writer| writer.outbox_done(id, now))
                .await?;
            return Ok(None);
        }
        let picture = if self.channel.shows_pictures() {
            picture::of(&self.house, &row.alert).await
        } else {
            None
        };
        let failed = match self
            .channel
            .deliver(&row.alert, &key(&row.alert), picture.as_deref())
            .await
        {
            Ok(()) => {
                debug!(destination = %name, alert = %row.alert.alert, batch = %row.alert.batch, "An alert was delivered.");
                self.house
                    .store
                    .write(move |writer| writer.outbox_done(id, now))
                    .await?;
                return Ok(None);
            }
            Err(failed) => failed,
        };
        let too_old = row.made_at.is_some_and(|made| now.duration_since(made) > GIVE_UP);
        let complaint = failed.why.clone();
        if failed.again == Again::Never || too_old {
            error!(
                destination = %name,
                "An alert of {} is given up: {}. It was: {}",
                row.alert.batch, failed.why, row.alert.message
            );
            self.house
                .store
                .write(move |writer| writer.outbox_given_up(id, now, &complaint))
                .await?;
            return Ok(None);
        }
        if row.attempts == 0 {
            warn!(destination = %name, "An alert of {} could not be delivered yet: {}.", row.alert.batch, failed.why);
        }
        let asked = match failed.again {
            Again::Later(wait) => wait.unwrap_or(Duration::ZERO),
            Again::Never => Duration::ZERO,
        };
        let wait = backoff(row.attempts, self.channel.longest_wait()).max(asked);
        let wait = SignedDuration::try_from(wait).unwrap_or(SignedDuration::from_secs(30));
        let due = now.saturating_add(wait).unwrap_or(now);
        self.house
            .store
            .write(move |writer| writer.outbox_retry(id, due, &complaint))
            .await?;
        Ok(Some(due))
    }

    /// Until there may be something to do; whether a new alert is the reason. Reminders are told at once, and not kept: the alert is
    /// there already.
    async fn wait(
        &self,
        most: Duration,
        news: &mut watch::Receiver<u64>,
        reminders: &mut broadcast::Receiver<AlertRecord>,
    ) -> bool {
        tokio::select! {
            // The senders live in the house.
            _ = news.changed() => true,
            reminder = reminders.recv() => {
                if let Ok(alert) = reminder
                    && self.destination.picks.wants(&alert)
                {
                    let key = format!("{}.again.{}", key(&alert), Timestamp::now().as_second());
                    if let Err(failed) = self.channel.deliver(&alert, &key, None).await {
                        warn!(destination = %self.destination.name, "A reminder of {} could not be delivered: {}.", alert.batch, failed.why);
                    }
                }
                false
            }
            () = sleep(most) => false,
        }
    }
}

fn until(due: Timestamp, now: Timestamp) -> Duration {
    let left = due.duration_since(now);
    Duration::try_from(left).unwrap_or(Duration::ZERO).min(LOOK)
}

/// Doubles from the first wait to `longest`, cut by up to half at random, so that many daemons do not come back as one.
fn backoff(attempts: u32, longest: Duration) -> Duration {
    let whole = FIRST.saturating_mul(1 << attempts.min(16)).min(longest);
    let chance = RandomState::new().build_hasher().finish() >> 40;
    // 24 random bits, exactly held by the type.
    let share = f64::from(u32::try_from(chance).unwrap_or(0)) / f64::from(1_u32 << 24);
    whole.mul_f64(1.0 - share / 2.0)
}
