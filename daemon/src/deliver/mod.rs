//! Alerts on their way out: each destination has its rows in the store's outbox, and one task that carries them in order.
//!
//! A row is stored in one transaction with its alert and stays until the other side has confirmed it, so an alert that was raised while
//! nobody was there, or just before a stop, is told later. Who gets one twice knows it by its key.

mod carrier;
mod channel;
mod letter;
mod mail;
mod notices;
pub(crate) mod orders;
mod picture;
#[cfg(any(test, feature = "faults"))]
pub(crate) mod simulated;
#[cfg(test)]
mod tests;
mod undelivered;
mod webhook;

use std::{sync::Arc, time::Duration};

use fobwatch_core::alert::AlertRecord;
use jiff::{SignedDuration, Timestamp};
use tokio::time::interval;
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use crate::{
    config::{Config, Email, Webhook},
    store::{Destination, Store, StoreError},
    watch::House,
};

pub(crate) use carrier::carry;
pub(crate) use channel::Channel;
pub(crate) use letter::Letter;
use mail::Mailer;
pub(crate) use undelivered::Undelivered;
use webhook::Poster;

/// What could not be delivered for so long is given up, visibly: nobody wants last week's alert.
const GIVE_UP: SignedDuration = SignedDuration::from_hours(72);
/// ... and only after it was tried so often: a clock that leaps by years has not waited for anybody. In three days it is tried some 400 times.
const LEAST_TRIES: u32 = 100;
/// How often what waits for nobody is looked at.
const FORGET: Duration = Duration::from_secs(3_600);

/// The channels of a configuration beside its brokers, by the name of their destination.
pub(crate) fn channels(config: &Config) -> Vec<(String, Channel)> {
    let zone = &config.display.zone;
    let webhooks = config.webhooks.iter().map(|webhook| {
        (
            Destination::of_webhook(webhook, zone).name,
            Channel::webhook(webhook),
        )
    });
    let emails = config
        .emails
        .iter()
        .map(|email| (Destination::of_email(email, zone).name, Channel::email(email)));
    webhooks
        .chain(emails)
        .filter_map(|(name, channel)| Some((name, channel?)))
        .collect()
}

impl Channel {
    /// `None`: it cannot be used, which the log tells.
    pub(crate) fn webhook(webhook: &Webhook) -> Option<Self> {
        let made = Poster::new(webhook.clone());
        usable(&webhook.name, made).map(|poster| Self::Webhook(Arc::new(poster)))
    }

    /// `None`: it cannot be used, which the log tells.
    pub(crate) fn email(email: &Email) -> Option<Self> {
        let made = Mailer::new(email.clone());
        usable(&email.name, made).map(|mailer| Self::Email(Arc::new(mailer)))
    }
}

fn usable<T>(name: &str, made: Result<T, String>) -> Option<T> {
    made.inspect_err(|why| error!(channel = %name, "This channel cannot be used: {why}."))
        .ok()
}

/// Sends one alert through a channel, outbox and store aside: to try a configuration.
pub(crate) async fn try_out(channel: &Channel, alert: &AlertRecord) -> Result<(), Undelivered> {
    channel.deliver(&Letter::of(alert.clone()), None).await
}

/// Tells those who are told from now on, and never were, what stands.
///
/// # Errors
/// The store failed; each that it could not be told of hears of the next alert.
pub(crate) async fn welcome(
    store: &Store,
    destinations: &[Destination],
    now: Timestamp,
) -> Result<(), StoreError> {
    for destination in destinations {
        let new = destination.clone();
        let put = store.write(move |writer| writer.outbox_begin(&new, now)).await?;
        if put > 0 {
            info!(destination = %destination.name, "It is told what stands: {put} alerts.");
        }
    }
    Ok(())
}

/// Gives up what waits too long for destinations that the configuration no longer names, until the stop.
pub(crate) async fn forget(house: Arc<House>, stop: CancellationToken) {
    let mut ticks = interval(FORGET);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = ticks.tick() => {}
        }
        let known: Vec<String> = house.destinations().iter().map(|of| of.name.clone()).collect();
        let now = house.clock.now();
        let before = now.saturating_sub(GIVE_UP).unwrap_or(now);
        let forgotten = house
            .store
            .write(move |writer| writer.outbox_forget(&known, before, now))
            .await;
        match forgotten {
            Ok(forgotten) => {
                for (name, rows) in forgotten {
                    error!(destination = %name, "{rows} alerts are given up: the configuration no longer names {name}.");
                }
            }
            Err(StoreError::Closed) => return,
            Err(error) => warn!("The outbox cannot be used: {error}."),
        }
    }
}
