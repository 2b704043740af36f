//! Who is logged in. A session's id is kept as its hash alone, in memory: a restart logs everybody out.

use std::{
    collections::BTreeMap,
    time::{Duration, Instant},
};

use crate::config::Access;

use super::secret::{self, Digest};

/// A session that nobody used for so long is over.
const IDLE: Duration = Duration::from_secs(7 * 86_400);
/// No session lives longer; also what the cookie says.
pub(crate) const LONGEST: Duration = Duration::from_secs(30 * 86_400);
/// The most sessions; beyond them the one that was unused longest ends.
const MOST: usize = 1_000;

#[derive(Debug)]
struct Session {
    who: String,
    begun: Instant,
    used: Instant,
}

impl Session {
    fn is_over(&self, now: Instant) -> bool {
        now.duration_since(self.used) >= IDLE || now.duration_since(self.begun) >= LONGEST
    }
}

/// All sessions.
#[derive(Debug, Default)]
pub(super) struct Sessions(BTreeMap<Digest, Session>);

impl Sessions {
    /// A new session of `who`; answers with its id. `None`: the system gives no random numbers.
    pub(super) fn begin(&mut self, who: &str, now: Instant) -> Option<String> {
        self.0.retain(|_id, session| !session.is_over(now));
        while self.0.len() >= MOST {
            let stalest = self.0.iter().min_by_key(|(_id, session)| session.used);
            let stalest = *stalest?.0;
            self.0.remove(&stalest);
        }
        let id = secret::make()?;
        let session = Session {
            who: who.to_owned(),
            begun: now,
            used: now,
        };
        self.0.insert(secret::digest(&id), session);
        Some(id)
    }

    /// Whose session it is.
    pub(super) fn who(&mut self, id: &str, now: Instant) -> Option<String> {
        let id = secret::digest(id);
        let session = self.0.get_mut(&id)?;
        if session.is_over(now) {
            self.0.remove(&id);
            return None;
        }
        session.used = now;
        Some(session.who.clone())
    }

    pub(super) fn end(&mut self, id: &str) {
        self.0.remove(&secret::digest(id));
    }

    /// Ends those of people who may no longer log in, or whose password has changed.
    pub(super) fn keep(&mut self, old: &Access, new: &Access) {
        self.0.retain(|_id, session| {
            let of = |access: &Access| {
                let person = access.people.iter().find(|person| person.name == session.who);
                person.and_then(|person| person.password.clone())
            };
            of(new).is_some_and(|password| of(old) == Some(password))
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_ends_when_it_is_ended_unused_or_old() {
        let start = Instant::now();
        let mut sessions = Sessions::default();
        let id = sessions.begin("Ada", start).unwrap();
        assert_eq!(id.len(), 64, "256 bits");
        assert_ne!(sessions.begin("Ada", start).unwrap(), id);
        assert_eq!(sessions.who(&id, start).as_deref(), Some("Ada"));
        assert_eq!(sessions.who(&id.to_uppercase(), start), None);
        assert_eq!(sessions.who("", start), None);
        sessions.end(&id);
        assert_eq!(sessions.who(&id, start), None);

        let unused = sessions.begin("Ada", start).unwrap();
        assert_eq!(sessions.who(&unused, start + IDLE), None);
        let old = sessions.begin("Ada", start).unwrap();
        let mut now = start;
        while now + IDLE / 2 < start + LONGEST {
            now += IDLE / 2;
            assert!(sessions.who(&old, now).is_some());
        }
        assert_eq!(sessions.who(&old, start + LONGEST), None);
    }

    #[test]
    fn there_are_never_more_than_fit() {
        let start = Instant::now();
        let mut sessions = Sessions::default();
        let first = sessions.begin("Ada", start).unwrap();
        for _ in 0..MOST {
            sessions.begin("Ada", start + Duration::from_secs(1)).unwrap();
        }
        assert_eq!(sessions.0.len(), MOST);
        assert_eq!(sessions.who(&first, start), None, "the stalest went");
    }
}
