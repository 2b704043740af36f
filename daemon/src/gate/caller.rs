//! Where a request came in, and who sends it.

use std::net::{IpAddr, Ipv4Addr};

use axum::http::{HeaderMap, Method};

use crate::config::{Access, May};

/// By which door.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Way {
    /// The address of page and API.
    Front,
    /// The address of the commands, on this machine alone.
    CommandLine,
}

/// Where a request came in.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Came {
    pub(crate) from: IpAddr,
    pub(crate) way: Way,
}

impl Came {
    /// From this machine, as in tests that need no socket.
    pub(crate) const HERE: Self = Self {
        from: IpAddr::V4(Ipv4Addr::LOCALHOST),
        way: Way::Front,
    };

    /// Whether the browser that asks came over HTTPS: by our certificate, or by the word of a trusted proxy.
    pub(crate) fn is_secured(&self, access: &Access, headers: &HeaderMap) -> bool {
        let says_plain = || {
            let proto = headers.get("x-forwarded-proto");
            proto.is_some_and(|proto| !proto.as_bytes().eq_ignore_ascii_case(b"https"))
        };
        access.certificate.is_some() || (self.is_proxied(access) && !says_plain())
    }

    /// A trusted proxy hands it on.
    fn is_proxied(&self, access: &Access) -> bool {
        access.behind_proxy && access.proxies.contains(&self.from.to_canonical())
    }

    /// The address of whoever asks: what a trusted proxy says of it, or that of the connection.
    pub(crate) fn asker(&self, access: &Access, headers: &HeaderMap) -> IpAddr {
        let trusted = |address: IpAddr| access.proxies.contains(&address.to_canonical());
        if !self.is_proxied(access) {
            return self.from;
        }
        let all = headers.get_all("x-forwarded-for").iter();
        let named: Vec<&str> = all
            .filter_map(|header| header.to_str().ok())
            .flat_map(|header| header.split(','))
            .collect();
        // From the nearest on: what stands before the first that is not ours was written by anybody.
        let mut nearest = self.from;
        for address in named.iter().rev() {
            let Ok(address) = address.trim().parse() else {
                break;
            };
            nearest = address;
            if !trusted(address) {
                break;
            }
        }
        nearest
    }
}

/// Who sends a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Caller {
    /// Nobody is asked who he is, and only this machine is let in.
    Neighbour,
    /// Whoever owns the data folder.
    CommandLine,
    /// Somebody who is logged in.
    Person(String),
    /// A program with a token.
    Program {
        /// Its name.
        name: String,
        /// What the token opens.
        may: May,
    },
    /// Anybody.
    Stranger,
}

impl Caller {
    /// Whether a request with this method may be made.
    pub(crate) fn may(&self, method: &Method) -> bool {
        match self {
            Self::Neighbour | Self::CommandLine | Self::Person(_) => true,
            Self::Program { may: May::Write, .. } => true,
            Self::Program { may: May::Read, .. } => method.is_safe(),
            Self::Program {
                may: May::Readings, ..
            }
            | Self::Stranger => false,
        }
    }

    /// Who did it: whoever is logged in, whatever the request says; a program says for whom.
    pub(crate) fn signs(&self, said: &str) -> String {
        match self {
            Self::Person(name) => name.clone(),
            Self::Program { name, .. } => {
                let said: String = said.chars().take(80 - 6 - name.chars().count()).collect();
                format!("{said} (by {name})")
            }
            Self::Neighbour | Self::CommandLine | Self::Stranger => said.to_owned(),
        }
    }
}
