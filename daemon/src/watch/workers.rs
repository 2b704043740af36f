//! The workers of all batches under watch.

use std::{
    collections::BTreeMap,
    fmt,
    sync::{Arc, Mutex, PoisonError},
    thread::JoinHandle,
};

use fobwatch_core::{
    batch::Batch,
    engine::{FitRequest, Monitor},
    note::Note,
    reading::{Quantity, Source},
};
use jiff::Timestamp;
use tokio_util::sync::CancellationToken;
use tracing::{error, info};

use super::{
    Claims, Failure,
    crew::Crew,
    fit::Fit,
    house::House,
    live::Live,
    post::{Post, Works},
    revive::revive,
    router::Router,
    worker::Worker,
};
use crate::store::{BatchId, Sequence, StoreError};

/// At the start, batches that have not seen so many of the newest events are handed them together; older ones read by themselves.
const GONE_OVER_TOGETHER: i64 = 1_000_000;

/// More batches than this are revived by several at once ...
const MANY: usize = 64;
/// ... by so many.
const REVIVERS: usize = 4;

/// A batch as it was left, and the last event that its engine has seen.
type Revived = (BatchId, Monitor, Sequence);

async fn revived(house: &House, batches: Vec<(BatchId, Batch)>) -> Result<Vec<Revived>, StoreError> {
    let mut revived = Vec::with_capacity(batches.len());
    for (id, batch) in batches {
        let (monitor, seen) = revive(house, batch, id).await?;
        revived.push((id, monitor, seen));
    }
    Ok(revived)
}

async fn revived_at_once(
    house: &Arc<House>,
    batches: Vec<(BatchId, Batch)>,
) -> Result<Vec<Revived>, Failure> {
    let share = batches.len().div_ceil(REVIVERS);
    let mut rest = batches.into_iter();
    let tasks: Vec<_> = (0..REVIVERS)
        .map(|_| {
            let (house, own) = (Arc::clone(house), rest.by_ref().take(share).collect());
            tokio::spawn(async move { revived(&house, own).await })
        })
        .collect();
    let mut all = Vec::new();
    for task in tasks {
        let ended = task.await.map_err(|ended| Failure::System {
            what: "a task that revives batches",
            source: std::io::Error::other(ended),
        })?;
        all.extend(ended?);
    }
    Ok(all)
}

pub(crate) struct Workers {
    running: Option<Running>,
    stop: CancellationToken,
    fit: Fit,
    /// Somebody else gives the turns.
    stepped: bool,
}

/// Who works, once there is a batch.
struct Running {
    crew: Arc<Crew>,
    router: Arc<Router>,
    threads: Vec<JoinHandle<()>>,
    #[cfg(any(test, feature = "faults"))]
    staffed: Vec<Staffed>,
}

/// A post and who works there.
#[cfg(any(test, feature = "faults"))]
pub(super) type Staffed = (Arc<Post>, Arc<Mutex<Worker>>);

impl fmt::Debug for Workers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Workers")
    }
}

impl Workers {
    /// Answers what the engines ask as of `from` and later.
    pub(crate) fn new(from: Timestamp) -> Self {
        Self::with_fit(Fit {
            run: FitRequest::run,
            from,
        })
    }

    pub(super) fn with_fit(fit: Fit) -> Self {
        Self {
            running: None,
            stop: CancellationToken::new(),
            fit,
            stepped: false,
        }
    }

