//! One destination's task: carries its rows of the outbox in order until the stop.

use std::{collections::BTreeMap, sync::Arc, time::Duration};

use fobwatch_core::alert::{AlertName, AlertRecord};
use jiff::{SignedDuration, Timestamp};
use tokio::{sync::watch, time::sleep};
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, warn};

use super::{
    Channel, GIVE_UP, LEAST_TRIES,
    letter::Letter,
    notices::{Matter, Notices},
    picture,
    undelivered::{Again, Undelivered},
};
use crate::{
    incoming,
    store::{Delivered, Destination, Lane, Next, OutboxRow, StoreError, begins},
    watch::{House, Missed, Trouble},
};

/// Rows that are read at once.
const CHUNK: u32 = 50;
/// Rows that go together at most.
const MOST_GATHERED: u32 = 500;
/// The outbox is looked at this often even if nobody says that something is in it.
const LOOK: Duration = Duration::from_secs(30);
/// The first wait after a failure.
const FIRST: Duration = Duration::from_secs(2);

/// Carries the rows of one destination until the stop.
pub(crate) async fn carry(
    house: Arc<House>,
    destination: Destination,
    channel: Channel,
    stop: CancellationToken,
) {
    let carrier = Carrier::new(house, destination, channel);
    tokio::select! {
        () = stop.cancelled() => {}
        () = carrier.run() => {}
    }
}

pub(super) struct Carrier {
    house: Arc<House>,
    destination: Destination,
    channel: Channel,
    /// Rows that are done, which the store could not be told yet: they are not delivered again meanwhile.
    unmarked: BTreeMap<i64, (Delivered, Option<Next>)>,
    /// What was told of the store ...
    store: Notices,
    /// ... and of each other daemon of the site that was missed.
    peers: BTreeMap<String, Notices>,
}

impl Carrier {
    pub(super) fn new(house: Arc<House>, destination: Destination, channel: Channel) -> Self {
        Self {
            house,
            destination,
            channel,
            unmarked: BTreeMap::new(),
            store: Notices::default(),
            peers: BTreeMap::new(),
        }
    }

    /// Rows that were delivered and are not marked so.
    #[cfg(any(test, feature = "faults"))]
    pub(super) fn unmarked(&self) -> usize {
        self.unmarked.len()
    }

    async fn run(mut self) {
        let mut news = self.house.alerts.subscribe();
        let mut trouble = self.house.unstored.subscribe();
        let mut missed = self.house.peers.subscribe();
        let mut at_once = true;
        loop {
            news.mark_unchanged();
            let now = trouble.borrow_and_update().clone();
            let away = missed.borrow_and_update().clone();
            self.look(now.as_ref(), &away);
            self.give_notices().await;
            let wait = match self.carry_all(at_once, &news).await {
                Ok(due) => due.map_or(LOOK, |due| until(due, self.house.clock.now())),
                Err(StoreError::Closed) => return,
                Err(error) => {
                    warn!(destination = %self.destination.name, "The outbox cannot be used: {error}.");
                    FIRST
                }
            };
            let now = tokio::time::Instant::now();
            let notices = std::iter::once(&self.store).chain(self.peers.values());
            let wait = notices
                .filter_map(|of| of.wait(now))
                .fold(wait, std::cmp::Ord::min);
            // A new alert is a reason to try at once, whatever the others wait for.
            at_once = tokio::select! {
                // The senders live in the house.
                _ = news.changed() => true,
                _ = trouble.changed() => false,
                _ = missed.changed() => false,
                () = sleep(wait) => false,
            };
        }
    }

