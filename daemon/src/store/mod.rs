//! The durable store: readings, notes, batches, forecasts, alerts and engine snapshots.
//!
//! SQLite inside the program, one file in the data folder, nothing to install. [`Writer`] is the one connection that
//! writes and holds the folder's lock; [`Reader`] reads beside it; [`Store`] puts the writer on a thread of its own
//! and is what the daemon holds. Commands that run without a daemon use [`Writer`] or [`Store::read_folder`].
//!
//! Everything that an engine may see has one place in one order ([`Sequence`]); a restart takes the last snapshot and
//! goes on with the events after it. Times are whole microseconds: decoders cut finer digits, so that a reading is the
//! same before and after a restart.

mod arrival;
mod backup;
mod batches;
mod beside;
mod destination;
mod diary;
mod earlier;
mod elsewhere;
mod error;
mod event;
mod fresh;
mod layout;
mod lock;
mod migration;
mod outbox;
mod outcome;
mod packed;
mod progress;
mod read;
mod rolled;
mod rollup;
mod series;
#[cfg(any(test, feature = "faults"))]
mod simulated;
mod stretch;
mod text;
mod told;
mod write;

#[cfg(any(test, fuzzing))]
mod damaged;
#[cfg(test)]
mod layouts;
#[cfg(test)]
mod tests;

use std::{
    net::SocketAddr,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError},
    thread,
};

use rusqlite::Connection;
use tokio::sync::{mpsc, oneshot};

pub(crate) use beside::{ANNOUNCED, write as write_beside};
#[cfg(any(test, fuzzing))]
pub(crate) use damaged::packed_again;
pub(crate) use destination::begins;
pub use destination::{Destination, Due};
pub use elsewhere::{Heard, Word};
pub use error::StoreError;
pub use event::{
    Appended, BatchId, Bucket, Outcome, Sequence, Series, SetAsideCount, Snapshot, StoredBatch, StoredEvent,
    StoredWhat, Thinned,
};
pub use outbox::{Backlog, Delivered, Lane, Next, OutboxRow};
pub use read::Reader;
#[cfg(any(test, feature = "faults"))]
pub(crate) use simulated::unpack;
pub use told::Told;
pub use write::{MOST_SERIES, Writer};

/// The file in the data folder.
const FILE: &str = Store::FILE;

/// How many writes may wait for the writer; when it is full, who writes waits.
const QUEUE: usize = 64;

/// Read-only connections kept open for the next reader.
const KEPT_READERS: usize = 4;

/// Who looks on at every write, on the writer's thread: nobody, but for the simulation of faults.
pub(crate) trait Onlooker: Send + 'static {
    /// Whether the next write is done at all.
    fn lets(&mut self, writer: &Writer) -> bool;

    /// It was done, well or not; whoever asked was answered.
    fn saw(&mut self, writer: &Writer);
}

impl Onlooker for () {
    fn lets(&mut self, _writer: &Writer) -> bool {
        true
    }

    fn saw(&mut self, _writer: &Writer) {}
}

type WriterThread = thread::JoinHandle<Result<(), StoreError>>;
type Job = Box<dyn FnOnce(&mut Writer) + Send>;

/// The store as the daemon holds it. Cheap to clone. The writer's thread ends when the last clone is gone, or by
/// [`Store::close`].
#[derive(Clone)]
pub struct Store {
    jobs: mpsc::Sender<Option<Job>>, // `None`: stop
    thread: Arc<Mutex<Option<WriterThread>>>,
    readers: Arc<Readers>,
}

struct Readers {
    folder: PathBuf,
    idle: Mutex<Vec<Connection>>,
}

impl Store {
    /// The name of the file in the data folder.
    pub const FILE: &'static str = "fobwatch.sqlite";

    /// Opens the store in `folder`, making both where they are missing, and starts its writer.
    ///
    /// # Errors
    /// As [`Writer::open`].
    pub fn open(folder: &Path) -> Result<Self, StoreError> {
        Self::open_seen(folder, ())
    }

    /// The same, with somebody who looks on at every write.
    ///
    /// # Errors
    /// As [`Writer::open`].
    pub(crate) fn open_seen(folder: &Path, onlooker: impl Onlooker) -> Result<Self, StoreError> {
        let writer = Writer::open(folder)?;
        let (jobs, queue) = mpsc::channel(QUEUE);
        let handle = thread::Builder::new()
            .name("store".to_owned())
            .spawn(move || run(writer, queue, onlooker))
            .map_err(|source| StoreError::Folder {
                folder: folder.to_owned(),
                source,
            })?;
        Ok(Self {
            jobs,
            thread: Arc::new(Mutex::new(Some(handle))),
            readers: Arc::new(Readers {
                folder: folder.to_owned(),
                idle: Mutex::new(Vec::new()),
            }),
        })
    }

