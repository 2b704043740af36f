//! A daemon on a machine: it starts from its files, stops, and dies with the power.

use std::{collections::VecDeque, path::Path, sync::Arc};

use fobwatch_core::reading::Reading;
use rusqlite::Connection;
use tokio::sync::oneshot;

use super::World;
use crate::{
    deliver::simulated::{OtherSide, Postman},
    faults::{channel::Other, clock::SimulatedClock, fits},
    incoming::{self, Inbox},
    mqtt::simulated::Ear,
    serial::simulated::Plug,
    store::Store,
    watch::{self, simulated::Loops},
};

/// Starts that fail one after the other before the simulation gives up: each crash costs one.
const STARTS: usize = 50;

/// A daemon between its start and its end.
pub(super) struct Daemon {
    pub(super) store: Store,
    pub(super) loops: Loops,
    pub(super) ear: Ear,
    pub(super) plug: Plug,
    pub(super) inbox: Inbox,
    pub(super) postmen: Vec<Postman>,
    /// Messages taken from the broker, and who hears of their storing.
    pub(super) taken: VecDeque<(usize, Vec<Reading>, oneshot::Receiver<()>)>,
    /// The line is in its first moments, and what comes before its first line end does not count.
    pub(super) fresh: bool,
    /// Lines taken from the port, not known to be stored.
    pub(super) heard: Vec<Reading>,
}

impl World<'_> {
    /// Starts the daemon from the files as they are; a crash in the midst of it costs another start.
    pub(super) fn start(&mut self) -> Result<Daemon, String> {
        let mut why = String::new();
        for _ in 0..STARTS {
            let folder = self.power.back();
            match self.open(&folder) {
                Ok(daemon) => {
                    if !self.power.is_off() {
                        return Ok(daemon);
                    }
                    self.close(daemon);
                }
                Err(error) if self.power.is_off() => why = error,
                // A disk that takes nothing keeps a daemon from starting; whoever starts it tries again.
                Err(error) => {
                    why = error;
                    self.power.stays();
                }
            }
        }
        Err(format!("the daemon does not start any more: {why}"))
    }

    fn open(&mut self, folder: &Path) -> Result<Daemon, String> {
        let config = &self.play.config;
        let store = Store::open_seen(folder, self.power.clone()).map_err(|error| error.to_string())?;
        let (inbox, incoming) = incoming::channel();
        let begun = {
            let _inside = self.runtime.enter();
            let clock: Arc<dyn watch::Clock> = Arc::<SimulatedClock>::clone(&self.clock);
            self.runtime.block_on(Loops::begin(
                store.clone(),
                config,
                clock,
                self.play.batches.clone(),
                incoming,
                (fits::fitted, self.play.fits_from),
            ))
        };
        let loops = match begun {
            Ok(loops) => loops,
            Err(failure) => {
                let why = failure.to_string();
                // Its thread may still copy what the disk holds.
                self.runtime.block_on(store.close()).ok();
                return Err(why);
            }
        };
        let house = loops.house();
        let (Some(broker), Some(port)) = (config.mqtt.first(), config.serial.first()) else {
            return Err("the play has no broker or no port".to_owned());
        };
        let destinations = house.destinations();
        let postmen = destinations
            .iter()
            .zip(&self.others)
            .map(|(destination, other)| {
                let other: Arc<dyn OtherSide> = Arc::<Other>::clone(other);
                Postman::new(&house, destination.clone(), other)
            })
            .collect();
        Ok(Daemon {
            ear: Ear::new(broker, &config.calibrations, inbox.clone()),
            plug: Plug::new(port, &config.calibrations, inbox.clone()),
            inbox,
            store,
            loops,
            postmen,
            taken: VecDeque::new(),
            fresh: true,
            heard: Vec::new(),
        })
    }

    /// All that was in memory is gone; the broker finds its link cut.
    pub(super) fn crashed(&mut self, daemon: Daemon) -> Result<Daemon, String> {
        self.close(daemon);
        self.broker.connect(false);
        let daemon = self.start()?;
        self.broker.connect(!self.now.split);
        Ok(daemon)
    }

    /// Waits for the writer, which may still copy what the disk holds.
    fn close(&mut self, daemon: Daemon) {
        let store = daemon.store.clone();
        drop(daemon);
        self.runtime.block_on(store.close()).ok();
    }

    /// Stops in order, and starts again. `strange`: a program that cannot read the snapshots.
    pub(super) fn stop(&mut self, mut daemon: Daemon, strange: bool) -> Result<Daemon, String> {
        // As the daemon does it: what has arrived is stored first.
        if self.keep(&mut daemon).is_ok() {
            daemon.loops.end();
        }
        if self.power.is_off() {
            return self.crashed(daemon);
        }
        let folder = daemon.store.folder().to_owned();
        let store = daemon.store.clone();
        drop(daemon);
        self.power.stays();
        self.runtime
            .block_on(store.close())
            .map_err(|error| format!("the store does not close in order: {error}"))?;
        if strange {
            make_strange(&folder).map_err(|error| format!("the simulation itself failed: {error}"))?;
        }
        self.broker.connect(false);
        let daemon = self.start()?;
        self.broker.connect(!self.now.split);
        Ok(daemon)
    }
}

/// The snapshots become those of a version that nobody knows.
fn make_strange(folder: &Path) -> Result<(), rusqlite::Error> {
    let connection = Connection::open(folder.join(Store::FILE))?;
    connection.execute(
        "UPDATE snapshot SET body = CAST(x'ffffff7f' || substr(body, 5) AS BLOB)",
        [],
    )?;
    connection.close().map_err(|(_, error)| error)
}
