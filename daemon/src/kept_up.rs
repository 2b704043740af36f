//! Tasks that stand up again: one that stumbles over a fault of this program is told and begun again after a growing pause, and nothing else
//! waits for it.

use std::{
    any::Any,
    collections::HashMap,
    future, panic,
    pin::Pin,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use tokio::{
    task::{Id, JoinError, JoinHandle, JoinSet},
    time::{Instant, sleep, timeout},
};
use tokio_util::sync::CancellationToken;
use tracing::{error, warn};

use crate::incoming::Backoff;

/// How long the other tasks of a life may take to end.
const PARTING: Duration = Duration::from_secs(5);

/// One life of a task.
pub(crate) type Task = Pin<Box<dyn Future<Output = ()> + Send>>;

/// How often tasks stumbled since the start, for whoever asks how the daemon does.
#[derive(Debug, Default)]
pub(crate) struct Stumbles(Mutex<(u64, String)>);

impl Stumbles {
    /// How often, and what did last.
    pub(crate) fn told(&self) -> (u64, String) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// One more.
    pub(crate) fn count(&self, what: &str) {
        let mut told = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        *told = (told.0 + 1, what.to_owned());
    }
}

/// Runs lives of a task, one after the other, until one ends by itself or the stop comes; the first is begun at once. `what` begins a
/// sentence.
pub(crate) fn keep_up<L>(
    stumbles: &Arc<Stumbles>,
    what: String,
    stop: CancellationToken,
    mut begin: impl FnMut() -> L + Send + 'static,
) -> JoinHandle<()>
where
    L: Future<Output = ()> + Send + 'static,
{
    let stumbles = Arc::clone(stumbles);
    let mut life = begin();
    tokio::spawn(async move {
        let mut backoff = Backoff::default();
        loop {
            let began = Instant::now();
            let Err(fault) = tokio::spawn(life).await.map_err(JoinError::try_into_panic) else {
                return;
            };
            // Otherwise the whole program is ending.
            let Ok(fault) = fault else { return };
            stumbles.count(&what);
            let pause = backoff.after(began.elapsed());
            error!(
                "{what} stumbled over a fault of fobwatch ({}) and begins again in {:.1} s. Please report it.",
                said(&*fault),
                pause.as_secs_f64()
            );
            tokio::select! {
                () = stop.cancelled() => return,
                () = sleep(pause) => life = begin(),
            }
        }
    })
}

/// Waits for all tasks of one life. Where one panics the others are stopped.
///
/// # Errors
/// The panic.
pub(crate) async fn together(
    mut tasks: JoinSet<()>,
    stop: &CancellationToken,
) -> Result<(), Box<dyn Any + Send>> {
    while let Some(ended) = tasks.join_next().await {
        if let Err(Ok(fault)) = ended.map_err(JoinError::try_into_panic) {
            stop.cancel();
            while let Ok(Some(_)) = timeout(PARTING, tasks.join_next()).await {}
            return Err(fault);
        }
    }
    Ok(())
}

/// A task of its own as part of a life.
pub(crate) async fn part(task: JoinHandle<()>) {
    if let Err(Ok(fault)) = task.await.map_err(JoinError::try_into_panic) {
        panic::resume_unwind(fault);
    }
}

/// Tasks without which the daemon is none: it ends where one of them panics, and whoever keeps it begins it again.
#[derive(Debug, Default)]
pub(crate) struct Pillars {
    tasks: JoinSet<()>,
    names: HashMap<Id, &'static str>,
}

impl Pillars {
    /// Begins one. `name` begins a sentence.
    pub(crate) fn spawn(&mut self, name: &'static str, task: impl Future<Output = ()> + Send + 'static) {
        let id = self.tasks.spawn(task).id();
        self.names.insert(id, name);
    }

    /// Waits until one panics, and tells which; for ever, if none does.
    pub(crate) async fn fallen(&mut self) -> &'static str {
        while let Some(ended) = self.tasks.join_next().await {
            let Err(ended) = ended else { continue };
            let name = self.names.get(&ended.id()).copied().unwrap_or("a task");
            if let Ok(fault) = ended.try_into_panic() {
                error!(
                    "{name} stumbled over a fault of fobwatch ({}). Please report it.",
                    said(&*fault)
                );
                return name;
            }
        }
        future::pending().await
    }

    /// Waits until all have ended, which they do soon after the stop.
    pub(crate) async fn end(mut self) {
        let all = async { while self.tasks.join_next().await.is_some() {} };
        if timeout(PARTING, all).await.is_err() {
            warn!("A link or page did not end in time and is cut off.");
        }
    }
}

/// What a panic says.
fn said(fault: &(dyn Any + Send)) -> &str {
    let text = fault.downcast_ref::<&str>().copied();
    text.or_else(|| fault.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("it says nothing")
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    #[tokio::test]
    async fn a_task_that_stumbles_begins_again_until_a_life_ends_by_itself() {
        let (lives, stumbles) = (Arc::new(AtomicUsize::new(0)), Arc::default());
        let counted = Arc::clone(&lives);
        let task = keep_up(&stumbles, "It".to_owned(), CancellationToken::new(), move || {
            let number = counted.fetch_add(1, Ordering::Relaxed);
            async move { assert!(number == 2, "life {number}") }
        });
        task.await.unwrap();
        assert_eq!(lives.load(Ordering::Relaxed), 3);
        assert_eq!(stumbles.told(), (2, "It".to_owned()));
    }

    #[tokio::test]
    async fn after_the_stop_nothing_begins_again() {
        let (stop, lives) = (CancellationToken::new(), Arc::new(AtomicUsize::new(0)));
        let (stopped, counted) = (stop.clone(), Arc::clone(&lives));
        let task = keep_up(&Arc::default(), "It".to_owned(), stop, move || {
            counted.fetch_add(1, Ordering::Relaxed);
            let stopped = stopped.clone();
            async move {
                stopped.cancel();
                panic!("at the very end");
            }
        });
        task.await.unwrap();
        assert_eq!(lives.load(Ordering::Relaxed), 1);
    }

    #[tokio::test]
    async fn a_pillar_that_falls_is_named_and_one_that_ends_is_not() {
        let mut pillars = Pillars::default();
        pillars.spawn("the first", async {});
        pillars.spawn("the second", async { panic!("no ground") });
        assert_eq!(pillars.fallen().await, "the second");
        pillars.end().await;
    }

    #[tokio::test]
    async fn one_that_stumbles_stops_those_of_its_life() {
        let stop = CancellationToken::new();
        let mut tasks = JoinSet::new();
        let others = stop.clone();
        let ended = Arc::new(AtomicUsize::new(0));
        let counted = Arc::clone(&ended);
        tasks.spawn(async move {
            others.cancelled().await;
            counted.fetch_add(1, Ordering::Relaxed);
        });
        tasks.spawn(part(tokio::spawn(async { panic!("{} words", 2) })));
        let fault = together(tasks, &stop).await.unwrap_err();
        assert_eq!(said(&*fault), "2 words");
        assert_eq!(ended.load(Ordering::Relaxed), 1);
    }
}
