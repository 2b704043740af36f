//! Time-series servers: each is told every reading, forecast and alert, in order, however long it was away.
//!
//! Nothing waits in memory. What was told is a place in the store's own orders ([`Told`]), one for each server, moved once the server
//! has taken the lines; a server that was away costs the disk that the readings need anyway. The same line sent twice is one point.

mod carrier;
mod line;
mod points;
#[cfg(test)]
mod tests;

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use fobwatch_core::batch::Batch;
use tokio::time::sleep;
use tokio_util::sync::CancellationToken;
use tracing::{error, info, warn};

use crate::{
    config::SeriesServer,
    incoming::Backoff,
    store::{BatchId, Sequence, StoreError, StoredWhat, Told},
    watch::{House, ServerState},
};
use carrier::{Carrier, Refusal};
use line::Point;

/// Points that are sent at once at most; halved while a server finds that too many.
const AT_ONCE: u32 = 5_000;
/// New readings are gathered for so long, so that a server gets few requests.
const GATHER: Duration = Duration::from_secs(2);
/// The store is looked at this often even if nobody says that something is new.
const LOOK: Duration = Duration::from_secs(30);
/// A server that refuses the token or the bucket is asked again this often.
const MISCONFIGURED: Duration = Duration::from_secs(60);

/// Tells one server until the stop.
pub(crate) async fn carry(
    house: Arc<House>,
    server: SeriesServer,
    state: Arc<ServerState>,
    stop: CancellationToken,
) {
    let carrier = match Carrier::new(&server) {
        Ok(carrier) => carrier,
        Err(why) => {
            error!(url = %server.url, "The time-series server cannot be reached from here: {why}.");
            return;
        }
    };
    let teller = Teller {
        cultures: BTreeMap::new(),
        destination: server.destination(),
        url: server.url.to_string(),
        house,
        carrier,
        state,
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = teller.run() => {}
    }
}

/// Lines, and the place behind the last of them.
struct Chunk {
    what: Told,
    points: Vec<Point>,
    place: i64,
    /// There may be more behind it.
    full: bool,
}

struct Teller {
    /// Of the batches whose forecasts are told.
    cultures: BTreeMap<BatchId, Option<String>>,
    house: Arc<House>,
    destination: String,
    url: String,
    carrier: Carrier,
    state: Arc<ServerState>,
}

impl Teller {
    async fn run(mut self) {
        let mut latest = self.house.latest.subscribe();
        let mut alerts = self.house.alerts.subscribe();
        let mut backoff = Backoff::default();
        let mut limit = AT_ONCE;
        loop {
            latest.mark_unchanged();
            alerts.mark_unchanged();
            match self.tell_all(&mut limit).await {
                Ok(()) => {
                    if self.state.well() {
                        info!(url = %self.url, "The time-series server takes readings again.");
                    }
                    backoff = Backoff::default();
                    limit = AT_ONCE.min(limit.saturating_mul(2));
                    tokio::select! {
                        _ = latest.changed() => {}
                        _ = alerts.changed() => {}
                        () = sleep(LOOK) => {}
                    }
                    sleep(GATHER).await;
                }
                Err(Stopped::Store(StoreError::Closed)) => return,
                Err(Stopped::Store(error)) => {
                    warn!(url = %self.url, "What the time-series server is to be told cannot be read: {error}.");
                    sleep(backoff.after(Duration::ZERO)).await;
                }
                Err(Stopped::Server(why, wait)) => {
                    if self.state.ill(&why) {
                        warn!(url = %self.url, "The time-series server takes nothing; readings are kept and sent later: {why}.");
                    }
                    let usual = backoff.after(Duration::ZERO);
                    sleep(wait.map_or(usual, |asked| asked.max(usual))).await;
                }
            }
        }
    }

    /// Alerts and forecasts first: after an absence they must not wait for a week of readings.
    async fn tell_all(&mut self, limit: &mut u32) -> Result<(), Stopped> {
        loop {
            let mut more = self.tell(Told::Alerts, *limit, limit).await?;
            for batch in self.with_untold_forecasts().await? {
                let culture = self.cultures.get(&batch).cloned().flatten();
                more |= self.tell_forecasts(batch, culture, limit).await?;
            }
            more |= self.tell(Told::Readings, *limit, limit).await?;
            if !more {
                return Ok(());
            }
        }
    }

    /// The batches whose forecasts are to be told; their cultures are known then.
    async fn with_untold_forecasts(&mut self) -> Result<Vec<BatchId>, StoreError> {
        let destination = self.destination.clone();
        let due = self
            .house
            .store
            .read(move |reader| reader.with_untold_forecasts(&destination))
            .await?;
        if due.iter().any(|batch| !self.cultures.contains_key(batch)) {
            for stored in self.house.store.read(|reader| reader.batches()).await? {
                self.cultures
                    .entry(stored.id)
                    .or_insert_with(|| culture(&stored.text));
            }
        }
        Ok(due)
    }

