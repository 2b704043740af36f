//! The machine under the store: its power, which may fail at any write, and its disk.
//!
//! A crash goes on from the files as the disk would hold them. What SQLite had forced to the disk by then is whole; what it had only
//! written is there in part, sector by sector, or not at all. Within one write that is first the log, then, after the log was forced, the
//! pages that a checkpoint copies into the file.

use std::{
    collections::VecDeque,
    fs, io,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use super::{
    plan::{Disk, How},
    random::Random,
};
use crate::store::{Onlooker, Store, Writer};

/// What a disk writes whole or not at all.
const SECTOR: usize = 512;

/// Shared with the writer's thread.
#[derive(Clone)]
pub(super) struct Power(Arc<Mutex<State>>);

struct State {
    folder: PathBuf,
    /// Where the files are that the next start finds.
    next: PathBuf,
    starts: u32,
    writes: u64,
    off: bool,
    /// At which write, in order.
    crashes: VecDeque<(u64, How)>,
    disk: Vec<Bad>,
    before: Option<(How, Files)>,
    random: Random,
    /// What went wrong that never may.
    wrong: Vec<String>,
    largest_log: usize,
}

#[derive(Clone, Copy)]
struct Bad {
    from: u64,
    writes: u64,
    what: Disk,
}

#[derive(Clone)]
struct Files {
    store: Vec<u8>,
    log: Vec<u8>,
}

impl Power {
    pub(super) fn new(
        root: &Path,
        crashes: VecDeque<(u64, How)>,
        disk: &[(u64, u64, Disk)],
        random: Random,
    ) -> Self {
        let bad = |(from, writes, what): &(u64, u64, Disk)| Bad {
            from: *from,
            writes: *writes,
            what: *what,
        };
        Self(Arc::new(Mutex::new(State {
            folder: root.join("0"),
            next: root.join("0"),
            starts: 0,
            writes: 0,
            off: false,
            crashes,
            disk: disk.iter().map(bad).collect(),
            before: None,
            random,
            wrong: Vec::new(),
            largest_log: 0,
        })))
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// It failed, and nothing that is said since is heard.
    pub(super) fn is_off(&self) -> bool {
        self.lock().off
    }

    /// It is back: the folder of the store as the disk holds it. The one before is gone.
    pub(super) fn back(&self) -> PathBuf {
        let mut state = self.lock();
        if state.next != state.folder {
            fs::remove_dir_all(&state.folder).ok();
            state.folder = state.next.clone();
        }
        state.starts += 1;
        let name = state.starts.to_string();
        state.next = state
            .folder
            .parent()
            .map_or_else(|| PathBuf::from(&name), |root| root.join(&name));
        state.off = false;
        state.folder.clone()
    }

    /// After a stop in order the next start finds the same folder.
    pub(super) fn stays(&self) {
        let mut state = self.lock();
        state.next = state.folder.clone();
    }

    pub(super) fn writes(&self) -> u64 {
        self.lock().writes
    }

    /// How often it came back, the first time included.
    pub(super) fn starts(&self) -> usize {
        usize::try_from(self.lock().starts).unwrap_or(usize::MAX)
    }

    /// What went wrong that never may, and the largest log there was.
    pub(super) fn verdict(&self) -> (Vec<String>, usize) {
        let state = self.lock();
        (state.wrong.clone(), state.largest_log)
    }

    /// The last faults are over: no crash, and the disk is good.
    pub(super) fn calm(&self) {
        let mut state = self.lock();
        state.crashes.clear();
        let writes = state.writes;
        for bad in &mut state.disk {
            bad.writes = bad.writes.min((writes + 1).saturating_sub(bad.from));
        }
    }
}

impl Onlooker for Power {
    fn lets(&mut self, writer: &Writer) -> bool {
        let mut state = self.lock();
        if state.off {
            return false;
        }
        state.writes += 1;
        let now = state.writes;
        if now == 1 && !writer.is_durable() {
            state
                .wrong
                .push("the store does not force what is committed to the disk".to_owned());
        }
        for bad in &state.disk {
            // At each write, for a start meanwhile brings a new connection.
            if (bad.from..bad.from + bad.writes).contains(&now) {
                bad.what.set(writer, true);
            }
            if now == bad.from + bad.writes {
                bad.what.set(writer, false);
            }
        }
        match state.crashes.front() {
            Some((at, _)) if *at <= now => {}
            _ => return true,
        }
        let Some((_, how)) = state.crashes.pop_front() else {
            return true;
        };
        // From here on: whoever is answered is not heard any more.
        state.off = true;
        let files = Files::read(&state.folder);
        if how == How::Before {
            let written = files.and_then(|files| files.write(&state.next));
            state.note(written);
            return false;
        }
        match files {
            Ok(files) => state.before = Some((how, files)),
            Err(error) => state.note(Err(error)),
        }
        true
    }

    fn saw(&mut self, _writer: &Writer) {
        let mut state = self.lock();
        if let Ok(log) = fs::metadata(log_of(&state.folder)) {
            let length = usize::try_from(log.len()).unwrap_or(usize::MAX);
            state.largest_log = state.largest_log.max(length);
        }
        let Some((how, before)) = state.before.take() else {
            return;
        };
        let after = match Files::read(&state.folder) {
            Ok(after) => after,
            Err(error) => return state.note(Err(error)),
        };
        let random = &mut state.random;
        let left = match how {
            How::Before => before,
            How::After => after,
            How::TornLog => Files {
                log: torn(&before.log, &after.log, random),
                store: before.store,
            },
            How::TornFile => Files {
                store: torn(&before.store, &after.store, random),
                log: after.log,
            },
        };
        let written = left.write(&state.next);
        state.note(written);
    }
}

impl State {
    fn note(&mut self, done: io::Result<()>) {
        if let Err(error) = done {
            self.wrong.push(format!("the simulation itself failed: {error}"));
        }
    }
}

impl Disk {
    fn set(self, writer: &Writer, on: bool) {
        match self {
            Self::Full => writer.fill_up(on),
            Self::ReadOnly => writer.read_only(on),
        }
    }
}

impl Files {
    fn read(folder: &Path) -> io::Result<Self> {
        let log = match fs::read(log_of(folder)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            read => read?,
        };
        Ok(Self {
            store: fs::read(folder.join(Store::FILE))?,
            log,
        })
    }

    fn write(&self, folder: &Path) -> io::Result<()> {
        fs::create_dir_all(folder)?;
        fs::write(folder.join(Store::FILE), &self.store)?;
        fs::write(log_of(folder), &self.log)
    }
}

fn log_of(folder: &Path) -> PathBuf {
    folder.join(format!("{}-wal", Store::FILE))
}

/// What a disk holds of a file whose change from `before` to `after` was not forced: all up to a point, or sectors at random.
fn torn(before: &[u8], after: &[u8], random: &mut Random) -> Vec<u8> {
    let length = before.len().max(after.len());
    let mut file = before.to_vec();
    file.resize(length, 0);
    let in_order = random.percent(50);
    let until = random.below(length + 1);
    for from in (0..length).step_by(SECTOR) {
        let to = (from + SECTOR).min(length);
        let to = if in_order { to.min(until.max(from)) } else { to };
        if !in_order && random.percent(50) {
            continue;
        }
        if let (Some(old), Some(new)) = (file.get_mut(from..to), after.get(from..to)) {
            old.copy_from_slice(new);
        }
    }
    if in_order {
        file.truncate(before.len().max(until.min(after.len())));
    }
    file
}
