//! A gauge sits on one bottle: from the filling of a batch to its end, a source that its file names is its own.
//!
//! A batch that was ended holds nothing any more, whatever its times: when somebody said that it had ended is not when its gauge
//! was taken off, and batches of the past are entered one after the other.

use std::collections::BTreeSet;

use fobwatch_core::{
    batch::Batch,
    reading::{Quantity, Source},
};

/// What only the sensor vessel has; a room, and the air, may be shared.
pub(crate) const OWN: [Quantity; 4] = [
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

/// What only the sensor vessel has, of what a batch names.
pub(crate) fn own(batch: &Batch) -> BTreeSet<Source> {
    let named = OWN.iter().filter_map(|quantity| batch.sensors.get(quantity));
    named.filter(|source| !source.is_nobody()).cloned().collect()
}

/// What only the sensor vessel has, and `batch` would take from whoever sends it.
pub(crate) fn left_open(batch: &Batch) -> impl Iterator<Item = Quantity> {
    OWN.into_iter()
        .filter(|quantity| !batch.sensors.contains_key(quantity))
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
    use crate::watch::tests::batch_with as batch;

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
