//! Siblings of one experiment side by side: the same drink pulled on several days, or with several doses. Which one was right?
//!
//! The palate goes before the figures: what was tasted decides where somebody tasted, else the content beside the target.

#[cfg(test)]
mod tests;

use jiff::Timestamp;

use crate::{
    batch::BatchName,
    engine::{Monitor, Work},
    forecast::Quantiles,
    note::{Liveliness, Note, NoteKind},
    plan::Planner,
    quantity::{AlcoholByVolume, Co2Volumes, CultureDose, GaugePressure, MassConcentration, Temperature},
};

/// One batch of an experiment.
#[derive(Clone, Debug, PartialEq)]
pub struct Sibling {
    /// Which.
    pub batch: BatchName,
    /// When it was sealed.
    pub bottled_at: Timestamp,
    /// Its dose of culture, mL/L.
    pub dose_ml_per_l: Option<f64>,
    /// Fermentable sugar when sealed.
    pub sugar: MassConcentration,
    /// When it went to the fridge; `None`: it stands in the room.
    pub pulled_at: Option<Timestamp>,
    /// As of when it is told: the pull, or the newest that is known.
    pub as_of: Timestamp,
    /// Content then, in the target's sense.
    pub co2: Quantiles<Co2Volumes>,
    /// The same 72 h after the pull, or after one at that moment.
    pub after: Quantiles<Co2Volumes>,
    /// Gauge pressure of the fullest bottle then.
    pub fullest: Quantiles<GaugePressure>,
    /// Alcohol then.
    pub alcohol: AlcoholByVolume,
    /// The wish.
    pub target: Co2Volumes,
    /// The user's own limit.
    pub limit: GaugePressure,
    /// What was tasted.
    pub tasted: Vec<Tasting>,
}

/// A bottle that somebody opened or tasted.
#[derive(Clone, Debug, PartialEq)]
pub struct Tasting {
    /// When.
    pub at: Timestamp,
    /// The word for its fizz, if there is one.
    pub fizz: Option<Liveliness>,
    /// In the user's own words.
    pub words: String,
}

/// In what siblings differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Differs {
    /// Hours from sealing to the pull.
    Day,
    /// Dose of the culture, mL/L.
    Dose,
    /// Fermentable sugar, g/L.
    Sugar,
}

/// By what it was judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    /// Words for the fizz.
    Taste,
    /// Content after the pull beside the target.
    Content,
}

/// Which sibling was right.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The one that came nearest.
    pub best: BatchName,
    /// By what.
    pub by: By,
    /// It is right itself, not only the nearest.
    pub right: bool,
    /// In what they differ most; `None`: in nothing that counts.
    pub differs: Option<Differs>,
    /// Where between the siblings it would have been right, in the unit of what they differ in; `None`: not between any two.
    pub between: Option<f64>,
}

/// An experiment.
#[derive(Clone, Debug, PartialEq)]
pub struct Experiment {
    /// In order of what they differ in.
    pub siblings: Vec<Sibling>,
    /// `None`: nothing to judge by, or only one sibling.
    pub verdict: Option<Verdict>,
}

/// Half a step of the words for fizz.
const RIGHT_TASTE: f64 = 0.5;
/// A content this near to the target is right, volumes: see the caution about palates in [`crate::plan::Away`].
const RIGHT_VOLUMES: f64 = 0.2;

/// Least differences that count: hours, and shares of dose and sugar.
const A_DAY_H: f64 = 3.0;
const A_SHARE: f64 = 0.03;

impl Sibling {
    /// Of a batch whose `monitor` has heard all until the pull, or until now, and of all its notes, earlier and later ones. `None` for
    /// figures outside the ranges of their types.
    #[must_use]
    pub fn of(monitor: &Monitor, notes: &[Note], pulled_at: Option<Timestamp>) -> Option<Self> {
        let batch = monitor.batch();
        let as_of = pulled_at.map_or(monitor.clock(), |pulled| pulled.max(monitor.clock()));
        let mut request = monitor.forecast_request(as_of);
        request.work = Work::Fit;
        let fitted = request.run();
        let room = batch.expected_room.or(Temperature::from_celsius(21.0).ok())?;
        let planner = Planner::new(batch, monitor.usual_ambient(), room);
        let drink = &batch.drink;
        let sugar = drink.sucrose.grams_per_litre() + drink.hexose.grams_per_litre();
        Some(Self {
            batch: batch.name.clone(),
            bottled_at: batch.bottled_at,
            dose_ml_per_l: drink.culture_dose.map(CultureDose::ml_per_l),
            sugar: MassConcentration::from_grams_per_litre(sugar).ok()?,
            pulled_at,
            as_of,
            co2: fitted.forecast.co2,
            after: fitted.outlook.after_move_now,
            fullest: fitted.outlook.worst_bottle_now,
            alcohol: planner.alcohol_at(fitted.forecast.co2.p50).ok()?,
            target: batch.target.co2,
            limit: batch.bottle.pressure_limit,
            tasted: notes.iter().filter_map(Tasting::of).collect(),
        })
    }

    /// Hours from sealing to the pull, or to when it is told.
    #[must_use]
    pub fn hours(&self) -> f64 {
        self.as_of.duration_since(self.bottled_at).as_secs_f64() / 3_600.0
    }

