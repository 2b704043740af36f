//! The place of one batch under watch: what was handed out to it and not taken yet, and the worker that takes it.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use super::{
    live::{Live, Owes},
    totals::Totals,
    turn::{Lane, Next},
};
use crate::store::{Sequence, StoredEvent};

/// What may wait for a batch in memory; one with more to do reads it from the store by itself.
const MOST: usize = 1_000;

/// Who works at a post.
pub(super) trait Works: Send {
    /// Follows what is handed out, if it can; else it goes on reading by itself.
    fn join(&mut self, post: &Arc<Post>);

    /// Takes some of what is there: never more than one fit.
    fn turn(&mut self, post: &Arc<Post>, lane: Lane) -> Next;
}

pub(super) struct Post {
    pub(super) live: Arc<Live>,
    worker: Arc<Mutex<dyn Works>>,
    mailbox: Mutex<Mailbox>,
}

struct Mailbox {
    events: VecDeque<Given>,
    /// The last place in the order that was handed out to it.
    given: Sequence,
    /// What comes is put here; else the worker reads it by itself.
    follows: bool,
    /// How much had been handed out to all when this one began to follow.
    totals: Option<Totals>,
    duty: Duty,
}

/// What the worker is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Duty {
    /// Nothing is to be done.
    Idle,
    /// It stands in a lane.
    Queued,
    /// It has its turn.
    Working,
    /// It has its turn, and something came meanwhile.
    Rung,
    /// It waits before it tries again.
    Resting,
}

/// An event that was handed out to a worker.
#[derive(Clone)]
pub(super) struct Given {
    pub(super) event: Arc<StoredEvent>,
    /// How much had been handed out to all before it; `None`: the worker counts by itself.
    pub(super) before: Option<Totals>,
}

/// What was handed out to a worker.
pub(super) enum Handed {
    Events(VecDeque<Given>),
    /// It reads from the store by itself.
    Nothing,
}

impl Post {
    pub(super) fn new(live: Arc<Live>, worker: Arc<Mutex<dyn Works>>) -> Self {
        Self {
            live,
            worker,
            mailbox: Mutex::new(Mailbox {
                events: VecDeque::new(),
                given: Sequence::default(),
                follows: false,
                totals: None,
                duty: Duty::Idle,
            }),
        }
    }

    /// The worker follows what is handed out, if it can.
    pub(super) fn join(self: &Arc<Self>) {
        self.worker().join(self);
    }

    /// The worker takes its turn.
    pub(super) fn turn(self: &Arc<Self>, lane: Lane) -> Next {
        self.worker().turn(self, lane)
    }

    fn worker(&self) -> MutexGuard<'_, dyn Works + 'static> {
        self.worker.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// From `seen` on, what comes is put into the mailbox.
    pub(super) fn follow(&self, seen: Sequence) {
        let mut mailbox = self.mailbox();
        mailbox.follows = true;
        mailbox.given = seen;
        mailbox.totals = None;
        self.live.owes(Owes::Nothing);
    }

    /// From here on the worker reads by itself.
    pub(super) fn unfollow(&self) {
        let mut mailbox = self.mailbox();
        mailbox.follows = false;
        mailbox.events = VecDeque::new();
        self.live.owes(Owes::All);
    }

    /// So much was handed out to all when this one began to follow.
    pub(super) fn begins_at(&self, totals: Totals) {
        self.mailbox().totals = Some(totals);
    }

    pub(super) fn take_totals(&self) -> Option<Totals> {
        self.mailbox().totals.take()
    }

    /// Puts an event into the mailbox; true: the worker is to be put into a lane.
    pub(super) fn hand(&self, event: &Arc<StoredEvent>, before: Totals) -> bool {
        let mut mailbox = self.mailbox();
        if !mailbox.follows || event.sequence <= mailbox.given {
            return false;
        }
        mailbox.given = event.sequence;
        if mailbox.events.len() < MOST {
            mailbox.events.push_back(Given {
                event: Arc::clone(event),
                before: Some(before),
            });
            self.live.owes_from(event.sequence);
        } else {
            mailbox.events = VecDeque::new();
            mailbox.follows = false;
            self.live.owes(Owes::All);
        }
        mailbox.ring()
    }

    /// Something is to be done; true: the worker is to be put into a lane.
    pub(super) fn ring(&self) -> bool {
        self.mailbox().ring()
    }

    /// The same, though it rests.
    pub(super) fn wake(&self) -> bool {
        let mut mailbox = self.mailbox();
        if mailbox.duty == Duty::Resting {
            mailbox.duty = Duty::Idle;
        }
        mailbox.ring()
    }

    pub(super) fn begins_turn(&self) {
        self.mailbox().duty = Duty::Working;
    }

    /// Back into a lane.
    pub(super) fn goes_on(&self) {
        self.mailbox().duty = Duty::Queued;
    }

    pub(super) fn rests(&self) {
        self.mailbox().duty = Duty::Resting;
    }

    /// The worker has done what it knew of; true: there is more, and it is to be put into a lane.
    pub(super) fn is_done(&self) -> bool {
        let mut mailbox = self.mailbox();
        let more = mailbox.duty == Duty::Rung || !mailbox.events.is_empty() || !mailbox.follows;
        mailbox.duty = if more { Duty::Queued } else { Duty::Idle };
        more
    }

    /// Takes what is there.
    pub(super) fn take(&self) -> Handed {
        let mut mailbox = self.mailbox();
        if mailbox.follows {
            Handed::Events(std::mem::take(&mut mailbox.events))
        } else {
            Handed::Nothing
        }
    }

    /// The worker has left its state, and has `next` to take before what is in the mailbox.
    pub(super) fn settle(&self, next: Option<Sequence>) {
        let mailbox = self.mailbox();
        if mailbox.follows {
            let next = next.or_else(|| mailbox.events.front().map(|given| given.event.sequence));
            self.live.owes(next.map_or(Owes::Nothing, Owes::From));
        } else {
            self.live.owes(Owes::All);
        }
    }

    fn mailbox(&self) -> MutexGuard<'_, Mailbox> {
        self.mailbox.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Mailbox {
    fn ring(&mut self) -> bool {
        match self.duty {
            Duty::Idle => {
                self.duty = Duty::Queued;
                true
            }
            Duty::Working => {
                self.duty = Duty::Rung;
                false
            }
            Duty::Queued | Duty::Rung | Duty::Resting => false,
        }
    }
}
