//! The loops of the daemon: store, acknowledge, think, deliver.
//!
//! [`intake`] gives everything its place in the one order of the store; the [`router`] hands it to the batches that it concerns, and a [`crew`] of
//! threads gives the [`worker`] of each its turns; [`crate::deliver`] carries alerts out; [`crate::http`] shows and asks.

pub(crate) mod claim;
mod clock;
mod crew;
mod crowd;
mod entrance;
mod failure;
#[cfg(any(test, fuzzing))]
pub(crate) mod fixture;
mod folder;
mod heartbeat;
mod house;
mod inputs;
mod intake;
mod learned;
mod left;
mod live;
pub(crate) mod peers;
mod post;
mod router;
mod signals;
#[cfg(any(test, feature = "faults"))]
pub(crate) mod simulated;
mod taught;
#[cfg(test)]
pub(crate) mod tests;
mod thinning;
mod unstored;
mod worker;
mod workers;

use std::{
    env,
    net::SocketAddr,
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use fobwatch_core::batch::Batch;
use jiff::Timestamp;
use tokio::{net::TcpListener, sync::mpsc, task::JoinHandle, time::timeout};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::{
    config::{
        Access, Config, Exposed,
        zero::{self, BadZeros},
    },
    decode::Zero,
    deliver, http,
    incoming::{self, Inbox, Incoming},
    kept_up::{Pillars, Task, keep_up},
    series,
    store::Store,
};

pub(crate) use clock::whole_microseconds;
pub use clock::{Clock, WallClock};
pub use failure::Failure;
#[cfg(test)]
pub(crate) use house::Door;
pub(crate) use house::{House, Request};
pub(crate) use left::{Left, left};
pub(crate) use live::Live;
pub(crate) use peers::Missed;
pub use signals::stop_on_signals;
#[cfg(any(test, feature = "faults"))]
pub(crate) use simulated::Step;
pub(crate) use taught::calibrated;
pub use unstored::Trouble;

/// How long inputs, answers under way and deliveries may take to end.
const PARTING: Duration = Duration::from_secs(5);

/// What the command line says.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// The configuration.
    pub config: Option<PathBuf>,
    /// Where readings are kept.
    pub data: Option<PathBuf>,
    /// Where page and API are served.
    pub listen: Option<SocketAddr>,
    /// A folder of batch files.
    pub batches: Option<PathBuf>,
}

/// Everything that a daemon needs to work.
#[derive(Debug)]
pub struct Setup {
    /// The configuration; its brokers and ports are listened to.
    pub config: Config,
    /// Where everything is kept.
    pub store: Store,
    /// Where page and API are served; made with [`listen`].
    pub listener: std::net::TcpListener,
    /// Batches to watch beside those of the store, each with the text of its file.
    pub batches: Vec<(Batch, String)>,
    /// What time it is.
    pub clock: Arc<dyn Clock>,
    /// The batches are made up.
    pub demo: Option<Demo>,
    /// Where brokers and ports put what they hear; whoever else has readings keeps a copy.
    pub inbox: Inbox,
    /// The other end of it.
    pub incoming: mpsc::Receiver<Incoming>,
    /// A configuration that is to hold from then on, as far as it can without a new start.
    pub reloads: mpsc::Receiver<Config>,
    /// Ends the daemon in order.
    pub stop: CancellationToken,
}

/// The batches are made up, and said to be so everywhere.
#[derive(Clone, Copy, Debug)]
pub struct Demo {
    /// Their past before this is gone over without forecasts, and so without alerts that rest on one.
    pub reckoned_from: Timestamp,
}

/// Where readings are kept: as the command line says, else the environment, the configuration, else the folder of the service or the user.
///
/// # Errors
/// There is no such folder.
pub fn data_folder(given: Option<PathBuf>, config: &Config) -> Result<PathBuf, Failure> {
    let from = |name: &str| {
        env::var_os(name)
            .filter(|value| !value.is_empty())
            .map(PathBuf::from)
    };
    given
        .or_else(|| from("FOBWATCH_DATA"))
        .or_else(|| config.store_folder.clone())
        .or_else(|| from("STATE_DIRECTORY"))
        .or_else(|| from("XDG_DATA_HOME").map(|home| home.join("fobwatch")))
        .or_else(|| from("HOME").map(|home| home.join(".local/share/fobwatch")))
        .ok_or(Failure::NoDataFolder)
}

