//! `[http]`: who is let in from elsewhere, and how the way to the page is secured.

use std::{
    fmt,
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr},
    path::Path,
    sync::Arc,
};

use fobwatch_core::document::Section;
use rustls::ServerConfig;

use super::{
    bad_file::BadFile,
    load::SHORTEST_TOKEN,
    password::PasswordHash,
    secret::{self, Place, Secret},
    tls,
};

const NAME: &str = "1 to 40 characters, no control characters, that no other of its kind has";

/// Who is let in, and by which door.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Access {
    /// Who may log in.
    pub people: Vec<Person>,
    /// Programs that may ask.
    pub tokens: Vec<Token>,
    /// Our certificate; `None`: plain HTTP is spoken.
    pub certificate: Option<Certificate>,
    /// A proxy stands before us, and secures the way to it.
    pub behind_proxy: bool,
    /// Whose word about where a request comes from is taken.
    pub proxies: Vec<IpAddr>,
    /// For how many days browsers are told to come over HTTPS alone; `None`: they are not.
    pub strict_transport_days: Option<u32>,
}

/// Somebody who may log in.
#[derive(Clone, Debug, PartialEq)]
pub struct Person {
    /// As it stands beside what the person does.
    pub name: String,
    /// Where the hash of the password is.
    pub place: Place,
    /// Read from there by [`super::Config::load`].
    pub password: Option<PasswordHash>,
}

/// A program that may ask.
#[derive(Clone, Debug, PartialEq)]
pub struct Token {
    /// As it stands beside what the program does.
    pub name: String,
    /// Where the token is.
    pub place: Place,
    /// What it opens.
    pub may: May,
    /// Read from there by [`super::Config::load`].
    pub token: Option<Secret>,
}

/// What a token opens.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum May {
    /// To post readings, and nothing else.
    Readings,
    /// To see everything.
    Read,
    /// To see and change everything.
    Write,
}

/// Our certificate, with which the way to the page is secured.
#[derive(Clone)]
pub struct Certificate {
    /// Our certificate, and those between it and the authority.
    pub chain: Place,
    /// Its key.
    pub key: Place,
    /// Made of both by [`super::Config::load`].
    server: Option<Arc<ServerConfig>>,
}

impl PartialEq for Certificate {
    fn eq(&self, other: &Self) -> bool {
        (&self.chain, &self.key) == (&other.chain, &other.key)
    }
}

impl fmt::Debug for Certificate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Certificate")
            .field("chain", &self.chain)
            .field("key", &self.key)
            .finish_non_exhaustive()
    }
}

impl Certificate {
    /// What connections are secured with. `None` before [`super::Config::load`].
    pub(crate) fn server(&self) -> Option<Arc<ServerConfig>> {
        self.server.clone()
    }
}

/// Why an address cannot be served with this configuration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exposed {
    /// Nobody is known.
    Nobody,
    /// Passwords could be overheard.
    Overheard,
}

impl Access {
    /// Whether anybody is known, so that nobody else is let in.
    #[must_use]
    pub fn is_guarded(&self) -> bool {
        !self.people.is_empty() || self.tokens.iter().any(|token| token.may != May::Readings)
    }

    /// Whether browsers come over HTTPS, by us or by the proxy.
    #[must_use]
    pub fn is_secured(&self) -> bool {
        self.certificate.is_some() || self.behind_proxy
    }

    /// What keeps `address` from being served: on this machine alone nothing.
    #[must_use]
    pub fn exposes(&self, address: SocketAddr) -> Option<Exposed> {
        if address.ip().is_loopback() {
            None
        } else if !self.is_guarded() {
            Some(Exposed::Nobody)
        } else if !self.is_secured() {
            Some(Exposed::Overheard)
        } else {
            None
        }
    }

