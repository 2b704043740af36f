//! Cultures: the batches of a store on one footing, kept for as long as nothing comes to them.

use std::{
    collections::BTreeMap,
    sync::{Mutex, PoisonError},
};

use fobwatch_core::{
    batch::Batch,
    compare::{Circumstances, Entry, Pace},
    culture::Lesson,
    engine::{ClockSource, Monitor, Settings},
    fit::Passed,
    quantity::{MassConcentration, Temperature},
    reading::Quantity,
};

use super::led::{gone_over, rows};
use crate::{
    store::{BatchId, Reader, StoreError, StoredBatch},
    watch::Claims,
};

/// Colder than this a culture hardly works: a fridge, no circumstance of its vigour.
const WARM_C: f64 = 12.0;

/// A batch, and the way it came if its readings are there.
#[derive(Clone, Debug)]
pub(crate) struct Gathered {
    pub(crate) entry: Entry,
    pub(crate) past: Vec<Passed>,
}

impl Gathered {
    /// Of an engine that has heard all. It takes a dozen fits.
    pub(crate) fn of(monitor: &Monitor) -> Option<Self> {
        let lesson = monitor.lively_lesson()?;
        let mut past = monitor.past();
        if let Some(last) = last_heard(monitor) {
            let measured = |passed: &Passed| passed.hours <= last;
            past.retain(measured);
        }
        Some(Self {
            entry: Entry {
                lesson,
                circumstances: circumstances(monitor.batch(), &past),
            },
            past,
        })
    }
}

/// Hours from sealing to the last word of a sensor that sat on its bottle: what comes after it is reckoned, and no way that was gone.
/// `None`: none was heard.
fn last_heard(monitor: &Monitor) -> Option<f64> {
    let view = monitor.view();
    let own = view.sensors.iter().filter(|heard| {
        heard.quantity != Quantity::RoomTemperature && heard.quantity != Quantity::AmbientPressure
    });
    let last = own.filter_map(|heard| heard.at).max()?;
    Some(last.duration_since(view.bottled_at).as_secs_f64() / 3_600.0)
}

fn circumstances(batch: &Batch, past: &[Passed]) -> Option<Circumstances> {
    let warm: Vec<f64> = past
        .iter()
        .map(|passed| passed.drink.celsius())
        .filter(|celsius| *celsius >= WARM_C)
        .collect();
    let count = u32::try_from(warm.len()).ok().filter(|count| *count > 0);
    let sugar = batch.drink.sucrose.grams_per_litre() + batch.drink.hexose.grams_per_litre();
    Some(Circumstances {
        temperature: count
            .and_then(|count| Temperature::from_celsius(warm.iter().sum::<f64>() / f64::from(count)).ok()),
        sugar: MassConcentration::from_grams_per_litre(sugar).ok()?,
        pace: Pace::of(past),
    })
}

/// Goes over the rows of one batch again, without a fit on the way; `Err` inside says why it tells nothing.
pub(crate) fn of_stored(
    reader: &Reader<'_>,
    stored: &StoredBatch,
    settings: &Settings,
    claims: &Claims,
) -> Result<Result<Gathered, String>, StoreError> {
    let batch = match Batch::from_toml(&stored.text, &format!("the stored batch `{}`", stored.name)) {
        Ok((batch, _)) => batch,
        Err(bad) => return Ok(Err(bad.to_string())),
    };
    if batch.culture.is_none() {
        return Ok(Err("its batch file names no culture".to_owned()));
    }
    let rows = rows(reader, stored, &batch, claims)?;
    let mut notes = reader.notes(stored.id)?;
    notes.sort_by_key(|note| note.at);
    let settings = Settings {
        clock: ClockSource::Readings,
        ..settings.clone()
    };
    let monitor = gone_over(batch, rows, notes, settings, &mut |_| None);
    Ok(Gathered::of(&monitor)
        .ok_or_else(|| "nothing was measured in it that tells of its culture".to_owned()))
}

/// New readings, in rows of the store, before a live batch is gone over again: some hours of a usual sensor.
const NEWS: i64 = 500;

/// Batches that are gone over at once: a person waits for the page.
const AT_ONCE: u32 = 20;

/// What was gathered, as of which place in the store's order.
type Known = (i64, Result<Gathered, String>);

/// Batches gathered before, of one store. An ended batch is gone over once; a live one anew when enough has come to it, or it was corrected.
#[derive(Debug, Default)]
pub(crate) struct Kept(Mutex<BTreeMap<BatchId, Known>>);

