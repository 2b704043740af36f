//! Batches and cultures beside each other, on one footing: what their traits come to in the reference drink at 20 degC, so that a
//! warm kitchen, a sweet drink or a large dose does not make a culture look lively.
//!
//! Everything comes from the records of batches ([`Lesson`]) with their liveliness, which hold what each batch alone said of its
//! culture.

mod fed;
mod odd;
mod standing;
mod trend;

#[cfg(test)]
mod tests;

use jiff::Timestamp;

use crate::{
    batch::{BatchName, CultureName},
    culture::{Lesson, Liveliness, Normal},
    fit::Passed,
    forecast::{Hours, Quantiles},
    quantity::{AlcoholByVolume, MassConcentration, Probability, Temperature, Vigour},
};

pub use fed::{SinceFeed, since_feed};
pub use odd::Reason;
pub use trend::Trend;

/// One batch that is to be compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// What it taught.
    pub lesson: Lesson,
    /// What it was made of and stood at; `None`: only its record is left.
    pub circumstances: Option<Circumstances>,
}

/// What may make a batch differ from others of its culture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circumstances {
    /// Mean temperature of the drink while it was warm.
    pub temperature: Option<Temperature>,
    /// Fermentable sugar when sealed.
    pub sugar: MassConcentration,
    /// How the batch goes on.
    pub pace: Option<Pace>,
}

/// What the last day brought beside the liveliest day, each of 24 h at 20 degC by the culture's response to warmth: 0 once it stands still,
/// 1 while it is at its liveliest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace(f64);

impl Pace {
    /// Of the way that a batch has come; `None`: less than two such days of it.
    #[must_use]
    pub fn of(past: &[Passed]) -> Option<Self> {
        let end = past.last()?;
        if end.hours_at_20_c < 2.0 * DAY_H {
            return None;
        }
        let mut days = past.iter().filter_map(|to| {
            let from = past
                .iter()
                .rfind(|from| from.hours_at_20_c <= to.hours_at_20_c - DAY_H)?;
            let gain = (to.co2.volumes() - from.co2.volumes()).max(0.0);
            Some(gain / (to.hours_at_20_c - from.hours_at_20_c))
        });
        let last = days.next_back()?;
        let most = days.fold(last, f64::max);
        Some(Self(if most > 0.0 { last / most } else { 0.0 }))
    }

    /// 0 to 1.
    #[must_use]
    pub fn share(self) -> f64 {
        self.0
    }
}

const DAY_H: f64 = 24.0;

/// A batch on the common footing.
#[derive(Clone, Debug, PartialEq)]
pub struct BatchStanding {
    /// Which.
    pub batch: BatchName,
    /// Its culture.
    pub culture: CultureName,
    /// When it was sealed.
    pub bottled_at: Timestamp,
    /// Hours of it that were seen.
    pub hours: f64,
    /// Its dose of culture, mL/L.
    pub dose_ml_per_l: Option<f64>,
    /// What else is known of it.
    pub circumstances: Option<Circumstances>,
    /// How it stands.
    pub standing: Standing,
    /// How sure it is that it was livelier than the batch of its culture before it.
    pub livelier_than_before: Option<Probability>,
    /// It stands apart from the others of its culture, and what may be why: with a reason it counts neither for trend nor for feed. `None`: it
    /// does not, or there are too few.
    pub stands_out: Option<Vec<Reason>>,
}

/// A culture on the common footing, from all its batches.
#[derive(Clone, Debug, PartialEq)]
pub struct CultureStanding {
    /// Which.
    pub culture: CultureName,
    /// How many batches it comes from.
    pub batches: usize,
    /// How it stands, as of its last batch.
    pub standing: Standing,
    /// Where it goes, without the batches that stand apart for a reason; `None` with fewer than three others, or all on one day.
    pub trend: Option<Trend>,
}

/// Vigour, lag and alcohol ceiling.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// Beside the reference culture.
    pub vigour: Quantiles<Vigour>,
    /// To the tangent at the highest rate, in the reference drink.
    pub lag: Quantiles<Hours>,
    /// Alcohol at which it gives up; `None`: no batch came near enough to tell more than is believed of any culture.
    pub ceiling: Option<Quantiles<AlcoholByVolume>>,
}

