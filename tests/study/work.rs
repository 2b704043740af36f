//! Many batches on all cores: which thread plays which changes nothing.

use std::{
    collections::BTreeMap,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        Mutex, PoisonError,
        atomic::{AtomicU64, AtomicUsize, Ordering},
    },
    time::Instant,
};

use serde::{Serialize, de::DeserializeOwned};

use crate::{
    journal::{BadJournal, Journal},
    score::number,
};

/// Who plays.
pub(crate) struct Workers<'a> {
    /// Where plays are kept.
    pub(crate) journal: &'a Journal,
    /// How many threads.
    pub(crate) threads: usize,
    /// Batches whose play panicked: a fault of the program, and told with the table.
    pub(crate) failed: Mutex<Vec<(String, u64)>>,
}

impl Workers<'_> {
    /// The first `wanted` seeds from `first` on that the part asks for (`play` answers `Some`), with their plays. A tenth more
    /// is looked at than would be needed if a tenth were useless; no more than four times `wanted`.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub(crate) fn play<T: Serialize + DeserializeOwned + Send>(
        &self,
        part: &str,
        first: u64,
        wanted: usize,
        play: impl Fn(u64) -> Option<T> + Sync,
    ) -> Result<Vec<(u64, T)>, BadJournal> {
        let started = Instant::now();
        let mut plays = BTreeMap::new();
        let mut next = first;
        let mut found = 0;
        while found < wanted && next < first + 4 * wanted as u64 {
            let until = next + (wanted - found) as u64;
            let more = self.play_all(part, next..until, (found, wanted, started), &play)?;
            found += more.values().flatten().count();
            plays.extend(more);
            next = until;
        }
        let used = plays.into_iter().filter_map(|(seed, play)| Some((seed, play?)));
        Ok(used.take(wanted).collect())
    }

    fn play_all<T: Serialize + DeserializeOwned + Send>(
        &self,
        part: &str,
        seeds: std::ops::Range<u64>,
        (before, wanted, started): (usize, usize, Instant),
        play: &(impl Fn(u64) -> Option<T> + Sync),
    ) -> Result<BTreeMap<u64, Option<T>>, BadJournal> {
        let next = AtomicU64::new(seeds.start);
        let (done, fresh) = (AtomicUsize::new(before), AtomicUsize::new(0));
        let plays = Mutex::new(BTreeMap::new());
        let one_after_another = || -> Result<(), BadJournal> {
            loop {
                let seed = next.fetch_add(1, Ordering::Relaxed);
                if seed >= seeds.end {
                    return Ok(());
                }
                let played = match self.journal.known(part, seed) {
                    Some(known) => known,
                    None => {
                        let Ok(played) = catch_unwind(AssertUnwindSafe(|| play(seed))) else {
                            let mut failed = self.failed.lock().unwrap_or_else(PoisonError::into_inner);
                            failed.push((part.to_owned(), seed));
                            continue;
                        };
                        self.journal.keep(part, seed, played.as_ref())?;
                        fresh.fetch_add(1, Ordering::Relaxed);
                        played
                    }
                };
                if played.is_some() {
                    let done = done.fetch_add(1, Ordering::Relaxed) + 1;
                    tell(part, done, wanted, fresh.load(Ordering::Relaxed), started);
                }
                let mut plays = plays.lock().unwrap_or_else(PoisonError::into_inner);
                plays.insert(seed, played);
            }
        };
        std::thread::scope(|scope| {
            let workers: Vec<_> = (0..self.threads.max(1))
                .map(|_| scope.spawn(one_after_another))
                .collect();
            workers.into_iter().try_for_each(|worker| match worker.join() {
                Ok(result) => result,
                Err(panic) => std::panic::resume_unwind(panic),
            })
        })?;
        Ok(plays.into_inner().unwrap_or_else(PoisonError::into_inner))
    }
}

fn tell(part: &str, done: usize, wanted: usize, fresh: usize, started: Instant) {
    let each = started.elapsed().as_secs_f64() / number(fresh.max(1));
    let left = if fresh == 0 {
        String::new()
    } else {
        let seconds = each * number(wanted.saturating_sub(done));
        format!(
            ", about {:.0} min {:02.0} s left",
            (seconds / 60.0).floor(),
            seconds % 60.0
        )
    };
    eprintln!("{part}: {done} of {wanted}{left}");
}