    /// Runs `job` on the writer's thread and answers once it has committed:
    /// `store.write(move |writer| writer.append_readings(&readings, now)).await?`.
    ///
    /// # Errors
    /// What `job` answers, or [`StoreError::Closed`].
    pub async fn write<T: Send + 'static>(
        &self,
        job: impl FnOnce(&mut Writer) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let (answer, answered) = oneshot::channel();
        let job: Job = Box::new(move |writer| {
            // Whoever asked may have gone away; what was written stays written.
            answer.send(job(writer)).ok();
        });
        self.jobs
            .send(Some(job))
            .await
            .map_err(|_closed| StoreError::Closed)?;
        answered.await.map_err(|_closed| StoreError::Closed)?
    }

    /// Runs `job` on a read-only connection, off the async threads. It sees all that was committed before.
    ///
    /// # Errors
    /// What `job` answers, or that no connection could be opened.
    pub async fn read<T: Send + 'static>(
        &self,
        job: impl FnOnce(&Reader<'_>) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let readers = Arc::clone(&self.readers);
        tokio::task::spawn_blocking(move || readers.with(job))
            .await
            .map_err(|_stopped| StoreError::Closed)?
    }

    /// Reads a data folder without its lock, beside a running daemon or without one.
    ///
    /// # Errors
    /// There is no store, or what `job` answers.
    pub fn read_folder<T>(
        folder: &Path,
        job: impl FnOnce(&Reader<'_>) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let connection = read::open_read_only(folder)?;
        job(&Reader::new(&connection))
    }

    /// What the store takes of the disk, with what is not in the main file yet; `None` where the system does not tell.
    #[must_use]
    pub fn bytes(&self) -> Option<u64> {
        let size = |name: &str| std::fs::metadata(self.readers.folder.join(name)).map(|file| file.len());
        let log = size(&format!("{FILE}-wal")).unwrap_or(0);
        Some(size(FILE).ok()?.saturating_add(log))
    }

    /// The data folder.
    pub(crate) fn folder(&self) -> &Path {
        &self.readers.folder
    }

    /// Whether something was ever stored in `folder`.
    #[must_use]
    pub fn is_in(folder: &Path) -> bool {
        folder.join(FILE).exists()
    }

    /// Where the daemon that holds `folder` can be asked, or the last one that did: nobody may be there any more.
    #[must_use]
    pub fn address_of_holder(folder: &Path) -> Option<SocketAddr> {
        lock::address(folder)
    }

    /// Lets the writer finish what waits, folds the write-ahead log into the file and lets go of the folder. Other
    /// clones answer [`StoreError::Closed`] from there on.
    ///
    /// # Errors
    /// The file could not be closed in order; what was committed is safe all the same.
    pub async fn close(self) -> Result<(), StoreError> {
        let Self {
            jobs,
            thread,
            readers,
        } = self;
        jobs.send(None).await.map_err(|_closed| StoreError::Closed)?;
        readers.lock().clear();
        let handle = thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        let Some(handle) = handle else {
            return Err(StoreError::Closed);
        };
        tokio::task::spawn_blocking(move || handle.join().unwrap_or(Err(StoreError::Closed)))
            .await
            .map_err(|_stopped| StoreError::Closed)?
    }
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Store({})", self.readers.folder.display())
    }
}

impl Readers {
    fn with<T>(&self, job: impl FnOnce(&Reader<'_>) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let idle = self.lock().pop();
        let connection = match idle {
            Some(connection) => connection,
            None => read::open_read_only(&self.folder)?,
        };
        let answer = job(&Reader::new(&connection));
        let mut idle = self.lock();
        if idle.len() < KEPT_READERS {
            idle.push(connection);
        }
        answer
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Connection>> {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn run(
    mut writer: Writer,
    mut queue: mpsc::Receiver<Option<Job>>,
    mut onlooker: impl Onlooker,
) -> Result<(), StoreError> {
    while let Some(Some(job)) = queue.blocking_recv() {
        if !onlooker.lets(&writer) {
            // Whoever waits for the answer hears that the store is closed.
            continue;
        }
        job(&mut writer);
        onlooker.saw(&writer);
    }
    writer.close()
}
