//! Thins the store by age while the daemon runs, a little at a time so that readings never wait long for the writer.

use std::{sync::Arc, time::Duration};

use jiff::SignedDuration;
use tokio::time::{MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use super::house::House;
use crate::config::Config;

/// Readings grow old slowly.
const EVERY: Duration = Duration::from_secs(3_600);
/// How many readings go in one transaction.
const AT_ONCE: u32 = 2_000;

#[derive(Clone, Debug)]
pub(super) struct Thinning {
    house: Arc<House>,
    raw_for: SignedDuration,
    destinations: Vec<String>,
    stop: CancellationToken,
}

impl Thinning {
    /// `None`: every reading is kept.
    pub(super) fn new(house: Arc<House>, config: &Config, stop: CancellationToken) -> Option<Self> {
        Some(Self {
            house,
            raw_for: config.raw_for?,
            destinations: config.series.iter().map(|server| server.destination()).collect(),
            stop,
        })
    }

    pub(super) async fn run(self) {
        let mut hours = interval(EVERY);
        hours.set_missed_tick_behavior(MissedTickBehavior::Skip);
        loop {
            tokio::select! {
                () = self.stop.cancelled() => return,
                _ = hours.tick() => self.thin().await,
            }
        }
    }

    async fn thin(&self) {
        let Ok(before) = self.house.clock.now().checked_sub(self.raw_for) else {
            return;
        };
        let mut all = 0_u64;
        while !self.stop.is_cancelled() {
            let destinations = self.destinations.clone();
            let thinned = self
                .house
                .store
                .write(move |writer| writer.thin(before, &destinations, AT_ONCE))
                .await;
            match thinned {
                Ok(thinned) => {
                    all = all.saturating_add(thinned);
                    if thinned < u64::from(AT_ONCE) {
                        break;
                    }
                }
                Err(failed) => {
                    warn!("Old readings could not be thinned: {failed}. It is tried again in an hour.");
                    break;
                }
            }
        }
        if all > 0 {
            info!(
                "{all} readings from before {before} are kept as five-minute rollups only, as `store.raw_for_days` says."
            );
        }
    }
}
