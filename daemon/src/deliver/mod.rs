//! Alerts on their way out: each broker has its rows in the store's outbox, and one task that carries them in order.
//!
//! A row stays until the broker has confirmed it, so an alert that was raised while the link was down, or just before a
//! stop, is told later; a subscriber may see one twice, which does no harm to a retained state.

pub(crate) mod log;

use std::{sync::Arc, time::Duration};

use fobwatch_core::alert::AlertRecord;
use jiff::SignedDuration;
use tokio::{
    sync::{broadcast, watch},
    time::sleep,
};
use tokio_util::sync::CancellationToken;
use tracing::{debug, warn};

use crate::{
    config::Broker,
    incoming::Backoff,
    mqtt::Publisher,
    store::{OutboxRow, StoreError},
    watch::House,
};

/// Rows that are read at once.
const CHUNK: u32 = 50;
/// The outbox is looked at this often even if nobody says that something is in it.
const LOOK: Duration = Duration::from_secs(30);

/// The name of a broker's rows in the outbox; the same after a restart.
pub(crate) fn destination(broker: &Broker) -> String {
    format!("mqtt:{}:{}", broker.name(), broker.client_id)
}

/// Carries the rows of one destination until the stop.
pub(crate) async fn carry(
    house: Arc<House>,
    destination: String,
    publisher: Publisher,
    stop: CancellationToken,
) {
    let mut news = house.alerts.subscribe();
    let mut reminders = house.reminders.subscribe();
    let work = async {
        let mut backoff = Backoff::default();
        loop {
            news.mark_unchanged();
            match carry_all(&house, &destination, &publisher).await {
                Ok(Carried::All) => {
                    backoff = Backoff::default();
                    wait(&mut news, &mut reminders, &publisher).await;
                }
                Ok(Carried::Some) => sleep(backoff.after(Duration::ZERO)).await,
                Err(StoreError::Closed) => return,
                Err(error) => {
                    warn!(%destination, "The outbox cannot be used: {error}.");
                    sleep(backoff.after(Duration::ZERO)).await;
                }
            }
        }
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = work => {}
    }
}

enum Carried {
    All,
    Some,
}

async fn carry_all(house: &House, destination: &str, publisher: &Publisher) -> Result<Carried, StoreError> {
    loop {
        let name = destination.to_owned();
        let rows = house
            .store
            .read(move |reader| reader.outbox(&name, CHUNK))
            .await?;
        if rows.is_empty() {
            return Ok(Carried::All);
        }
        for row in rows {
            if !carry_one(house, destination, publisher, row).await? {
                return Ok(Carried::Some);
            }
        }
    }
}

async fn carry_one(
    house: &House,
    destination: &str,
    publisher: &Publisher,
    row: OutboxRow,
) -> Result<bool, StoreError> {
    let id = row.id;
    let now = house.clock.now();
    match publisher.alert(&row.alert).await {
        Ok(()) => {
            debug!(%destination, alert = %row.alert.alert, batch = %row.alert.batch, "An alert was delivered.");
            house
                .store
                .write(move |writer| writer.outbox_done(id, now))
                .await?;
            Ok(true)
        }
        Err(error) => {
            if row.attempts == 0 {
                warn!(%destination, "An alert of {} could not be delivered yet: {error}.", row.alert.batch);
            }
            let due = now.saturating_add(SignedDuration::from_secs(30)).unwrap_or(now);
            let complaint = error.to_string();
            house
                .store
                .write(move |writer| writer.outbox_retry(id, due, &complaint))
                .await?;
            Ok(false)
        }
    }
}

/// Until there may be new rows; reminders are told at once, and not kept: the retained state is there already.
async fn wait(
    news: &mut watch::Receiver<u64>,
    reminders: &mut broadcast::Receiver<AlertRecord>,
    publisher: &Publisher,
) {
    tokio::select! {
        // The senders live in the house that the caller holds.
        _ = news.changed() => {}
        reminder = reminders.recv() => {
            if let Ok(alert) = reminder
                && let Err(error) = publisher.alert(&alert).await
            {
                warn!("A reminder of {} could not be delivered: {error}.", alert.batch);
            }
        }
        () = sleep(LOOK) => {}
    }
}
