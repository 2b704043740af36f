//! A gauge sits on one bottle: from the filling of a batch to its end, a source that its file names is its own.
//!
//! A batch that was ended holds nothing any more, whatever its times: when somebody said that it had ended is not when its gauge
//! was taken off, and batches of the past are entered one after the other.
//!
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

use super::{house::House, worker::read_again};
use crate::store::{BatchId, Reader, StoreError};

/// What only the sensor vessel has; a room, and the air, may be shared.
const OWN: [Quantity; 4] = [
    Quantity::Pressure,
    Quantity::AbsolutePressure,
    Quantity::LiquidTemperature,
    Quantity::Gravity,
];

/// A source that two batches under watch would have at the same time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`sensors.{quantity}` is \"{source_name}\", which belongs to the batch `{other}` until that one ends; allowed: a source that no \
     other batch under watch has, or `fobwatch batch end` for the other one first"
)]
pub(crate) struct Claimed {
    quantity: Quantity,
    source_name: Source,
    other: String,
}

/// Whether `batch` may be watched beside `others`. One of its own name is not another: that is told elsewhere.
///
/// # Errors
/// The first source that would be of two.
pub(crate) fn free<'b>(batch: &Batch, others: impl IntoIterator<Item = &'b Batch>) -> Result<(), Claimed> {
    for other in others.into_iter().filter(|other| other.name != batch.name) {
        for quantity in OWN {
            let (Some(own), Some(theirs)) = (batch.sensors.get(&quantity), other.sensors.get(&quantity))
            else {
                continue;
            };
            if own == theirs && !own.is_nobody() {
                return Err(Claimed {
                    quantity,
                    source_name: own.clone(),
                    other: other.name.to_string(),
                });
            }
        }
    }
    Ok(())
}

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

/// What only the sensor vessel has, of what a batch names.
pub(super) fn own(batch: &Batch) -> BTreeSet<Source> {
    let named = OWN.iter().filter_map(|quantity| batch.sensors.get(quantity));
    named.filter(|source| !source.is_nobody()).cloned().collect()
}

/// What only the sensor vessel has, and `batch` would take from whoever sends it.
pub(super) fn left_open(batch: &Batch) -> impl Iterator<Item = Quantity> {
    OWN.into_iter()
        .filter(|quantity| !batch.sensors.contains_key(quantity))
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
            if let Ok(batch) = read_again(stored) {
                claims.put(stored.id, &batch, (stored.added_at, stored.ended_at));
            }
        }
        Ok(claims)
    }

    /// A batch more, or one with other entries.
    pub(crate) fn put(
        &mut self,
        id: BatchId,
        batch: &Batch,
        (added_at, ended_at): (Timestamp, Option<Timestamp>),
    ) {
        if let Some(before) = self.spans.remove(&id) {
            for source in before.own {
                if let Some(holders) = self.by_source.get_mut(&source) {
                    holders.remove(&id);
                }
            }
        }
        let span = Span {
            name: batch.name.clone(),
            own: own(batch),
            added_at,
            ended_at,
        };
        for source in &span.own {
            self.by_source.entry(source.clone()).or_default().insert(id);
        }
        self.spans.insert(id, span);
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

/// Where an engine took what is another batch's, a note that says so: it is to begin anew.
pub(super) fn mistaken(house: &House, id: BatchId, monitor: &Monitor) -> Option<Note> {
    let claims = house.claims();
    let (source, holder) = claims.taken_by_mistake(id, monitor)?;
    Some(note(
        house.clock.now().max(monitor.clock()),
        format!("{source} sits on {holder}: nothing that it measured counts here, and nothing did"),
    ))
}

/// Of the kind of a correction, by fobwatch itself.
pub(super) fn note(at: Timestamp, why: String) -> Note {
    Note {
        at,
        kind: NoteKind::Corrected,
        bottles: None,
        value: None,
        unit: None,
        text: Some(format!("fobwatch corrected: {why}.")),
    }
}

/// What whoever leaves a source open should know: gauges that others name never count for this batch, and one that nobody names counts for all that
/// leave it open, though it sits on one bottle.
pub(crate) fn borrowed<'b>(batch: &Batch, others: impl IntoIterator<Item = &'b Batch>) -> Vec<String> {
    let others: Vec<&Batch> = others
        .into_iter()
        .filter(|other| other.name != batch.name)
        .collect();
    let mut told: Vec<String> = left_open(batch)
        .filter_map(|quantity| {
            let (theirs, other) = others
                .iter()
                .filter_map(|other| Some((other.sensors.get(&quantity)?, other)))
                .find(|(theirs, _)| !theirs.is_nobody())?;
            Some(format!(
                "`sensors.{quantity}` is not named, and \"{theirs}\", which sits on {}, never counts for this batch. If it has a source of its own, \
                 name it; if it has none, name one that never sends, as \"none\"",
                other.name
            ))
        })
        .collect();
    let gauge = |batch: &Batch| batch.sensors.contains_key(&Quantity::Pressure);
    if let Some(other) = others.iter().find(|other| !gauge(batch) && !gauge(other)) {
        told.push(format!(
            "neither this batch nor {} names its gauge under `sensors.pressure`: one that is heard, and that no batch names, would count for both, \
             though it sits on one bottle. Whose is it? Name it where it sits, and \"none\" where there is none (`fobwatch batch correct`)",
            other.name
        ));
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::tests::batch_text;

    fn batch(name: &str, sensors: &str) -> Batch {
        let text = format!("{}\n[sensors]\n{sensors}", batch_text(name));
        Batch::from_toml(&text, name).unwrap().0
    }

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

    #[test]
    fn a_gauge_is_of_one_batch_at_a_time_and_a_room_of_all() {
        let plum = batch("plum 1", "pressure = \"pilot\"\nroom_temperature = \"kitchen\"\n");
        let lime = batch("lime and mint 4", "pressure = \"pilot\"\n");
        let pear = batch(
            "pear and thyme 2",
            "pressure = \"spare\"\nroom_temperature = \"kitchen\"\n",
        );
        assert_eq!(free(&pear, [&plum]), Ok(()));
        let bare = |name: &str| {
            batch(
                name,
                "pressure = \"none\"\nliquid_temperature = \"none\"\ngravity = \"none\"\nabsolute_pressure = \"none\"\n",
            )
        };
        let (one, other) = (bare("hibiscus 12"), bare("lime and mint 4"));
        assert_eq!(free(&one, [&other]), Ok(()));
        assert!(borrowed(&one, [&other, &plum]).is_empty());
        assert_eq!(free(&plum, [&plum, &pear]), Ok(()));
        let nameless = batch("hibiscus 12", "");
        let warned = borrowed(&nameless, [&nameless, &plum]);
        assert!(
            warned.len() == 1 && warned[0].contains("\"pilot\", which sits on plum 1, never counts"),
            "{warned:?}"
        );
        let asked = borrowed(&nameless, [&batch("lime and mint 4", "")]);
        assert!(asked.len() == 1 && asked[0].contains("Whose is it?"), "{asked:?}");
        assert!(borrowed(&lime, [&plum]).is_empty() && borrowed(&nameless, []).is_empty());
        let told = free(&lime, [&pear, &plum]).unwrap_err().to_string();
        assert!(
            told.starts_with("`sensors.pressure` is \"pilot\", which belongs to the batch `plum 1` until"),
            "{told}"
        );
    }
}
