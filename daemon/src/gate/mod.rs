//! Who asks, and whether he may: people with a session, programs with a token, the command line with a token of its own.

mod attempt;
mod caller;
pub(crate) mod link;
mod secret;
mod session;

use std::{
    fs, io,
    io::Write,
    net::IpAddr,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError, RwLock},
    time::{Duration, Instant},
};

use axum::http::{HeaderMap, header::AUTHORIZATION, header::COOKIE};
use tokio::sync::Semaphore;

use crate::config::{Access, May, PasswordHash, Secret};
use attempt::{Attempts, Guesses};
use session::Sessions;

pub(crate) use caller::{Caller, Came, Way};
pub(crate) use session::LONGEST;

/// Passwords that are checked at once: each takes some 20 MB and a core.
const AT_ONCE: usize = 2;
/// The file in the data folder that lets the commands of whoever owns the folder in.
const OWN: &str = "command-line.token";

/// What stands between a request and the house.
#[derive(Debug)]
pub(crate) struct Gate {
    access: RwLock<Arc<Access>>,
    sessions: Mutex<Sessions>,
    attempts: Mutex<Attempts>,
    guesses: Mutex<Guesses>,
    at_work: Semaphore,
    /// What names that nobody has are checked against, so that they take as long as others.
    nobodys: RwLock<Option<PasswordHash>>,
    /// The token of the command line.
    own: RwLock<Option<Secret>>,
    /// Where links are kept.
    folder: RwLock<Option<PathBuf>>,
    /// Held by whoever changes them.
    links: Mutex<()>,
}

/// Why somebody is not logged in.
pub(crate) enum NotIn {
    /// Name or password is wrong.
    Wrong,
    /// Too many misses.
    Wait(Duration),
    /// The system gives no random numbers.
    Broken,
}

impl Gate {
    pub(crate) fn new(access: &Access) -> Self {
        Self {
            access: RwLock::new(Arc::new(access.clone())),
            sessions: Mutex::default(),
            attempts: Mutex::default(),
            guesses: Mutex::default(),
            at_work: Semaphore::new(AT_ONCE),
            nobodys: RwLock::new(nobodys(access)),
            own: RwLock::default(),
            folder: RwLock::default(),
            links: Mutex::default(),
        }
    }

