//! The daemon as a whole: what it is made of, in which order that begins, and how it ends.

mod entrance;
mod heartbeat;
mod inputs;
mod signals;

use std::{
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
        Config,
        zero::{self, BadZeros},
    },
    decode::Zero,
    deliver,
    gate::Way,
    http,
    incoming::{self, Inbox, Incoming},
    kept_up::{Pillars, Task, keep_up},
    series,
    store::Store,
    watch::{Clock, Failure, House, Intake, Thinning, WallClock, Workers, data_folder, folder, peers},
};

pub use entrance::listen;
pub use signals::stop_on_signals;

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

/// Runs the daemon until a signal ends it. Call it inside a multi-threaded tokio runtime.
///
/// # Errors
/// Why it does not run, or no longer.
pub async fn run(options: Options) -> Result<(), Failure> {
    let mut config = Config::load(options.config.as_deref())?;
    let listen = options.listen.unwrap_or(config.listen);
    entrance::refuse_strangers(listen, &config.access)?;
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
    intake: Intake,
    pillars: Pillars,
    /// What stands up by itself.
    tasks: Vec<JoinHandle<()>>,
    stop: CancellationToken,
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
        let mut workers = Workers::new(demo.map_or(Timestamp::MIN, |demo| demo.reckoned_from));
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
        let thinning = Thinning::new(Arc::clone(&house), &config, stop.clone());
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
        let page = http::serve(Arc::clone(&house), listener, Way::Front, stop.clone());
        pillars.spawn("the page", page);
        if let Some(own) = own {
            let asked = http::serve(Arc::clone(&house), own, Way::CommandLine, stop.clone());
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
        let taken = (setup.incoming, requests);
        let intake = Intake::new(Arc::clone(&house), workers, taken, gather, stop.clone());
        Ok(Self {
            house,
            intake,
            pillars,
            tasks,
            stop,
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
            stop,
        } = self;
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
