//! A daemon without sockets, sensors or a clock that runs: what tests and the fuzzer ask.

use std::{sync::Arc, time::Duration};

use jiff::{SignedDuration, Timestamp};
use tokio_util::sync::CancellationToken;

use super::{Clock, House, house::Asked, intake::Intake, workers::Workers};
use crate::{config::Config, incoming, store::Store};

#[derive(Debug)]
pub(crate) struct StoppedClock(pub(crate) Timestamp);

impl Clock for StoppedClock {
    fn now(&self) -> Timestamp {
        self.0
    }

    fn tick_every(&self) -> Duration {
        Duration::from_secs(3_600)
    }
}

pub(crate) fn start() -> Timestamp {
    "2026-03-02T07:00:00Z".parse().expect("a time")
}

pub(crate) fn batch_text(name: &str) -> String {
    format!(
        "name = \"{name}\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n\
         [drink]\nsucrose_g_per_l = 60.0\nculture_ml_per_l = 25.0\n\
         [bottle]\nmaterial = \"glass\"\ncapacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = 1.5\n\
         [target]\nco2_volumes = 2.8\nfridge_c = 4.0\n"
    )
}

pub(crate) async fn house(store: &Store) -> (Arc<House>, tokio::sync::mpsc::Receiver<Asked>) {
    let clock = StoppedClock(start() + SignedDuration::from_hours(12));
    house_by(store, Arc::new(clock)).await
}

pub(crate) async fn house_by(
    store: &Store,
    clock: Arc<dyn Clock>,
) -> (Arc<House>, tokio::sync::mpsc::Receiver<Asked>) {
    let config = Config::defaults().expect("the defaults are sound");
    House::new(store.clone(), &config, clock, false)
        .await
        .expect("a house")
}

/// The watch loop of `house` without inputs, until `stop`.
pub(crate) fn watch_loop(
    house: &Arc<House>,
    requests: tokio::sync::mpsc::Receiver<Asked>,
    stop: &CancellationToken,
) -> tokio::task::JoinHandle<()> {
    let (inbox, incoming) = incoming::channel();
    let intake = Intake {
        house: Arc::clone(house),
        workers: Workers::new(Timestamp::MIN),
        incoming,
        requests,
        stop: stop.clone(),
        gather: Duration::ZERO,
        told: None,
        kept: None,
        asked: None,
    };
    tokio::spawn(async move {
        let workers = intake.run().await.expect("the loop ends well");
        drop(inbox);
        workers.finish().await;
    })
}
