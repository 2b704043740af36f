//! Whoever sends: sensors at the broker, thermometers that post, and rows beside them that never end.

use std::{
    collections::BTreeSet,
    fmt::Write,
    path::{Path, PathBuf},
    sync::{
        Mutex,
        atomic::{AtomicBool, AtomicU16, Ordering},
    },
    time::Duration,
};

use fobwatch_simulator::{Emitted, Quantity, readings_csv};
use jiff::{SignedDuration, Timestamp};

use super::{PATIENCE, locked};
use crate::{Broker, Disk, Key, kept, key, publish_through, wait_for};

pub(super) const TOKEN: &str = "a token that is made up";
/// Who the rows beside are of.
pub(super) const BESIDE: &str = "cellar";
/// Rows of one post.
const ROWS: usize = 10;
/// Readings of the batches.
const COUNT: &str = "SELECT coalesce(sum(count), 0) FROM held WHERE series IN (SELECT id FROM series WHERE source != 'cellar')";

pub(super) struct Load {
    broker: u16,
    port: AtomicU16,
    data: PathBuf,
    /// The rows beside end here: they are older than every batch and move no clock.
    sealed: Timestamp,
    agent: ureq::Agent,
    enough: AtomicBool,
    /// The other side has failed: nobody is to wait any more.
    vain: AtomicBool,
    answered: Mutex<Vec<Key>>,
    rows: Mutex<usize>,
}

impl Load {
    pub(super) fn new(broker: u16, port: u16, data: &Path, sealed: Timestamp) -> Self {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(30)))
            .http_status_as_error(false);
        Self {
            broker,
            port: AtomicU16::new(port),
            data: data.to_owned(),
            sealed,
            agent: config.build().new_agent(),
            enough: AtomicBool::new(false),
            vain: AtomicBool::new(false),
            answered: Mutex::default(),
            rows: Mutex::default(),
        }
    }

    /// The daemon is there from now on.
    pub(super) fn is_at(&self, port: u16) {
        self.port.store(port, Ordering::SeqCst);
    }

    pub(super) fn enough(&self) {
        self.enough.store(true, Ordering::SeqCst);
    }

    /// Ends every wait as failed once it is dropped by a panic.
    pub(super) fn ends_with_others(&self) -> EndsWithOthers<'_> {
        EndsWithOthers(self)
    }

    fn go_on(&self) {
        assert!(!self.vain.load(Ordering::SeqCst), "another part has failed");
    }

    /// How many rows were posted beside.
    pub(super) fn rows(&self) -> usize {
        *locked(&self.rows)
    }

    /// First those of the bottles at the broker, then those of the rooms by posts, so that the order is the same in each run.
    pub(super) fn send(&self, readings: &[Emitted], before: usize) {
        let (rooms, bottles): (Vec<_>, Vec<_>) = readings
            .iter()
            .cloned()
            .partition(|reading| reading.quantity == Quantity::RoomTemperature);
        let message = |reading: &Emitted| (format!("sensors/{}", reading.source), reading.senml());
        let messages: Vec<_> = bottles.iter().map(message).collect();
        publish_through(self.broker, &messages);
        self.until_stored(before + bottles.len());
        for room in rooms {
            self.post(&readings_csv(std::slice::from_ref(&room)), [key(&room)]);
        }
        self.until_stored(before + readings.len());
    }

    /// One post after the other until it is enough.
    pub(super) fn post_rows(&self) {
        while !self.enough.load(Ordering::SeqCst) {
            let from = self.rows();
            let mut text = "time,source,quantity,value,unit\n".to_owned();
            let mut keys = Vec::new();
            for number in from..from + ROWS {
                let seconds = i64::try_from(number).unwrap_or(0) - 1_000_000;
                let at = self.sealed + SignedDuration::from_secs(seconds);
                writeln!(text, "{at},{BESIDE},pressure,1.{:03},bar", number % 1_000).ok();
                keys.push((BESIDE.to_owned(), "pressure".to_owned(), at.as_microsecond()));
            }
            self.post(&text, keys);
            *locked(&self.rows) += ROWS;
        }
    }

    /// Until it is answered 200.
    fn post(&self, rows: &str, keys: impl IntoIterator<Item = Key>) {
        wait_for("a post to be taken", PATIENCE, || {
            self.go_on();
            let url = format!(
                "http://127.0.0.1:{}/api/v1/readings",
                self.port.load(Ordering::SeqCst)
            );
            let posted = self
                .agent
                .post(&url)
                .header("Authorization", format!("Bearer {TOKEN}"))
                .header("Content-Type", "text/csv")
                .send(rows);
            posted.is_ok_and(|answer| answer.status() == 200).then_some(())
        });
        locked(&self.answered).extend(keys);
    }

    /// Waits for so many readings of the batches.
    pub(super) fn until_stored(&self, wanted: usize) {
        let disk = Disk::open(&self.data);
        wait_for(&format!("{wanted} readings in the store"), PATIENCE, || {
            self.go_on();
            (disk.count(COUNT) >= wanted).then_some(())
        });
    }

    /// Every row that was answered 200 is on the disk; answers with how many were looked for.
    pub(super) fn look_for_what_was_answered(&self) -> usize {
        let answered = std::mem::take(&mut *locked(&self.answered));
        let there: BTreeSet<Key> = Disk::open(&self.data).readings().into_iter().collect();
        for key in &answered {
            assert!(
                there.contains(key),
                "{key:?} was answered 200 and is not in the store"
            );
        }
        answered.len()
    }
}

pub(super) struct EndsWithOthers<'a>(&'a Load);

impl Drop for EndsWithOthers<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.0.vain.store(true, Ordering::SeqCst);
            self.0.enough();
        }
    }
}

/// Waits until a daemon has subscribed: it says `online` behind its subscriptions.
pub(super) fn until_online(broker: &Broker) {
    wait_for("the daemon at the broker", PATIENCE, || {
        (kept(broker, "fobwatch/status").get("fobwatch/status")? == "online").then_some(())
    });
}
