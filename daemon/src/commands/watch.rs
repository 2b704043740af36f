//! `fobwatch watch`

use std::{env, net::SocketAddr, path::PathBuf};

use clap::Args;

use super::Ended;
use crate::{
    demo::{self, LogTime, VirtualClock},
    running,
};

/// Run the daemon: listen to the sensors, keep every reading, show the page, raise alerts.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch watch --demo\n  fobwatch watch --config kitchen.toml --batches batches/"
)]
pub(super) struct Watch {
    /// Configuration file, or FOBWATCH_CONFIG; without it the defaults hold
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder in which readings are kept, or FOBWATCH_DATA
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Address of page and API, on this machine alone, or FOBWATCH_LISTEN
    #[arg(long, value_name = "ADDR")]
    listen: Option<SocketAddr>,
    /// Folder of batch files to watch, or FOBWATCH_BATCHES
    #[arg(long, value_name = "DIR")]
    batches: Option<PathBuf>,
    /// Show the whole job on made-up batches, an hour in every second; needs nothing and keeps nothing
    #[arg(long, conflicts_with_all = ["config", "data", "batches"])]
    demo: bool,
    /// What time it is in the demo.
    #[arg(skip)]
    demo_clock: VirtualClock,
}

impl Watch {
    /// How the log is to tell the time.
    pub(super) fn log_time(&self) -> LogTime {
        if self.demo {
            LogTime::Demo(self.demo_clock.clone())
        } else {
            LogTime::Wall
        }
    }

    pub(super) fn run(self) -> Result<(), Ended> {
        let options = if self.demo {
            running::Options::default()
        } else {
            running::Options {
                config: self.config.or_else(|| path("FOBWATCH_CONFIG")),
                data: self.data,
                listen: match self.listen {
                    None => address("FOBWATCH_LISTEN")?,
                    given => given,
                },
                batches: self.batches.or_else(|| path("FOBWATCH_BATCHES")),
            }
        };
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .map_err(|error| Ended::Failed(format!("the system refuses threads: {error}")))?;
        let ended = runtime.block_on(async {
            if self.demo {
                return demo::run(self.listen, self.demo_clock).await;
            }
            running::run(options).await
        });
        ended.map_err(|failure| match failure.exit_code() {
            2 => Ended::Refused(failure.to_string()),
            _ => Ended::Failed(failure.to_string()),
        })
    }
}

/// A path that the environment gives where the command line gives none.
fn path(name: &str) -> Option<PathBuf> {
    env::var_os(name)
        .filter(|value| !value.is_empty())
        .map(PathBuf::from)
}

fn address(name: &str) -> Result<Option<SocketAddr>, Ended> {
    let Some(given) = env::var(name).ok().filter(|value| !value.is_empty()) else {
        return Ok(None);
    };
    given.parse().map(Some).map_err(|_no_address| {
        Ended::Refused(format!(
            "the environment's {name} is {given}; allowed: an address with its port, as 127.0.0.1:8740"
        ))
    })
}