/// How sure it is that one culture is livelier than another.
#[derive(Clone, Debug, PartialEq)]
pub struct Pair {
    /// The one that is more likely livelier.
    pub culture: CultureName,
    /// The other.
    pub than: CultureName,
    /// At least a half.
    pub chance: Probability,
}

/// All of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// By culture, then by time.
    pub batches: Vec<BatchStanding>,
    /// The liveliest first.
    pub cultures: Vec<CultureStanding>,
    /// Every two cultures.
    pub pairs: Vec<Pair>,
}

impl Comparison {
    /// Of these batches; those without their liveliness are left out. The order given does not matter.
    #[must_use]
    pub fn of(mut entries: Vec<Entry>) -> Self {
        entries.sort_by(|a, b| key(&a.lesson).cmp(&key(&b.lesson)));
        entries.dedup_by(|a, b| key(&a.lesson) == key(&b.lesson));
        let mut batches = Vec::new();
        let mut drawn: Vec<(CultureStanding, Normal)> = Vec::new();
        for own in entries.chunk_by(|a, b| a.lesson.culture == b.lesson.culture) {
            batches.extend(standings(own));
            drawn.extend(of_culture(own));
        }
        drawn.sort_by(|a, b| {
            let middle = |standing: &CultureStanding| standing.standing.vigour.p50.ratio();
            middle(&b.0).total_cmp(&middle(&a.0))
        });
        let pairs = (0..drawn.len())
            .flat_map(|first| (first + 1..drawn.len()).map(move |second| (first, second)))
            .filter_map(|(first, second)| pair(&drawn[first], &drawn[second]))
            .collect();
        Self {
            batches,
            pairs,
            cultures: drawn.into_iter().map(|(standing, _)| standing).collect(),
        }
    }
}

fn key(lesson: &Lesson) -> (&CultureName, Timestamp, &BatchName) {
    (&lesson.culture, lesson.bottled_at, &lesson.batch)
}

/// Those that have their liveliness.
fn told(entries: &[Entry]) -> Vec<(&Entry, Liveliness)> {
    let told = entries.iter();
    told.filter_map(|entry| Some((entry, entry.lesson.liveliness?)))
        .collect()
}

/// The batches of one culture, in order of time.
fn standings(entries: &[Entry]) -> Vec<BatchStanding> {
    let told = told(entries);
    let mut found = Vec::new();
    for (place, (entry, lively)) in told.iter().enumerate() {
        let before = place.checked_sub(1).and_then(|place| told.get(place));
        let Some(standing) = Standing::of(lively.ln_vigour, lively.ln_lag_h, standing::ceiling([*entry]))
        else {
            continue;
        };
        found.push(BatchStanding {
            batch: entry.lesson.batch.clone(),
            culture: entry.lesson.culture.clone(),
            bottled_at: entry.lesson.bottled_at,
            hours: entry.lesson.hours,
            dose_ml_per_l: entry.lesson.dose_ml_per_l,
            circumstances: entry.circumstances,
            standing,
            livelier_than_before: before
                .and_then(|(_, before)| standing::livelier(lively.ln_vigour, before.ln_vigour)),
            stands_out: odd::reasons(place, &told),
        });
    }
    found
}

fn of_culture(entries: &[Entry]) -> Option<(CultureStanding, Normal)> {
    let told = told(entries);
    let last = told.iter().map(|(entry, _)| entry.lesson.bottled_at).max()?;
    let together = |pick: &dyn Fn(&Liveliness) -> Normal| {
        let batches = told.iter().map(|(entry, lively)| {
            let days = last.duration_since(entry.lesson.bottled_at).as_secs_f64() / 86_400.0;
            (days, pick(lively))
        });
        standing::together(batches)
    };
    let vigour = together(&|lively| lively.ln_vigour)?;
    let standing = CultureStanding {
        culture: told.first()?.0.lesson.culture.clone(),
        batches: told.len(),
        standing: Standing::of(
            vigour,
            together(&|lively| lively.ln_lag_h)?,
            standing::ceiling(told.iter().map(|(entry, _)| *entry)),
        )?,
        trend: trend::trend(&odd::unexplained(&told)),
    };
    Some((standing, vigour))
}

fn pair(a: &(CultureStanding, Normal), b: &(CultureStanding, Normal)) -> Option<Pair> {
    // The first is the livelier one: they are in that order.
    Some(Pair {
        culture: a.0.culture.clone(),
        than: b.0.culture.clone(),
        chance: standing::livelier(a.1, b.1)?,
    })
}