    async fn tell(&self, what: Told, at_most: u32, limit: &mut u32) -> Result<bool, Stopped> {
        let destination = self.destination.clone();
        let chunk = self
            .house
            .store
            .read(move |reader| {
                let after = reader.told(&destination, what)?;
                Ok(match what {
                    Told::Readings => {
                        let events = reader.readings_after(Sequence(after.max(0)), at_most)?;
                        let place = events.last().map_or(after, |event| event.sequence.0);
                        let full = events.len() >= size(at_most);
                        let points = events.iter().filter_map(|event| match &event.what {
                            StoredWhat::Reading(reading) => Some(points::reading(reading)),
                            _ => None,
                        });
                        Chunk {
                            what,
                            points: points.collect(),
                            place,
                            full,
                        }
                    }
                    Told::Alerts => {
                        let alerts = reader.alerts_after(after, at_most)?;
                        let place = alerts.last().map_or(after, |(place, _)| *place);
                        let full = alerts.len() >= size(at_most);
                        let points = alerts.iter().map(|(_, alert)| points::alert(alert));
                        Chunk {
                            what,
                            points: points.collect(),
                            place,
                            full,
                        }
                    }
                    Told::Forecasts(_) => Chunk {
                        what,
                        points: Vec::new(),
                        place: after,
                        full: false,
                    },
                })
            })
            .await?;
        self.send(chunk, limit).await
    }

    async fn tell_forecasts(
        &self,
        batch: BatchId,
        culture: Option<String>,
        limit: &mut u32,
    ) -> Result<bool, Stopped> {
        let (destination, at_most) = (self.destination.clone(), *limit);
        let what = Told::Forecasts(batch);
        let chunk = self
            .house
            .store
            .read(move |reader| {
                let after = reader.told(&destination, what)?;
                let forecasts = reader.forecasts_after(batch, after, at_most)?;
                let place = forecasts.last().map_or(after, |(place, _)| *place);
                let full = forecasts.len() >= size(at_most);
                let points = forecasts
                    .iter()
                    .map(|(_, forecast)| points::forecast(forecast, culture.as_deref()));
                Ok(Chunk {
                    what,
                    points: points.collect(),
                    place,
                    full,
                })
            })
            .await?;
        self.send(chunk, limit).await
    }

    /// Sends a chunk and moves the place behind it; says whether there may be more.
    async fn send(&self, chunk: Chunk, limit: &mut u32) -> Result<bool, Stopped> {
        if chunk.points.is_empty() {
            return Ok(false);
        }
        self.write(&chunk.points, limit).await?;
        let (destination, what, place) = (self.destination.clone(), chunk.what, chunk.place);
        self.house
            .store
            .write(move |writer| writer.set_told(&destination, what, place))
            .await?;
        Ok(chunk.full)
    }

    /// Writes the points; halves what is too much or holds a point that the server never takes, until that one is found and left out.
    async fn write(&self, points: &[Point], limit: &mut u32) -> Result<(), Stopped> {
        let mut waiting = vec![points];
        // Whether it wants anything at all.
        let mut wants = false;
        while let Some(part) = waiting.pop() {
            let mut lines = String::new();
            part.iter().for_each(|point| point.write(&mut lines));
            if lines.is_empty() {
                continue;
            }
            let why = match self.carrier.write(lines.clone()).await {
                Ok(()) => {
                    wants = true;
                    self.state.sent(part.len());
                    continue;
                }
                Err(Refusal::Later(why, wait)) => return Err(Stopped::Server(why, wait)),
                Err(Refusal::Misconfigured(why)) => {
                    let why = format!("{why}; look at url, org, bucket and token");
                    return Err(Stopped::Server(why, Some(MISCONFIGURED)));
                }
                Err(Refusal::TooMany) => {
                    *limit = (*limit / 2).max(1);
                    "it says that this is too much at once".to_owned()
                }
                Err(Refusal::Never(why)) => why,
            };
            if let [_] = part {
                if !wants {
                    self.probe().await?;
                    wants = true;
                }
                self.state.left_out();
                error!(
                    url = %self.url,
                    "The time-series server will not take a point, so it is left out there ({why}): {}",
                    lines.trim_end()
                );
            } else {
                let (first, second) = part.split_at(part.len() / 2);
                waiting.extend([second, first]);
            }
        }
        Ok(())
    }

    /// A point is refused for ever, and no other was taken: is it the point, or the server? One that nothing can be wrong with
    /// tells; a server that refuses that one too would have everything left out.
    async fn probe(&self) -> Result<(), Stopped> {
        let mut line = String::new();
        points::probe(self.house.clock.now()).write(&mut line);
        let why = match self.carrier.write(line).await {
            Ok(()) => return Ok(()),
            Err(Refusal::Later(why, wait)) => return Err(Stopped::Server(why, wait)),
            Err(Refusal::TooMany) => "it says that a single point is too much".to_owned(),
            Err(Refusal::Misconfigured(why) | Refusal::Never(why)) => why,
        };
        let why = format!("{why}; it refuses even the plainest point, so somebody has to look at it");
        Err(Stopped::Server(why, Some(MISCONFIGURED)))
    }
}

fn culture(text: &str) -> Option<String> {
    let (batch, _) = Batch::from_toml(text, "stored").ok()?;
    Some(batch.culture?.as_str().to_owned())
}

fn size(limit: u32) -> usize {
    usize::try_from(limit).unwrap_or(usize::MAX)
}

/// Why telling stopped for now.
enum Stopped {
    Store(StoreError),
    /// What the server said, and how long to leave it alone if not as long as usual.
    Server(String, Option<Duration>),
}

impl From<StoreError> for Stopped {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}
