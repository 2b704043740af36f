//! Signs of life for those who watch the watcher: systemd, brokers, and an address that misses them. None comes while a work loop is stuck, and
//! only systemd, which could mend nothing there, hears them while nothing can be stored.

use std::{sync::Arc, time::Duration};

use jiff::Timestamp;
use sd_notify::NotifyState;
use tokio::time::{Interval, MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;
use tracing::{error, warn};

use super::House;
use crate::{calls, config::Address, mqtt::Publisher};

/// Between signs to a broker.
const BROKER_EVERY: Duration = Duration::from_secs(60);
/// How long the pinged side may take.
const PATIENCE: Duration = Duration::from_secs(20);

/// Tells systemd that everything is up, and from then on that it lives, as often as the unit asks for; then that it stops.
pub(super) async fn systemd(house: Arc<House>, stop: CancellationToken) {
    tell(NotifyState::Ready);
    if let Some(within) = sd_notify::watchdog_enabled() {
        let mut signs = Signs::new(house, within / 2, Listener::Systemd, stop);
        while signs.next().await {
            tell(NotifyState::Watchdog);
        }
    } else {
        stop.cancelled().await;
    }
    tell(NotifyState::Stopping);
}

fn tell(state: NotifyState<'_>) {
    // Where no systemd started us, this does nothing.
    if let Err(error) = sd_notify::notify(&[state]) {
        warn!("systemd cannot be told how fobwatch does: {error}.");
    }
}

/// Asks an address for nothing, so that whoever answers there can miss it.
pub(super) async fn pings(house: Arc<House>, url: Address, often: Duration, stop: CancellationToken) {
    let client = match calls::client().timeout(PATIENCE).build() {
        Ok(client) => client,
        Err(error) => {
            error!("No signs of life are sent: {error}.");
            return;
        }
    };
    let mut signs = Signs::new(house, often, Listener::Person, stop);
    while signs.next().await {
        let answer = client.get(url.reveal().clone()).send().await;
        if let Err(error) = answer.and_then(reqwest::Response::error_for_status) {
            // Without the address, which may be a secret.
            warn!("A sign of life did not arrive: {}.", error.without_url());
        }
    }
}

/// Keeps the time at a broker under `<prefix>/heartbeat`. Its last will says offline if the link goes.
pub(super) async fn broker(house: Arc<House>, publisher: Publisher, topic: String, stop: CancellationToken) {
    let mut signs = Signs::new(house, BROKER_EVERY, Listener::Person, stop);
    while signs.next().await {
        let now = Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
        // Who is not connected is told by the last will.
        publisher.retained(topic.clone(), now).await.ok();
    }
}

/// When to give a sign: at once and every so often until the stop, as long as the work loops live.
struct Signs {
    house: Arc<House>,
    ticks: Interval,
    listener: Listener,
    stop: CancellationToken,
    /// That none is given was told.
    told: bool,
}

/// Who misses the signs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Listener {
    /// It starts us again.
    Systemd,
    /// They look after the disk as well.
    Person,
}

impl Signs {
    fn new(house: Arc<House>, often: Duration, listener: Listener, stop: CancellationToken) -> Self {
        let mut ticks = interval(often.max(Duration::from_millis(100)));
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        Self {
            house,
            ticks,
            listener,
            stop,
            told: false,
        }
    }

    fn ailment(&self) -> Option<String> {
        let unstored = || {
            let trouble = self.house.unstored.trouble()?;
            Some(format!("nothing can be stored: {}", trouble.why))
        };
        match self.listener {
            Listener::Systemd => self.house.ailment(),
            Listener::Person => self.house.ailment().or_else(unstored),
        }
    }

    /// Waits for the next one; `false` is the stop.
    async fn next(&mut self) -> bool {
        loop {
            tokio::select! {
                biased;
                () = self.stop.cancelled() => return false,
                _ = self.ticks.tick() => {}
            }
            match self.ailment() {
                None => {
                    self.told = false;
                    return true;
                }
                Some(why) if !self.told => {
                    self.told = true;
                    error!("No signs of life are given: {why}.");
                }
                Some(_) => {}
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use tempfile::TempDir;

    use super::*;
    use crate::{store::Store, watch::tests::house};

    #[tokio::test]
    async fn signs_come_while_the_loops_turn_and_end_when_one_is_stuck() {
        let folder = TempDir::new().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let (house, _requests) = house(&store).await;
        let stop = CancellationToken::new();
        assert_eq!(house.ailment(), None);
        let every = Duration::from_millis(100);
        let signs = |listener| Signs::new(Arc::clone(&house), every, listener, stop.clone());
        let (mut systemd, mut signs) = (signs(Listener::Systemd), signs(Listener::Person));
        for _ in 0..3 {
            assert!(signs.next().await && systemd.next().await);
        }
        // Nothing is reckoned while nothing can be stored; starting anew would mend nothing.
        house
            .unstored
            .failed(Timestamp::UNIX_EPOCH, &crate::store::StoreError::Full);
        assert!(signs.ailment().is_some_and(|why| why.contains("stored")) && systemd.ailment().is_none());
        house.unstored.stored();
        assert!(signs.next().await);
        house.stall();
        assert!(house.ailment().is_some_and(|why| why.contains("does not turn")));
        // However often the time comes, no sign is given; the stop ends the wait.
        let none = tokio::time::timeout(Duration::from_millis(350), signs.next());
        assert!(none.await.is_err());
        stop.cancel();
        assert!(!signs.next().await);
    }
}
