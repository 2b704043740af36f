//! How people, programs and commands come in.

use std::net::{Ipv4Addr, SocketAddr};

use tokio::net::TcpListener;

use crate::{
    config::{Access, Exposed},
    watch::{Failure, House},
};

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

pub(super) fn refuse_strangers(listen: SocketAddr, access: &Access) -> Result<(), Failure> {
    match access.exposes(listen) {
        None => Ok(()),
        Some(Exposed::Nobody) => Err(Failure::NotLoopback { given: listen }),
        Some(Exposed::Overheard) => Err(Failure::NotSecured { given: listen }),
    }
}

/// Where people have to log in, the commands of whoever owns the data folder come in by an address of their own, on this
/// machine alone, with a token that lies in the folder.
///
/// # Errors
/// The address cannot be served, or the token not be kept.
pub(super) async fn own(house: &House) -> Result<Option<TcpListener>, Failure> {
    let folder = house.store.folder();
    house.gate.lives_in(folder);
    if !house.gate.access().is_guarded() {
        return Ok(None);
    }
    house
        .gate
        .opens_to_owner(folder)
        .map_err(|source| Failure::OwnToken {
            folder: folder.to_owned(),
            source,
        })?;
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
    let listener = TcpListener::bind(address).await;
    listener
        .map(Some)
        .map_err(|source| Failure::Listen { address, source })
}

/// Where the page is, as a sentence.
pub(super) fn told(access: &Access, address: SocketAddr) -> String {
    let scheme = if access.certificate.is_some() {
        "https"
    } else {
        "http"
    };
    let for_whom = match (access.is_guarded(), access.behind_proxy) {
        (false, _) => "on this machine",
        (true, false) => "for whoever can log in",
        (true, true) => "for whoever can log in, by way of the proxy",
    };
    format!("The page is at {scheme}://{address}/ {for_whom}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_may_be_served() {
        let refused = listen("0.0.0.0:8740".parse().unwrap(), &Access::default()).unwrap_err();
        assert_eq!(refused.exit_code(), 2);
        assert!(refused.to_string().contains("127.0.0.1:8740"), "{refused}");
    }
}