    /// Nothing runs by itself: [`Self::running`] tells whom to ask to go on, and who is to be given turns.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn stepped(fit: Fit) -> Self {
        Self {
            stepped: true,
            ..Self::with_fit(fit)
        }
    }

    /// Who hands out what is stored, and to whom; `None`: no batch was begun yet.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn running(&self) -> Option<(Arc<Router>, Vec<Staffed>)> {
        let running = self.running.as_ref()?;
        Some((Arc::clone(&running.router), running.staffed.clone()))
    }

    /// Begins to watch a stored batch where it was left.
    ///
    /// # Errors
    /// As [`Self::begin_all`].
    pub(super) async fn begin(
        &mut self,
        house: &Arc<House>,
        batch: Batch,
        id: BatchId,
    ) -> Result<(), Failure> {
        self.begin_all(house, vec![(id, batch)]).await
    }

    /// Begins to watch stored batches where they were left.
    ///
    /// # Errors
    /// The store cannot be read, or the system gives no thread.
    pub(crate) async fn begin_all(
        &mut self,
        house: &Arc<House>,
        batches: Vec<(BatchId, Batch)>,
    ) -> Result<(), Failure> {
        let named: Vec<_> = batches
            .iter()
            .flat_map(|(_, batch)| batch.sensors.values().cloned())
            .collect();
        house
            .store
            .write(move |writer| {
                writer.names(named);
                Ok(())
            })
            .await?;
        if self.running.is_none() {
            let claims = house.store.read(Claims::of).await?;
            house.claims_change(|known| *known = claims);
        }
        let revived = if batches.len() > MANY {
            revived_at_once(house, batches).await?
        } else {
            revived(house, batches).await?
        };
        let ids: Vec<BatchId> = revived.iter().map(|(id, _, _)| *id).collect();
        let mut corrected: BTreeMap<BatchId, (Sequence, Vec<Note>)> = house
            .store
            .read(move |reader| {
                let places = ids.into_iter().filter_map(|id| {
                    let place = reader.corrected(id).transpose()?;
                    Some(place.and_then(|place| Ok((id, (place, reader.taken_back(id)?)))))
                });
                places.collect()
            })
            .await?;
        let is_first = self.running.is_none();
        let running = match &mut self.running {
            Some(running) => running,
            none => {
                let latest = *house.latest.borrow();
                let near = |seen: &Sequence| latest.0 - seen.0 <= GONE_OVER_TOGETHER;
                let position = revived.iter().map(|(_, _, seen)| *seen).filter(near).min();
                let crew = Crew::new(self.stop.clone());
                let no_thread = |source| Failure::System {
                    what: "a thread",
                    source,
                };
                let threads = if self.stepped {
                    Vec::new()
                } else {
                    crew.start().map_err(no_thread)?
                };
                none.insert(Running {
                    router: Router::new(house, &crew, position.unwrap_or(latest)),
                    crew,
                    threads,
                    #[cfg(any(test, feature = "faults"))]
                    staffed: Vec::new(),
                })
            }
        };
        for (id, monitor, seen) in revived {
            let live = Arc::new(Live::new(
                id,
                Arc::new(monitor.clone()),
                seen,
                house.handed_out.subscribe(),
                self.stop.child_token(),
            ));
            let sources: BTreeMap<Quantity, Source> = Quantity::ALL
                .into_iter()
                .filter_map(|quantity| Some((quantity, monitor.only_source_of(quantity)?.clone())))
                .collect();
            house
                .batches
                .write()
                .unwrap_or_else(PoisonError::into_inner)
                .insert(live.slug.clone(), Arc::clone(&live));
            info!(batch = %live.batch.name, after = seen.0, "{} is watched.", live.batch.name);
            let worker = Arc::new(Mutex::new(Worker::new(
                house,
                &running.router,
                &live,
                (monitor, seen),
                match corrected.remove(&id) {
                    Some((place, back)) => (Some(place), back),
                    None => (None, Vec::new()),
                },
                self.fit,
                self.stop.clone(),
            )));
            let post = Arc::new(Post::new(live, Arc::clone(&worker) as Arc<Mutex<dyn Works>>));
            #[cfg(any(test, feature = "faults"))]
            running.staffed.push((Arc::clone(&post), worker));
            running
                .router
                .enter(&post, |quantity| sources.get(&quantity).cloned());
            post.join();
            running.crew.enter(&post);
        }
        if is_first && !self.stepped {
            tokio::spawn(Arc::clone(&running.router).run(self.stop.clone()));
        }
        Ok(())
    }

    /// Lets the worker of a batch keep its state and end.
    pub(super) fn end(&self, live: &Live) {
        live.stop.cancel();
        let Some(running) = &self.running else { return };
        if let Some(post) = running.router.post(live.id) {
            running.crew.ring(&post);
        }
    }

    /// Waits until the worker of a batch that was ended has gone.
    pub(super) async fn ended(&self, live: &Live) {
        if !self.stepped {
            live.ended().await;
        }
    }

    /// Lets each finish its event and keep its state.
    pub(crate) async fn finish(self) {
        self.stop.cancel();
        let Some(Running {
            crew,
            router,
            threads,
            ..
        }) = self.running
        else {
            return;
        };
        for post in router.all() {
            crew.ring(&post);
        }
        crew.close();
        let joined = tokio::task::spawn_blocking(move || {
            threads
                .into_iter()
                .map(JoinHandle::join)
                .filter(Result::is_err)
                .count()
        });
        if joined.await.unwrap_or(1) + crew.broken() > 0 {
            error!(
                "A batch's worker ended in disorder; its batch goes on from its last snapshot at the next start."
            );
        }
        router.keep_the_rest().await;
        // Posts hold their workers, and these the router.
        router.clear();
    }
}
