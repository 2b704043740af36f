//! Why `watch` ends with a complaint.

use std::{io, net::SocketAddr, path::PathBuf};

use crate::{
    config::{BadConfig, zero::BadZeros},
    store::StoreError,
};

/// Why the daemon does not run, or no longer.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The configuration.
    #[error(transparent)]
    Config(#[from] BadConfig),
    /// What gauges read in open air.
    #[error(transparent)]
    Zeros(#[from] BadZeros),
    /// The store cannot be opened, or failed for good.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nobody can log in, so nobody outside this machine may ask.
    #[error(
        "`http.listen` (or --listen) is {given}, where other machines may ask, and nobody has to log in; allowed: an address \
         of this machine alone, as 127.0.0.1:8740, or [[http.person]] with a line of `fobwatch check --hash-password` and a \
         certificate (or `http.behind_proxy = true`)"
    )]
    NotLoopback {
        /// The address.
        given: SocketAddr,
    },
    /// Passwords would go over the network in the clear.
    #[error(
        "`http.listen` (or --listen) is {given}, where other machines may ask, and passwords could be overheard on the way; \
         allowed: with `http.certificate_file` and `http.key_file`, or with `http.behind_proxy = true` where a proxy secures \
         the way"
    )]
    NotSecured {
        /// The address.
        given: SocketAddr,
    },
    /// The command line could not be let in.
    #[error("the token of the command line cannot be kept in {}: {source}", folder.display())]
    OwnToken {
        /// The data folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The address cannot be served.
    #[error("{address} cannot be served: {source}; choose another with --listen")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
    /// The address for posted readings cannot be served.
    #[error(
        "`http.post_listen` is {address}: {source}; allowed: an address of this machine that nobody serves yet"
    )]
    Posts {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
    /// The folder of batch files cannot be listed.
    #[error("the folder of batch files {} cannot be read: {source}", path.display())]
    Batches {
        /// Which folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Nowhere to keep the readings.
    #[error("there is no home folder to keep the readings in; say where with --data or `store.folder`")]
    NoDataFolder,
    /// The system gives no thread, signal or the like.
    #[error("the system refuses {what}: {source}")]
    System {
        /// What was asked for.
        what: &'static str,
        /// What it said.
        source: io::Error,
    },
    /// The demonstration has nothing to play.
    #[error("{0}")]
    Demo(String),
    /// A work loop ended by itself.
    #[error("{what} has ended by itself; what was acknowledged is safe in the store")]
    Ended {
        /// Which loop.
        what: &'static str,
    },
}

impl Failure {
    /// The exit status: 2 for refused input, 1 for all else.
    #[must_use]
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Config(bad) if bad.is_refused() => 2,
            Self::NotLoopback { .. } | Self::NotSecured { .. } | Self::NoDataFolder => 2,
            _ => 1,
        }
    }
}