    /// Takes up what is to be told past the outbox.
    fn look(&mut self, trouble: Option<&Trouble>, away: &[Missed]) {
        let (at, now) = (self.house.clock.now(), tokio::time::Instant::now());
        self.store.look(trouble.map(Matter::unstored), at, now);
        for missed in away {
            self.peers.entry(missed.peer.clone()).or_default();
        }
        let zone = &self.house.display.zone;
        for (peer, notices) in &mut self.peers {
            let missed = away.iter().find(|missed| missed.peer == *peer);
            notices.look(missed.map(|missed| Matter::missed(missed, zone)), at, now);
        }
    }

    async fn give_notices(&mut self) {
        for notices in std::iter::once(&mut self.store).chain(self.peers.values_mut()) {
            let Some(letter) = notices.due(tokio::time::Instant::now()) else {
                continue;
            };
            match self.channel.deliver(letter, None).await {
                Ok(()) => notices.told(),
                Err(failed) => {
                    warn!(destination = %self.destination.name, "\u{201c}{}\u{201d} could not be told: {}.", letter.subject(), failed.why);
                    let longest = self.channel.longest_wait();
                    notices.failed(tokio::time::Instant::now(), FIRST, longest, failed.again);
                }
            }
        }
    }

    /// Carries what may go. Answers when there is more to do. `at_once`: rows that only wait because they failed are tried.
    pub(super) async fn carry_all(
        &mut self,
        at_once: bool,
        news: &watch::Receiver<u64>,
    ) -> Result<Option<Timestamp>, StoreError> {
        self.mark_all().await?;
        let danger = self.carry_lane(Lane::Danger, at_once, news).await?;
        let rest = self.carry_lane(Lane::Rest, at_once, news).await?;
        let (name, now) = (self.destination.name.clone(), self.house.clock.now());
        let later = self
            .house
            .store
            .read(move |reader| reader.next_due(&name, now))
            .await?;
        Ok([danger, rest, later].into_iter().flatten().min())
    }

    /// Carries one lane in order. `Some`: its first row waits until then.
    async fn carry_lane(
        &mut self,
        lane: Lane,
        at_once: bool,
        news: &watch::Receiver<u64>,
    ) -> Result<Option<Timestamp>, StoreError> {
        loop {
            let (name, now) = (self.destination.name.clone(), self.house.clock.now());
            let unmarked = u32::try_from(self.unmarked.len()).unwrap_or(u32::MAX);
            let limit = CHUNK.saturating_add(unmarked);
            let mut rows = self
                .house
                .store
                .read(move |reader| reader.outbox(&name, lane, now, limit))
                .await?;
            rows.retain(|row| !self.unmarked.contains_key(&row.id));
            if rows.is_empty() {
                return Ok(None);
            }
            for row in rows {
                // One that is due much later than any wait is long was put off by a clock that has been set back since.
                let waits = row.due_at > now
                    && row.attempts > 0
                    && row.due_at.duration_since(now) <= SignedDuration::from_hours(1);
                if waits && !at_once {
                    return Ok(Some(row.due_at));
                }
                let gathered = row.gathered;
                if let Some(due) = self.carry_one(row).await? {
                    return Ok(Some(due));
                }
                if lane == Lane::Rest && news.has_changed().unwrap_or(false) {
                    // It may be a danger, which goes first.
                    return Ok(Some(now));
                }
                if gathered {
                    // Some of those that follow may have gone with it.
                    break;
                }
            }
        }
    }