/// Runs the daemon until a signal ends it. Call it inside a multi-threaded tokio runtime.
///
/// # Errors
/// Why it does not run, or no longer.
pub async fn run(options: Options) -> Result<(), Failure> {
    let mut config = Config::load(options.config.as_deref())?;
    let listen = options.listen.unwrap_or(config.listen);
    refuse_strangers(listen, &config.access)?;
    let batches = match &options.batches {
        Some(path) => folder::read(path)?,
        None => Vec::new(),
    };
    let data = data_folder(options.data, &config)?;
    let store = Store::open(&data)?;
    info!("Readings are kept in {}.", data.display());
    config.calibrations.set_zeros(&zeros(&data)?);
    let access = config.access.clone();
    let stop = CancellationToken::new();
    stop_on_signals(stop.clone())?;
    let (reload, reloads) = mpsc::channel(1);
    signals::reload_on_hangup(options.config, data, reload)?;
    let (inbox, incoming) = incoming::channel();
    serve(Setup {
        config,
        store,
        listener: self::listen(listen, &access)?,
        batches,
        clock: Arc::new(WallClock),
        demo: None,
        inbox,
        incoming,
        reloads,
        stop,
    })
    .await
}

/// What gauges read in open air, told in the log.
fn zeros(data: &Path) -> Result<Vec<Zero>, BadZeros> {
    let zeros = zero::load(data)?;
    for zero in &zeros {
        info!(
            "{:.4} bar are taken off every pressure of {}: it read so in open air at {}.",
            zero.reads.bar(),
            zero.source,
            zero.taken_at
        );
    }
    Ok(zeros)
}

fn refuse_strangers(listen: SocketAddr, access: &Access) -> Result<(), Failure> {
    match access.exposes(listen) {
        None => Ok(()),
        Some(Exposed::Nobody) => Err(Failure::NotLoopback { given: listen }),
        Some(Exposed::Overheard) => Err(Failure::NotSecured { given: listen }),
    }
}

/// Opens the address at which page and API are served.
///
/// # Errors
/// `access` does not let it be served, or the system does not.
pub fn listen(address: SocketAddr, access: &Access) -> Result<std::net::TcpListener, Failure> {
    refuse_strangers(address, access)?;
    let opened = std::net::TcpListener::bind(address).and_then(|listener| {
        listener.set_nonblocking(true)?;
        Ok(listener)
    });
    opened.map_err(|source| Failure::Listen { address, source })
}

/// Runs the loops until `setup.stop`, then stores what has arrived, keeps every engine's state and closes the store.
///
/// # Errors
/// Why it does not run, or no longer.
pub async fn serve(setup: Setup) -> Result<(), Failure> {
    Daemon::start(setup).await?.run().await
}

/// A daemon whose batches are watched and whose page is up; [`Daemon::run`] takes what comes in.
#[derive(Debug)]
pub(crate) struct Daemon {
    house: Arc<House>,
    intake: intake::Intake,
    pillars: Pillars,
    /// What stands up by itself.
    tasks: Vec<JoinHandle<()>>,
}

