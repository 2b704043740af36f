//! The demonstration, `watch --demo`: the whole daemon on made-up batches of the simulator, an hour in every second.
//!
//! [`cast`] makes three batches and puts the present into the midst of their lives; [`play`] feeds their past, then what comes,
//! through the same inbox and loops as real readings, and moves bottles when an alert asks for it. The daemon's clock is that
//! of the readings, so what comes of a seed does not depend on the speed of the machine: where the work takes longer, the
//! play waits for it.

mod cast;
mod clock;
mod kitchen;
mod play;

use std::{net::SocketAddr, sync::Arc, time::Duration};

use jiff::{SignedDuration, Timestamp};
use tokio_util::sync::CancellationToken;
use tracing::info;

use crate::{
    config::{self, Config},
    incoming,
    running::{self, Daemon, Setup},
    store::Store,
    watch::Failure,
};

pub use cast::Unplayable;
pub use clock::{LogTime, VirtualClock};

/// The last hours of the past are reckoned as life will be, so that the page is full when the play begins.
const RECKONED: SignedDuration = SignedDuration::from_mins(60);

/// Plays until a signal ends it, round after round, each with other made-up batches. Call it inside a multi-threaded tokio
/// runtime.
///
/// # Errors
/// Why it does not run, or no longer.
pub async fn run(listen: Option<SocketAddr>, clock: VirtualClock) -> Result<(), Failure> {
    let config = Config {
        clock: config::Clock::Readings,
        // The play waits for each of its steps to be stored, and nothing of it is kept.
        gather: Duration::ZERO,
        ..Config::load(None)?
    };
    let stop = CancellationToken::new();
    running::stop_on_signals(stop.clone())?;
    // It stays open from round to round: who looks in between waits a moment instead of being sent away.
    let listener = running::listen(listen.unwrap_or(config.listen), &config.access)?;
    for seed in 1.. {
        if stop.is_cancelled() {
            break;
        }
        let listener = listener.try_clone().map_err(|source| Failure::System {
            what: "the page's address",
            source,
        })?;
        round(seed, &config, listener, &clock, stop.child_token()).await?;
    }
    Ok(())
}

async fn round(
    seed: u64,
    config: &Config,
    listener: std::net::TcpListener,
    clock: &VirtualClock,
    stop: CancellationToken,
) -> Result<(), Failure> {
    let folder = tempfile::Builder::new()
        .prefix("fobwatch-demo-")
        .tempdir()
        .map_err(|source| Failure::System {
            what: "a temporary folder",
            source,
        })?;
    let start = whole_minutes(Timestamp::now());
    clock.set(start);
    info!(
        "No real bottle is watched. Three made-up batches (seed {seed}) are put into {}.",
        folder.path().display()
    );
    let cast = tokio::task::spawn_blocking(move || cast::cast(seed, start))
        .await
        .map_err(|_panic| Failure::Ended {
            what: "the simulator",
        })??;
    let (inbox, incoming) = incoming::channel();
    let store = Store::open(folder.path())?;
    let diary = kitchen::diary(start);
    store
        .write(move |writer| writer.append_diary(&diary, start))
        .await?;
    let daemon = Daemon::start(Setup {
        config: config.clone(),
        store,
        listener,
        batches: cast
            .iter()
            .map(|member| (member.batch.clone(), member.text.clone()))
            .collect(),
        clock: Arc::new(clock.clone()),
        demo: Some(running::Demo {
            reckoned_from: start - RECKONED,
        }),
        inbox: inbox.clone(),
        incoming,
        reloads: tokio::sync::mpsc::channel(1).1,
        stop: stop.clone(),
    })
    .await?;
    let play = play::Play {
        house: daemon.house(),
        inbox,
        clock: clock.clone(),
        now: start,
    };
    let played = tokio::spawn(async move {
        let _ends_the_round = stop.clone().drop_guard();
        tokio::select! {
            biased;
            () = stop.cancelled() => Ok(()),
            ended = play.run(cast) => ended,
        }
    });
    let ended = daemon.run().await;
    let played = played
        .await
        .map_err(|_panic| Failure::Ended { what: "the play" })?;
    ended?;
    played?;
    folder.close().map_err(|source| Failure::System {
        what: "to remove the temporary folder",
        source,
    })
}

/// Cuts seconds, so that the play's steps fall on whole minutes.
fn whole_minutes(at: Timestamp) -> Timestamp {
    Timestamp::from_second(at.as_second() - at.as_second().rem_euclid(60)).unwrap_or(at)
}