    /// `Some`: it was not taken, and is due again then.
    async fn carry_one(&mut self, row: OutboxRow) -> Result<Option<Timestamp>, StoreError> {
        let name = self.destination.name.clone();
        let mut rows = if row.gathered {
            self.gathered().await?
        } else {
            vec![row]
        };
        let mut spared = Vec::new();
        for of in &rows {
            // One of a letter that may have come stays in it.
            let may_have_come = of.gathered && of.attempts > 0;
            if self.is_withdrawn(of).await? || (!may_have_come && self.is_spared(of).await?) {
                debug!(destination = %name, alert = %of.alert.alert, batch = %of.alert.batch, "Nobody there needs it any more.");
                spared.push(of.id);
            }
        }
        rows.retain(|of| !spared.contains(&of.id));
        self.done(
            spared.into_iter().map(|id| (id, None)).collect(),
            &Delivered::Spared,
        )
        .await?;
        let alerts: Vec<AlertRecord> = rows.iter().map(|of| of.alert.clone()).collect();
        if rows.len() > 1 && rows.iter().all(|of| of.attempts == 0) {
            let ids = rows.iter().map(|of| of.id).collect::<Vec<_>>();
            let begun = self
                .house
                .store
                .write(move |writer| writer.outbox_begun(&ids))
                .await;
            // To be told beats to be told once: without it a crash just after the delivery may send them again in other company.
            if let Err(StoreError::Closed) = begun {
                return Err(StoreError::Closed);
            }
        }
        let letter = match rows.as_slice() {
            [] => return Ok(None),
            [one] if one.again > 0 => Letter::reminding(one.alert.clone(), one.again),
            _ => match Letter::gathered(alerts, &self.destination.zone) {
                Some(letter) => letter,
                None => return Ok(None),
            },
        };
        let picture = match letter.alerts() {
            [alert] if self.channel.shows_pictures() => picture::of(&self.house, alert).await,
            _ => None,
        };
        let sent = self.channel.deliver(&letter, picture.as_deref()).await;
        let now = self.house.clock.now();
        match sent {
            Ok(()) => {
                debug!(destination = %name, key = %letter.key, "It was delivered.");
                let done = rows.iter().map(|of| (of.id, self.next(of, now))).collect();
                self.done(done, &Delivered::Taken).await?;
                Ok(None)
            }
            Err(failed) => self.not_taken(&rows, failed, now).await,
        }
    }

    /// The rows that go together: all that wait, or those alone that were tried together. That letter may have come, and comes again as
    /// it was, under its key.
    async fn gathered(&self) -> Result<Vec<OutboxRow>, StoreError> {
        let name = self.destination.name.clone();
        let mut all = self
            .house
            .store
            .read(move |reader| reader.gathered(&name, MOST_GATHERED))
            .await?;
        all.retain(|of| !self.unmarked.contains_key(&of.id));
        if all.iter().any(|of| of.attempts > 0) {
            all.retain(|of| of.attempts > 0);
        }
        Ok(all)
    }

    /// Puts rows off, or gives them up.
    async fn not_taken(
        &mut self,
        rows: &[OutboxRow],
        failed: Undelivered,
        now: Timestamp,
    ) -> Result<Option<Timestamp>, StoreError> {
        let name = &self.destination.name;
        let is_old = |row: &OutboxRow| {
            let waited = row.since.is_some_and(|since| now.duration_since(since) > GIVE_UP);
            waited && row.attempts >= LEAST_TRIES
        };
        let (given_up, kept): (Vec<&OutboxRow>, Vec<&OutboxRow>) = rows
            .iter()
            .partition(|row| failed.again == Again::Never || is_old(row));
        for row in &given_up {
            error!(
                destination = %name,
                "An alert of {} is given up: {}. It was: {}",
                row.alert.batch, failed.why, row.alert.message
            );
        }
        if let Some(first) = kept.first()
            && first.attempts == 0
        {
            warn!(destination = %name, "An alert of {} could not be delivered yet: {}.", first.alert.batch, failed.why);
        }
        let attempts = kept.first().map_or(0, |first| first.attempts);
        let asked = match failed.again {
            Again::Later(wait) => wait.unwrap_or(Duration::ZERO),
            Again::Never => Duration::ZERO,
        };
        let ids: Vec<i64> = kept.iter().map(|row| row.id).collect();
        let given_up = given_up.iter().map(|row| (row.id, None)).collect();
        self.done(given_up, &Delivered::GivenUp(failed.why.clone()))
            .await?;
        if ids.is_empty() {
            return Ok(None);
        }
        let wait = incoming::wait(attempts, FIRST, self.channel.longest_wait()).max(asked);
        let wait = self.house.clock.wait(wait);
        let wait = SignedDuration::try_from(wait).unwrap_or(SignedDuration::from_secs(30));
        let due = now.saturating_add(wait).unwrap_or(now);
        let complaint = failed.why;
        let put_off = self
            .house
            .store
            .write(move |writer| writer.outbox_retry(&ids, due, &complaint))
            .await;
        match put_off {
            Err(StoreError::Closed) => Err(StoreError::Closed),
            // The wait holds all the same.
            _ => Ok(Some(due)),
        }
    }