    /// Reads the files that it names; every problem goes to `bad`.
    pub(super) fn load(&mut self, folder: &Path, bad: &mut Vec<BadFile>) {
        for (index, person) in self.people.iter_mut().enumerate() {
            let read = person.place.secret(folder);
            match read.and_then(|line| PasswordHash::read(line.reveal())) {
                Ok(password) => person.password = Some(password),
                Err(why) => bad.push(BadFile::new(
                    &format!("http.person[{index}].password_file"),
                    person.place.shown(folder),
                    &why,
                )),
            }
        }
        for (index, token) in self.tokens.iter_mut().enumerate() {
            match token.place.secret(folder) {
                Ok(secret) if secret.reveal().len() >= SHORTEST_TOKEN => token.token = Some(secret),
                other => {
                    let short = format!(
                        "its first line is shorter than {SHORTEST_TOKEN} characters, and so could be guessed"
                    );
                    bad.push(BadFile::new(
                        &format!("http.token[{index}].token_file"),
                        token.place.shown(folder),
                        &other.err().unwrap_or(short),
                    ));
                }
            }
        }
        if let Some(certificate) = &mut self.certificate {
            let (chain, key) = (&certificate.chain, &certificate.key);
            certificate.server = tls::server(chain, key, folder, "http.", bad);
        }
    }
}

/// Reads what `[http]` says of it.
pub(super) fn read(http: &mut Section<'_, '_>) -> Access {
    let mut people: Vec<Person> = Vec::new();
    http.sections("person", |section, _| {
        let taken: Vec<&str> = people.iter().map(|person| person.name.as_str()).collect();
        let name = name(section, &taken);
        let allowed = "the place of a line made by `fobwatch check --hash-password`";
        section.require("password_file", allowed);
        let place = section.text("password_file", secret::PLACE, Place::named);
        people.push(Person {
            name: name?,
            place: place?,
            password: None,
        });
        Some(())
    });
    let mut tokens: Vec<Token> = Vec::new();
    http.sections("token", |section, _| {
        let taken: Vec<&str> = tokens.iter().map(|token| token.name.as_str()).collect();
        let name = name(section, &taken);
        section.require("token_file", "the place of a token of 16 characters or more");
        let place = section.text("token_file", secret::PLACE, Place::named);
        let allowed = "\"read\", \"write\" or \"readings\"";
        section.require("may", allowed);
        let may = section.text("may", allowed, |text| match text {
            "readings" => Some(May::Readings),
            "read" => Some(May::Read),
            "write" => Some(May::Write),
            _ => None,
        });
        tokens.push(Token {
            name: name?,
            place: place?,
            may: may?,
            token: None,
        });
        Some(())
    });
    let chain = http.text("certificate_file", secret::PLACE, Place::named);
    let key = http.text("key_file", secret::PLACE, Place::named);
    if chain.is_some() {
        http.require("key_file", "the key of `certificate_file`");
    }
    if key.is_some() {
        http.require("certificate_file", "the certificate of `key_file`");
    }
    let behind_proxy = http.truth("behind_proxy").unwrap_or(false);
    let allowed = "addresses of proxies, as [\"192.0.2.7\"]; without it those of this machine alone";
    let proxies = http.texts("proxies", allowed, |text| text.parse().ok());
    if !behind_proxy {
        http.refuse_entry("proxies", "only with `behind_proxy = true`");
    }
    let strict_transport_days = http.whole("strict_transport_days", 1, 730);
    if chain.is_none() && !behind_proxy {
        http.refuse_entry(
            "strict_transport_days",
            "only with `certificate_file`, or `behind_proxy = true`",
        );
    }
    let access = Access {
        people,
        tokens,
        certificate: chain.zip(key).map(|(chain, key)| Certificate {
            chain,
            key,
            server: None,
        }),
        behind_proxy,
        strict_transport_days,
        proxies: proxies
            .unwrap_or_else(|| vec![IpAddr::V4(Ipv4Addr::LOCALHOST), IpAddr::V6(Ipv6Addr::LOCALHOST)]),
    };
    if !access.is_guarded() && !http.has("person") && !http.has("token") {
        let allowed =
            "only where somebody has to log in: add [[http.person]], or [[http.token]] for programs";
        for key in ["certificate_file", "behind_proxy"] {
            if key != "behind_proxy" || access.behind_proxy {
                http.refuse_entry(key, allowed);
            }
        }
    }
    access
}

fn name(section: &mut Section<'_, '_>, taken: &[&str]) -> Option<String> {
    section.require("name", NAME);
    section.text("name", NAME, |text| {
        let sound = text == text.trim()
            && (1..=40).contains(&text.chars().count())
            && !text.chars().any(char::is_control);
        (sound && !taken.contains(&text)).then(|| text.to_owned())
    })
}
