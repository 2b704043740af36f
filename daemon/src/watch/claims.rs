//! What a batch names is never taken for "the only source" of another that was under watch at the same time, not even after the first has
//! ended: a gauge that lies on the shelf, or sits on a bottle nobody told of, says nothing of the second. One that is added later may have it.

use std::collections::{BTreeMap, BTreeSet};

use fobwatch_core::{
    batch::{Batch, BatchName},
    engine::Monitor,
    note::{Note, NoteKind},
    reading::{Quantity, Source},
};
use jiff::Timestamp;

use crate::{
    claim::{OWN, own},
    store::{BatchId, Reader, StoreError},
};

/// Sources that batches name as their own, and when each was under watch.
#[derive(Debug, Default)]
pub(crate) struct Claims {
    by_source: BTreeMap<Source, BTreeSet<BatchId>>,
    spans: BTreeMap<BatchId, Span>,
}

#[derive(Debug)]
struct Span {
    name: BatchName,
    own: BTreeSet<Source>,
    added_at: Timestamp,
    ended_at: Option<Timestamp>,
}

/// Whether two batches were under watch at the same time. Where the clock says of an end that it was at the moment of an addition, their ids tell
/// which was added first.
fn met((one_id, one): (BatchId, &Span), (other_id, other): (BatchId, &Span)) -> bool {
    let (first, second) = if one_id < other_id {
        (one, other)
    } else {
        (other, one)
    };
    first.ended_at.is_none_or(|ended| ended > second.added_at)
        && second.ended_at.is_none_or(|ended| ended >= first.added_at)
}

/// What only a sensor vessel has, of what these sources ever sent.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn heard(
    reader: &Reader<'_>,
    sources: &[Source],
) -> Result<BTreeSet<(Source, Quantity)>, StoreError> {
    let mut heard = BTreeSet::new();
    for source in sources {
        for quantity in OWN {
            if reader.heard_since(source, quantity, Timestamp::MIN)? {
                heard.insert((source.clone(), quantity));
            }
        }
    }
    Ok(heard)
}

impl Claims {
    /// Of all batches of a store, those that others watch too.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(crate) fn of(reader: &Reader<'_>) -> Result<Self, StoreError> {
        let mut claims = Self::default();
        for stored in reader.batches()?.iter().chain(&reader.batches_elsewhere()?) {
            // What this program refuses is not watched by it.
            if let Ok(batch) = stored.read_again() {
                claims.put(stored.id, &batch, (stored.added_at, stored.ended_at));
            }
        }
        Ok(claims)
    }

    /// A batch more, or one with other entries; the sources that it did not name before.
    pub(crate) fn put(
        &mut self,
        id: BatchId,
        batch: &Batch,
        (added_at, ended_at): (Timestamp, Option<Timestamp>),
    ) -> BTreeSet<Source> {
        let before = self.spans.remove(&id).map(|span| span.own).unwrap_or_default();
        for source in &before {
            if let Some(holders) = self.by_source.get_mut(source) {
                holders.remove(&id);
            }
        }
        let own = own(batch);
        for source in &own {
            self.by_source.entry(source.clone()).or_default().insert(id);
        }
        let new = own.difference(&before).cloned().collect();
        let name = batch.name.clone();
        self.spans.insert(
            id,
            Span {
                name,
                own,
                added_at,
                ended_at,
            },
        );
        new
    }

    /// The same with other entries.
    pub(crate) fn correct(&mut self, id: BatchId, batch: &Batch) {
        if let Some(span) = self.spans.get(&id) {
            self.put(id, batch, (span.added_at, span.ended_at));
        }
    }

    pub(crate) fn end(&mut self, id: BatchId, at: Timestamp) {
        if let Some(span) = self.spans.get_mut(&id) {
            span.ended_at = Some(at);
        }
    }

    /// Whose `source` is, where `batch` does not list `quantity` and so may not take it; `None`: nobody's, its own, or one that may be shared.
    pub(crate) fn holder(
        &self,
        (id, batch): (BatchId, &Batch),
        source: &Source,
        quantity: Quantity,
    ) -> Option<&BatchName> {
        if !OWN.contains(&quantity) || batch.sensors.contains_key(&quantity) {
            return None;
        }
        let holders = self.by_source.get(source)?;
        // Of a batch that is not stored yet nothing has come.
        let span = self.spans.get(&id)?;
        if span.own.contains(source) {
            return None;
        }
        let others = holders.iter().filter(|other| **other != id);
        others
            .filter_map(|other| Some((*other, self.spans.get(other)?)))
            .find(|(other, theirs)| theirs.name != span.name && met((*other, theirs), (id, span)))
            .map(|(_, theirs)| &theirs.name)
    }

    /// What an engine took, or looked at, that is another batch's; and whose.
    pub(crate) fn taken_by_mistake<'m>(
        &self,
        id: BatchId,
        monitor: &'m Monitor,
    ) -> Option<(&'m Source, &BatchName)> {
        let found = monitor.found_by_itself();
        found
            .filter_map(|(quantity, source)| {
                let holder = self.holder((id, monitor.batch()), source, quantity)?;
                Some((source, holder))
            })
            .next()
    }
}