impl Kept {
    /// All batches of the store; `wanted` chooses by name of the culture.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(crate) fn gathered(
        &self,
        reader: &Reader<'_>,
        settings: &Settings,
        wanted: impl Fn(&Batch) -> bool,
    ) -> Result<(Vec<Gathered>, Vec<String>), StoreError> {
        let end = reader.last_sequence()?.0;
        let claims = Claims::of(reader)?;
        let (mut found, mut left_out) = (Vec::new(), Vec::new());
        let mut gone_over = 0;
        for stored in reader.batches()? {
            let of_wish =
                Batch::from_toml(&stored.text, "a stored batch").is_ok_and(|(batch, _)| wanted(&batch));
            if !of_wish {
                continue;
            }
            let kept = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
            let known = kept().get(&stored.id).cloned();
            let corrected = reader.corrected(stored.id)?.map_or(0, |place| place.0);
            let is_fresh = |seen: i64| {
                corrected <= seen && (stored.ended_at.is_some() || end < seen.saturating_add(NEWS))
            };
            let known = match known {
                Some((seen, known)) if is_fresh(seen) || gone_over >= AT_ONCE => known,
                None if gone_over >= AT_ONCE => {
                    Err("it is still to be gone over; ask again in a minute".to_owned())
                }
                _ => {
                    gone_over += 1;
                    let gathered = of_stored(reader, &stored, settings, &claims)?;
                    kept().insert(stored.id, (end, gathered.clone()));
                    gathered
                }
            };
            match known {
                Ok(gathered) => found.push(gathered),
                Err(why) => left_out.push(format!("{} is left out: {why}.", stored.name)),
            }
        }
        Ok((found, left_out))
    }

    /// What earlier batches taught of the culture of `batch`.
    ///
    /// # Errors
    /// The store cannot be read.
    pub(crate) fn lessons(
        &self,
        reader: &Reader<'_>,
        settings: &Settings,
        batch: &Batch,
    ) -> Result<Vec<Lesson>, StoreError> {
        if batch.culture.is_none() {
            return Ok(Vec::new());
        }
        let (found, _) = self.gathered(reader, settings, |other| {
            other.culture == batch.culture && other.bottled_at < batch.bottled_at
        })?;
        Ok(found.into_iter().map(|gathered| gathered.entry.lesson).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        config::Config,
        corrected::{corrected, with},
        store::Writer,
        watch::tests::{batch_text, reading, start},
    };
    use fobwatch_core::{quantity::Unit, reading::Reading};

    #[test]
    fn a_way_ends_with_the_last_word_of_its_own_sensors() {
        let text = format!("{}[sensors]\npressure = \"pilot\"\n", batch_text("plum 1"));
        let batch = Batch::from_toml(&text, "test").unwrap().0;
        let settings = Config::defaults().unwrap().settings(ClockSource::Readings);
        let of = |quantity, value, unit| move |hours: i64| reading(60 * hours, quantity, value, unit);
        let room = of(Quantity::RoomTemperature, 21.0, Unit::Celsius);
        let gauge = of(Quantity::Pressure, 0.1, Unit::Bar);
        let led = |rows: Vec<Reading>| {
            let monitor = gone_over(batch.clone(), rows, Vec::new(), settings.clone(), &mut |_| None);
            last_heard(&monitor)
        };
        // The kitchen's thermometer goes on when the bottle has long been drunk.
        let both = (0..100).flat_map(|hours| {
            (hours <= 10)
                .then(|| gauge(hours))
                .into_iter()
                .chain([room(hours)])
        });
        assert!((led(both.collect()).unwrap() - 10.0).abs() < 1e-9);
        assert_eq!(led((0..100).map(room).collect()), None);
    }

    #[test]
    fn a_corrected_batch_is_gone_over_again() {
        let folder = tempfile::tempdir().unwrap();
        let mut writer = Writer::open(folder.path()).unwrap();
        let text = batch_text("plum 1");
        let batch = Batch::from_toml(&text, "test").unwrap().0;
        let id = writer.add_batch(&batch, &text, start()).unwrap();
        let settings = Config::defaults().unwrap().settings(ClockSource::Readings);
        let kept = Kept::default();
        let left_out = |writer: &Writer| {
            let (_, left_out) = kept.gathered(&writer.reader(), &settings, |_| true).unwrap();
            left_out.concat()
        };
        assert!(left_out(&writer).contains("names no culture"));
        let given = with(&text, &[("culture", Some("\"jar two\""))]).unwrap();
        let done = corrected(&text, &given, "Ada", start(), []).unwrap();
        writer.correct_batch(id, &done, start()).unwrap();
        let told = left_out(&writer);
        assert!(told.contains("nothing was measured"), "{told}");
    }
}
