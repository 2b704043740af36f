//! Which of the others are there, and what nobody watches.

use std::{
    collections::{BTreeMap, BTreeSet},
    time::Duration,
};

use jiff::Timestamp;
use tokio::{sync::watch, time::Instant};

use crate::config::{Peered, Share};

/// The others, as far as they were heard of.
#[derive(Debug)]
pub(crate) struct Peers {
    own: Share,
    /// One that comes back within this time is not missed.
    patience: Duration,
    known: watch::Sender<BTreeMap<String, Peer>>,
}

#[derive(Clone, Debug)]
struct Peer {
    /// Brokers that say that it is there.
    at: BTreeSet<String>,
    /// Since when none does.
    away: Option<(Instant, Timestamp)>,
    share: Option<Share>,
}

/// One that is missed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Missed {
    /// Its prefix.
    pub(crate) peer: String,
    /// Since when.
    pub(crate) since: Timestamp,
    /// What nobody watches, as "share 0 of 4"; `None`: nobody knows what it watched.
    pub(crate) unwatched: Option<String>,
}

impl Peers {
    pub(crate) fn new(own: &Share, peered: &Peered) -> Self {
        // One that was never heard of is away since the start.
        let unheard = Peer {
            at: BTreeSet::new(),
            away: Some((Instant::now(), Timestamp::now())),
            share: None,
        };
        let known = peered.peers.iter().map(|peer| (peer.clone(), unheard.clone()));
        Self {
            own: own.clone(),
            patience: peered.away_after,
            known: watch::Sender::new(known.collect()),
        }
    }

    /// Hears of every change.
    pub(crate) fn subscribe(&self) -> watch::Receiver<BTreeMap<String, impl Sized + use<>>> {
        self.known.subscribe()
    }

    pub(super) fn is_online(&self, broker: &str, peer: &str, online: bool) {
        self.known.send_if_modified(|known| {
            let Some(peer) = known.get_mut(peer) else {
                return false;
            };
            let changed = match online {
                true => peer.at.insert(broker.to_owned()),
                false => peer.at.remove(broker),
            };
            if !peer.at.is_empty() {
                peer.away = None;
            } else if peer.away.is_none() {
                peer.away = Some((Instant::now(), Timestamp::now()));
            }
            changed
        });
    }

    pub(super) fn watches(&self, peer: &str, share: Share) {
        self.known.send_if_modified(|known| {
            let Some(peer) = known.get_mut(peer) else {
                return false;
            };
            let changed = peer.share.as_ref() != Some(&share);
            peer.share = Some(share);
            changed
        });
    }

    /// Those that are away for too long while somebody's batches are watched by nobody.
    pub(crate) fn missed(&self, now: Instant) -> Vec<Missed> {
        let known = self.known.borrow();
        let there = known.values().filter(|peer| peer.away.is_none());
        let watched: Vec<&Share> = there
            .filter_map(|peer| peer.share.as_ref())
            .chain([&self.own])
            .collect();
        let missed = known.iter().filter_map(|(name, peer)| {
            let (since, at) = peer.away?;
            if now.saturating_duration_since(since) < self.patience {
                return None;
            }
            let unwatched = match &peer.share {
                None => None,
                // Another one has taken it over.
                Some(share) => Some(share.less(&watched)?),
            };
            Some(Missed {
                peer: name.clone(),
                since: at,
                unwatched,
            })
        });
        missed.collect()
    }

    /// How long until one that is away is missed.
    pub(crate) fn wait(&self, now: Instant) -> Option<Duration> {
        let known = self.known.borrow();
        let aways = known.values().filter_map(|peer| peer.away);
        aways
            .map(|(since, _)| (since + self.patience).saturating_duration_since(now))
            .filter(|wait| !wait.is_zero())
            .min()
    }
}