    /// Whether it advises to carry the bottles, and that was withdrawn since: told late it is a danger, so it goes out of a letter that
    /// may have come, too. What withdraws it says all.
    async fn is_withdrawn(&self, row: &OutboxRow) -> Result<bool, StoreError> {
        let of_moves = matches!(row.alert.alert, AlertName::MoveToFridge | AlertName::FridgeSoon);
        if !of_moves || !begins(&row.alert) {
            return Ok(false);
        }
        let id = row.id;
        self.house.store.read(move |reader| reader.is_withdrawn(id)).await
    }

    /// Whether nobody there needs it any more.
    async fn is_spared(&self, row: &OutboxRow) -> Result<bool, StoreError> {
        let (id, reminds, begins, waits) = (
            row.id,
            row.again > 0,
            begins(&row.alert),
            self.destination.waits(),
        );
        self.house
            .store
            .read(move |reader| match (reminds, waits, begins) {
                (true, ..) => reader.is_outdated(id),
                (false, true, true) => reader.is_seen_to(id),
                (false, true, false) => Ok(!reader.was_told(id)?),
                (false, false, _) => Ok(false),
            })
            .await
    }

    fn next(&self, row: &OutboxRow, now: Timestamp) -> Option<Next> {
        let due = self.destination.reminder(&row.alert, row.again, now)?;
        Some(Next { row: row.id, due })
    }

    /// What became of rows. While the store cannot be told it is kept here.
    async fn done(&mut self, rows: Vec<(i64, Option<Next>)>, how: &Delivered) -> Result<(), StoreError> {
        if rows.is_empty() {
            return Ok(());
        }
        let marked = self.mark(rows.clone(), how.clone()).await;
        match marked {
            Ok(()) => Ok(()),
            Err(StoreError::Closed) => Err(StoreError::Closed),
            Err(error) => {
                warn!(destination = %self.destination.name, "What became of an alert could not be stored yet: {error}.");
                let kept = rows.into_iter().map(|(id, next)| (id, (how.clone(), next)));
                self.unmarked.extend(kept);
                Ok(())
            }
        }
    }

    /// Tells the store what it could not be told before. While it still cannot, all else goes on.
    async fn mark_all(&mut self) -> Result<(), StoreError> {
        for (id, (how, next)) in self.unmarked.clone() {
            match self.mark(vec![(id, next)], how).await {
                Ok(()) => {
                    self.unmarked.remove(&id);
                }
                Err(StoreError::Closed) => return Err(StoreError::Closed),
                Err(_) => return Ok(()),
            }
        }
        Ok(())
    }

    async fn mark(&self, rows: Vec<(i64, Option<Next>)>, how: Delivered) -> Result<(), StoreError> {
        let now = self.house.clock.now();
        self.house
            .store
            .write(move |writer| {
                let (ids, next): (Vec<i64>, Vec<Option<Next>>) = rows.into_iter().unzip();
                let next: Vec<Next> = next.into_iter().flatten().collect();
                writer.outbox_done(&ids, now, &how, &next)
            })
            .await
    }
}

fn until(due: Timestamp, now: Timestamp) -> Duration {
    let left = due.duration_since(now);
    Duration::try_from(left).unwrap_or(Duration::ZERO).min(LOOK)
}