impl Daemon {
    pub(crate) async fn start(setup: Setup) -> Result<Self, Failure> {
        // Another part of the program may have installed it: it is the only one that is built in.
        rustls::crypto::ring::default_provider().install_default().ok();
        let unserved = |source| Failure::System {
            what: "the page's address",
            source,
        };
        let address = setup.listener.local_addr().map_err(unserved)?;
        let listener = TcpListener::from_std(setup.listener).map_err(unserved)?;
        let (config, demo) = (setup.config, setup.demo);
        let (house, requests) = House::new(setup.store.clone(), &config, setup.clock, demo.is_some()).await?;
        if let Err(error) = deliver::welcome(&house.store, &house.destinations(), house.clock.now()).await {
            warn!("A channel that is new is not told what stands: {error}.");
        }
        let own = entrance::own(&house).await?;
        let mut workers = workers::Workers::new(demo.map_or(Timestamp::MIN, |demo| demo.reckoned_from));
        let live = folder::live(&house, setup.batches).await?;
        workers.begin_all(&house, live).await?;
        if house.all().is_empty() {
            info!(
                "No batch is watched yet; add one with `fobwatch batch add FILE`, or name a folder of batch files with --batches."
            );
        }
        let stop = setup.stop;
        let (post_listen, gather) = (config.post_listen, config.gather);
        let servers = config.series.clone();
        let thinning = thinning::Thinning::new(Arc::clone(&house), &config, stop.clone());
        let pinged = config.ping_url.clone().map(|url| (url, config.ping_every));
        let inputs = inputs::Inputs::start(Arc::clone(&house), config, setup.inbox, stop.clone());
        let mut pillars = Pillars::default();
        pillars.spawn("the task that begins and ends links", inputs.run(setup.reloads));
        let asked_at = own
            .as_ref()
            .map_or(Ok(address), TcpListener::local_addr)
            .map_err(unserved)?;
        // Before anybody is answered: who has seen the page finds the daemon by its folder, too.
        house.store.write(move |writer| writer.serves(asked_at)).await?;
        let page = http::serve(Arc::clone(&house), listener, http::Way::Front, stop.clone());
        pillars.spawn("the page", page);
        if let Some(own) = own {
            let asked = http::serve(Arc::clone(&house), own, http::Way::CommandLine, stop.clone());
            pillars.spawn("the address of the command line", asked);
        }
        pillars.spawn(
            "the task that tells systemd",
            heartbeat::systemd(Arc::clone(&house), stop.clone()),
        );
        let stumbles = Arc::clone(&house.stumbles);
        let kept = |what: &str, task: fn(Arc<House>, CancellationToken) -> Task| {
            let (house, ended) = (Arc::clone(&house), stop.clone());
            keep_up(&stumbles, what.to_owned(), stop.clone(), move || {
                task(Arc::clone(&house), ended.clone())
            })
        };
        let mut tasks = vec![
            kept("Forgetting old alerts", |house, stop| {
                Box::pin(deliver::forget(house, stop))
            }),
            kept("Looking out for other daemons", |house, stop| {
                Box::pin(peers::look_out(house, stop))
            }),
        ];
        if let Some(thinning) = thinning {
            tasks.push(keep_up(
                &stumbles,
                "Thinning old readings".to_owned(),
                stop.clone(),
                move || thinning.clone().run(),
            ));
        }
        if let Some((url, often)) = pinged {
            let (house, ended) = (Arc::clone(&house), stop.clone());
            tasks.push(keep_up(
                &stumbles,
                "Giving signs of life".to_owned(),
                stop.clone(),
                move || heartbeat::pings(Arc::clone(&house), url.clone(), often, ended.clone()),
            ));
        }
        for (server, state) in servers.into_iter().zip(house.series.clone()) {
            let (house, ended) = (Arc::clone(&house), stop.clone());
            tasks.push(keep_up(
                &stumbles,
                format!("Telling {}", server.url),
                stop.clone(),
                move || {
                    series::carry(
                        Arc::clone(&house),
                        server.clone(),
                        Arc::clone(&state),
                        ended.clone(),
                    )
                },
            ));
        }
        info!("{}", entrance::told(&house.gate.access(), address));
        if let Some(address) = post_listen {
            let unserved = |source| Failure::Posts { address, source };
            let listener = TcpListener::bind(address).await.map_err(unserved)?;
            let address = listener.local_addr().map_err(unserved)?;
            let posts = http::serve_posts(Arc::clone(&house), listener, stop.clone());
            pillars.spawn("the address for posted readings", posts);
            info!("Readings may be posted to http://{address}/api/v1/readings, by whoever knows the token.");
        }
        let intake = intake::Intake {
            house: Arc::clone(&house),
            workers,
            incoming: setup.incoming,
            requests,
            stop,
            gather,
            told: None,
            kept: None,
            asked: None,
        };
        Ok(Self {
            house,
            intake,
            pillars,
            tasks,
        })
    }

    pub(crate) fn house(&self) -> Arc<House> {
        Arc::clone(&self.house)
    }

    /// Until the stop.
    pub(crate) async fn run(self) -> Result<(), Failure> {
        let Self {
            house,
            intake,
            mut pillars,
            tasks,
        } = self;
        let stop = intake.stop.clone();
        let ended = tokio::select! {
            ended = intake.run() => ended,
            what = pillars.fallen() => Err(Failure::Ended { what }),
        };
        stop.cancel();
        let ended = match ended {
            Ok(workers) => {
                workers.finish().await;
                Ok(())
            }
            Err(failure) => Err(failure),
        };
        pillars.end().await;
        for task in tasks {
            if timeout(PARTING, task).await.is_err() {
                warn!("A link or page did not end in time and is cut off.");
            }
        }
        let closed = house.store.clone().close().await.map_err(Failure::Store);
        if ended.is_ok() && closed.is_ok() {
            info!("Stopped in order.");
        }
        ended.and(closed)
    }
}
