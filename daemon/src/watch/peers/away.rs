//! Which of the others are there, and what nobody watches.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
    time::Duration,
};

use fobwatch_core::alert::sentence;
use jiff::{Timestamp, tz::TimeZone};
use tokio::{
    sync::watch,
    time::{Instant, sleep},
};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::{
    config::{Peered, Share},
    watch::House,
};

/// The others, as far as they were heard of.
#[derive(Debug)]
pub(crate) struct Peers {
    own: Share,
    /// One that comes back within this time is not missed.
    patience: Duration,
    known: watch::Sender<BTreeMap<String, Peer>>,
    missed: watch::Sender<Vec<Missed>>,
}

#[derive(Clone, Debug)]
struct Peer {
    /// Brokers that say that it is there.
    at: BTreeSet<String>,
    /// Since when none does.
    away: Option<(Instant, Timestamp)>,
    share: Option<Share>,
}

/// Keeps up who is missed until the stop, and tells the log.
pub(crate) async fn look_out(house: Arc<House>, stop: CancellationToken) {
    let mut known = house.peers.known.subscribe();
    let mut doubled = Vec::new();
    loop {
        known.mark_unchanged();
        let before = std::mem::replace(&mut doubled, house.peers.doubled());
        for new in doubled.iter().filter(|new| !before.contains(new)) {
            warn!("{new}");
        }
        let missed = house.peers.missed(Instant::now());
        house.peers.missed.send_if_modified(|before| {
            for new in missed.iter().filter(|missed| !before.contains(missed)) {
                warn!(peer = %new.peer, "{}", new.sentence(&house.display.zone));
            }
            for old in before
                .iter()
                .filter(|old| missed.iter().all(|missed| missed.peer != old.peer))
            {
                info!(peer = %old.peer, "{} is back, or another fobwatch watches its batches.", old.peer);
            }
            let changed = *before != missed;
            *before = missed;
            changed
        });
        let wait = house.peers.wait(Instant::now());
        tokio::select! {
            () = stop.cancelled() => return,
            // The sender lives in the house.
            _ = known.changed() => {}
            () = sleep(wait.unwrap_or_default()), if wait.is_some() => {}
        }
    }
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

impl Missed {
    /// For people.
    pub(crate) fn sentence(&self, zone: &TimeZone) -> String {
        let since = sentence::local(self.since, zone);
        let nobody = match &self.unwatched {
            Some(what) => format!("is away since {since}, and nobody watches {what}"),
            None => format!(
                "was not heard of since {since}, and nobody knows here whether its batches are watched"
            ),
        };
        format!(
            "{} {nobody}. What sensors say is kept, but nothing warns of the pressure of those bottles: treat them as live. Start it again; or \
             let another fobwatch take its share (`take` under `[share]` in its configuration), and start that one again.",
            self.peer
        )
    }
}

impl Peers {
    /// Those that are missed, and those that watch what is watched here, in sentences.
    pub(crate) fn sentences(&self, zone: &TimeZone) -> Vec<String> {
        let missed = self.missed.borrow();
        let missed = missed.iter().map(|missed| missed.sentence(zone));
        missed.chain(self.doubled()).collect()
    }

    /// What another one that is there watches, too.
    fn doubled(&self) -> Vec<String> {
        let known = self.known.borrow();
        let there = known.iter().filter(|(_, peer)| peer.away.is_none());
        let doubled = there.filter_map(|(name, peer)| {
            let both = self.own.common(peer.share.as_ref()?)?;
            Some(format!(
                "{name} watches {both}, and so does this fobwatch: whatever is told of those batches is told by both. Take it from one of them \
                 (`take` under `[share]` in its configuration), and start that one again."
            ))
        });
        doubled.collect()
    }

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
            missed: watch::Sender::default(),
        }
    }

    /// Those that are missed; hears of every change.
    pub(crate) fn subscribe(&self) -> watch::Receiver<Vec<Missed>> {
        self.missed.subscribe()
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
    fn missed(&self, now: Instant) -> Vec<Missed> {
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
    fn wait(&self, now: Instant) -> Option<Duration> {
        let known = self.known.borrow();
        let aways = known.values().filter_map(|peer| peer.away);
        aways
            .map(|(since, _)| (since + self.patience).saturating_duration_since(now))
            .filter(|wait| !wait.is_zero())
            .min()
    }
}