    /// Mean of the words: below zero too little, above it too much; `None`: no word was said.
    #[must_use]
    pub fn fizz(&self) -> Option<f64> {
        let steps: Vec<f64> = self
            .tasted
            .iter()
            .filter_map(|tasting| tasting.fizz)
            .map(|fizz| match fizz {
                Liveliness::Flat => -2.0,
                Liveliness::Light => -1.0,
                Liveliness::Right => 0.0,
                Liveliness::Lively => 1.0,
                Liveliness::Gushing => 2.0,
            })
            .collect();
        let count = u32::try_from(steps.len()).ok().filter(|count| *count > 0)?;
        Some(steps.iter().sum::<f64>() / f64::from(count))
    }

    /// How far the content after the pull lies above the target, volumes.
    #[must_use]
    pub fn above_target(&self) -> f64 {
        self.after.p50.volumes() - self.target.volumes()
    }

    /// What it is in what they differ in.
    #[must_use]
    pub fn place(&self, differs: Differs) -> Option<f64> {
        match differs {
            Differs::Day => Some(self.hours()),
            Differs::Dose => self.dose_ml_per_l,
            Differs::Sugar => Some(self.sugar.grams_per_litre()),
        }
    }
}

impl Tasting {
    /// Of a note about an opened or tasted bottle.
    fn of(note: &Note) -> Option<Self> {
        if !matches!(note.kind, NoteKind::Opened | NoteKind::Tasted) {
            return None;
        }
        let words = note.text.clone().unwrap_or_default();
        Some(Self {
            at: note.at,
            fizz: Liveliness::in_words(&words),
            words,
        })
    }
}

/// When a note first says that the bottles went to the fridge.
#[must_use]
pub fn pulled_at(notes: &[Note]) -> Option<Timestamp> {
    notes
        .iter()
        .filter(|note| note.kind == NoteKind::MovedToFridge)
        .map(|note| note.at)
        .min()
}

impl Experiment {
    /// Of these siblings; the order given does not matter.
    #[must_use]
    pub fn of(mut siblings: Vec<Sibling>) -> Self {
        let differs = differs(&siblings);
        siblings.sort_by(|a, b| {
            let place = |sibling: &Sibling| differs.and_then(|differs| sibling.place(differs)).unwrap_or(0.0);
            place(a).total_cmp(&place(b)).then_with(|| a.batch.cmp(&b.batch))
        });
        let verdict = verdict(&siblings, differs);
        Self { siblings, verdict }
    }
}

fn differs(siblings: &[Sibling]) -> Option<Differs> {
    let ends = |of: &dyn Fn(&Sibling) -> Option<f64>| -> Option<(f64, f64)> {
        let values: Vec<f64> = siblings.iter().filter_map(of).collect();
        let low = values.iter().copied().reduce(f64::min)?;
        let high = values.iter().copied().reduce(f64::max)?;
        Some((low, high))
    };
    let apart = |differs: Differs| ends(&|sibling| sibling.place(differs));
    let by_share = |(low, high): (f64, f64)| high > low * (1.0 + A_SHARE);
    if apart(Differs::Dose).is_some_and(by_share) {
        Some(Differs::Dose)
    } else if apart(Differs::Sugar).is_some_and(by_share) {
        Some(Differs::Sugar)
    } else {
        apart(Differs::Day)
            .filter(|(low, high)| high - low > A_DAY_H)
            .map(|_| Differs::Day)
    }
}

fn verdict(siblings: &[Sibling], differs: Option<Differs>) -> Option<Verdict> {
    if siblings.len() < 2 {
        return None;
    }
    let tasted = siblings.iter().any(|sibling| sibling.fizz().is_some());
    let (by, enough) = if tasted {
        (By::Taste, RIGHT_TASTE)
    } else {
        (By::Content, RIGHT_VOLUMES)
    };
    let off = |sibling: &Sibling| match by {
        By::Taste => sibling.fizz(),
        // One that still stands in the room is not judged yet.
        By::Content => sibling.pulled_at.map(|_| sibling.above_target()),
    };
    let judged: Vec<(&Sibling, f64)> = siblings
        .iter()
        .filter_map(|sibling| Some((sibling, off(sibling)?)))
        .collect();
    let (best, its) = judged.iter().min_by(|(a, x), (b, y)| {
        // Of two that tasted alike the one nearer to the target.
        x.abs()
            .total_cmp(&y.abs())
            .then_with(|| a.above_target().abs().total_cmp(&b.above_target().abs()))
    })?;
    Some(Verdict {
        best: best.batch.clone(),
        by,
        right: its.abs() <= enough,
        differs,
        between: differs.and_then(|differs| between(&judged, differs)),
    })
}

/// Where it turns from too little to too much, straight between the two neighbours.
fn between(judged: &[(&Sibling, f64)], differs: Differs) -> Option<f64> {
    judged.windows(2).find_map(|pair| {
        let [(a, low), (b, high)] = pair else { return None };
        let (from, to) = (a.place(differs)?, b.place(differs)?);
        (*low <= 0.0 && *high > 0.0).then(|| from + (to - from) * (-low / (high - low)))
    })
}