    pub(crate) fn access(&self) -> Arc<Access> {
        Arc::clone(&self.access.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Takes up what a reload brings; sessions of those who may no longer log in end.
    pub(crate) fn change(&self, new: &Access) {
        let old = self.access();
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.keep(&old, new);
        *self.nobodys.write().unwrap_or_else(PoisonError::into_inner) = nobodys(new);
        *self.access.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(new.clone());
    }

    /// Where links are kept.
    pub(crate) fn lives_in(&self, folder: &Path) {
        *self.folder.write().unwrap_or_else(PoisonError::into_inner) = Some(folder.to_owned());
    }

    /// Makes the token of the command line and leaves it in the data folder, for its owner alone.
    ///
    /// # Errors
    /// It cannot be made or written.
    pub(crate) fn opens_to_owner(&self, folder: &Path) -> io::Result<()> {
        let token = secret::make().ok_or_else(|| io::Error::other("no random numbers"))?;
        let path = folder.join(OWN);
        if let Err(error) = fs::remove_file(&path)
            && error.kind() != io::ErrorKind::NotFound
        {
            return Err(error);
        }
        let mut file = fs::OpenOptions::new();
        file.write(true).create_new(true);
        std::os::unix::fs::OpenOptionsExt::mode(&mut file, 0o600);
        writeln!(file.open(path)?, "{token}")?;
        *self.own.write().unwrap_or_else(PoisonError::into_inner) = Some(Secret::new(&token));
        Ok(())
    }

    /// Who sends a request with these headers.
    ///
    /// # Errors
    /// There were too many wrong tokens from there: how long to wait.
    pub(crate) fn caller(&self, came: Came, headers: &HeaderMap) -> Result<Caller, Duration> {
        let access = self.access();
        if !access.is_guarded() {
            return Ok(Caller::Neighbour);
        }
        if let Some(token) = bearer(headers) {
            if came.way == Way::CommandLine {
                let own = self.own.read().unwrap_or_else(PoisonError::into_inner);
                let known = own.as_ref().is_some_and(|own| own.is(token));
                return Ok(if known {
                    Caller::CommandLine
                } else {
                    Caller::Stranger
                });
            }
            let caller = program(&access, token);
            let whose = match &caller {
                Caller::Program { name, .. } => Some(name.as_str()),
                _ => None,
            };
            self.token_came(came.asker(&access, headers), whose)?;
            return Ok(caller);
        }
        if came.way == Way::CommandLine {
            return Ok(Caller::Stranger);
        }
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(cookie(headers, cookie_name(&access))
            .and_then(|id| sessions.who(id, Instant::now()))
            .map_or(Caller::Stranger, Caller::Person))
    }

    /// Whether somebody who posts with these headers may post readings. `door`: the token that opens nothing else.
    ///
    /// # Errors
    /// There were too many wrong tokens from there: how long to wait.
    pub(crate) fn may_post(
        &self,
        came: Came,
        headers: &HeaderMap,
        door: Option<&Secret>,
    ) -> Result<bool, Duration> {
        let Some(token) = bearer(headers) else {
            return Ok(false);
        };
        let access = self.access();
        let from = came.asker(&access, headers);
        if door.is_some_and(|door| door.is(token)) {
            // No token of [[http.token]] has this name.
            return self.token_came(from, Some("")).map(|()| true);
        }
        match program(&access, token) {
            Caller::Program { name, may } => {
                self.token_came(from, Some(&name))?;
                Ok(matches!(may, May::Readings | May::Write))
            }
            _ => self.token_came(from, None).map(|()| false),
        }
    }

    fn token_came(&self, from: IpAddr, whose: Option<&str>) -> Result<(), Duration> {
        let mut guesses = self.guesses.lock().unwrap_or_else(PoisonError::into_inner);
        guesses.came(from, whose, Instant::now())
    }

    /// Whether any token at all lets readings in.
    pub(crate) fn takes_posts(&self) -> bool {
        self.access().tokens.iter().any(|token| token.may != May::Read)
    }

    /// Logs somebody in; answers with the id of the session.
    pub(crate) async fn log_in(&self, from: IpAddr, name: &str, password: String) -> Result<String, NotIn> {
        self.attempts
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .begin(from, name, Instant::now())
            .map_err(NotIn::Wait)?;
        let access = self.access();
        let person = access.people.iter().find(|person| person.name == name);
        let known = person.and_then(|person| person.password.clone());
        let is_somebody = known.is_some();
        let against = known.or_else(|| {
            let nobodys = self.nobodys.read().unwrap_or_else(PoisonError::into_inner);
            nobodys.clone()
        });
        let (Some(against), Ok(_turn)) = (against, self.at_work.acquire().await) else {
            return Err(NotIn::Wrong);
        };
        let checked = tokio::task::spawn_blocking(move || against.is_of(&password)).await;
        if !(checked.unwrap_or(false) && is_somebody) {
            return Err(NotIn::Wrong);
        }
        let mut attempts = self.attempts.lock().unwrap_or_else(PoisonError::into_inner);
        attempts.right(from, name);
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.begin(name, Instant::now()).ok_or(NotIn::Broken)
    }

    /// Ends the session of a request.
    pub(crate) fn log_out(&self, headers: &HeaderMap) {
        if let Some(id) = cookie(headers, cookie_name(&self.access())) {
            let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
            sessions.end(id);
        }
    }

    /// Does something with the file of links in its folder, alone.
    pub(crate) fn with_links<T>(&self, work: impl FnOnce(PathBuf) -> io::Result<T>) -> io::Result<T> {
        let _alone = self.links.lock().unwrap_or_else(PoisonError::into_inner);
        let folder = self.folder.read().unwrap_or_else(PoisonError::into_inner).clone();
        work(folder.ok_or_else(|| io::Error::other("there is no data folder"))?)
    }

    /// What a link with this secret opens.
    pub(crate) fn opens(&self, given: &str) -> Option<link::Opens> {
        let folder = self.folder.read().unwrap_or_else(PoisonError::into_inner);
        link::opens(folder.as_deref()?, given)
    }
}

/// The token with which the commands of the folder's owner come in; `None`: there is none, or it is somebody else's.
pub(crate) fn own_token(folder: &Path) -> Option<Secret> {
    let text = fs::read_to_string(folder.join(OWN)).ok()?;
    text.lines().next().map(Secret::new)
}

/// A hash of no password that anybody knows; it costs what those of people cost.
fn nobodys(access: &Access) -> Option<PasswordHash> {
    let somebody = access.people.iter().find_map(|person| person.password.as_ref())?;
    somebody.of_nobody(&secret::make()?)
}

fn program(access: &Access, given: &str) -> Caller {
    let mut found = Caller::Stranger;
    // All of them are looked at, whichever it is.
    for known in &access.tokens {
        if known.token.as_ref().is_some_and(|token| token.is(given)) {
            found = Caller::Program {
                name: known.name.clone(),
                may: known.may,
            };
        }
    }
    found
}

/// The token of `Authorization: Bearer TOKEN`; the scheme's case does not matter (RFC 9110, section 11.1).
pub(crate) fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, token) = headers.get(AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// `__Host-` (RFC 6265bis, section 4.1.3.2): no other host and no plain HTTP can have set it. Browsers take it over HTTPS alone.
pub(crate) fn cookie_name(access: &Access) -> &'static str {
    if access.is_secured() {
        "__Host-fobwatch"
    } else {
        "fobwatch"
    }
}

fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let all = headers.get_all(COOKIE).iter();
    let mut pairs = all
        .filter_map(|header| header.to_str().ok())
        .flat_map(|header| header.split(';'));
    pairs.find_map(|pair| {
        let (key, value) = pair.trim().split_once('=')?;
        (key == name).then_some(value)
    })
}