/// Of the kind of a correction, by fobwatch itself.
pub(crate) fn note(at: Timestamp, why: String) -> Note {
    Note {
        at,
        kind: NoteKind::Corrected,
        bottles: None,
        value: None,
        unit: None,
        text: Some(format!("fobwatch corrected: {why}.")),
        takes_back: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::tests::batch_with as batch;

    #[test]
    fn what_another_names_is_never_the_only_source() {
        let at = |hours: i64| crate::watch::tests::start() + jiff::SignedDuration::from_hours(hours);
        let ids = [1, 2, 3, 4].map(BatchId);
        let (nameless, late) = (batch("hibiscus 12", ""), batch("pear and thyme 2", ""));
        let plum = batch("plum 1", "pressure = \"p1\"\nroom_temperature = \"kitchen\"\n");
        let mut claims = Claims::default();
        claims.put(ids[0], &nameless, (at(0), None));
        claims.put(ids[1], &plum, (at(5), None));
        let p1 = Source::new("p1").unwrap();
        let kitchen = Source::new("kitchen").unwrap();
        let holds = |claims: &Claims, place: usize, batch: &Batch, source: &Source, quantity| {
            claims.holder((ids[place], batch), source, quantity).is_some()
        };
        // All that sits on that bottle is that batch's, whatever it names of it; and a room is everybody's.
        for quantity in OWN {
            assert!(holds(&claims, 0, &nameless, &p1, quantity), "{quantity}");
            assert!(!holds(&claims, 1, &plum, &p1, quantity), "{quantity}");
        }
        assert!(!holds(&claims, 0, &nameless, &p1, Quantity::RoomTemperature));
        assert!(!holds(
            &claims,
            0,
            &nameless,
            &kitchen,
            Quantity::LiquidTemperature
        ));
        // Not when it has ended, either; whoever comes after that may have it.
        claims.end(ids[1], at(8));
        claims.put(ids[2], &late, (at(9), None));
        assert!(holds(&claims, 0, &nameless, &p1, Quantity::Pressure));
        assert!(!holds(&claims, 2, &late, &p1, Quantity::Pressure));
        // A batch of the past that was entered and ended before.
        claims.end(ids[2], at(10));
        claims.put(ids[3], &batch("plum 2", "gravity = \"p1\"\n"), (at(11), None));
        assert!(!holds(&claims, 2, &late, &p1, Quantity::Pressure));
        // A word taken back.
        claims.correct(ids[1], &batch("plum 1", ""));
        claims.correct(ids[3], &batch("plum 2", ""));
        assert!(!holds(&claims, 0, &nameless, &p1, Quantity::Pressure));
    }
}
