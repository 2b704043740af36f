//! The record of what one batch taught about its culture.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{COUNT, Liveliness};
use crate::batch::{Batch, BatchName, CultureName};

/// Version of the record's meaning.
pub const SCHEMA: u32 = 1;

/// A culture's traits in the order of the record. Those with `ln_` are natural logarithms; rates are those at 25 degC and a dose of
/// 25 mL/L.
///
/// | name | what |
/// | --- | --- |
/// | `ln_maintenance` | production of the full-grown culture, g/(L h) |
/// | `ln_growth_yield` | production that goes with growth from nothing to the ceiling, g/L |
/// | `ln_growth` | specific growth rate, 1/h |
/// | `ln_start` | culture when sealed, as a share of its ceiling |
/// | `ln_adapted` | Baranyi's adaptation when sealed |
/// | `ln_second` | second population's production when sealed, g/(L h) |
/// | `ln_second_growth` | its growth rate, 1/h |
/// | `ln_second_ceiling` | its highest production, g/(L h) |
/// | `coldest` | lowest temperature of growth, degC |
/// | `best` | best temperature, degC |
/// | `ln_product_inhibition` | CO2 made that halves the rates, g/L |
/// | `ln_pressure_inhibition` | gauge pressure that halves the rates, bar |
/// | `ln_ceiling` | alcohol at which it gives up, % vol |
/// | `ln_cold` | production at 4 degC beside that at 25 degC, apart from the temperature law |
pub const TRAITS: [&str; COUNT] = [
    "ln_maintenance",
    "ln_growth_yield",
    "ln_growth",
    "ln_start",
    "ln_adapted",
    "ln_second",
    "ln_second_growth",
    "ln_second_ceiling",
    "coldest",
    "best",
    "ln_product_inhibition",
    "ln_pressure_inhibition",
    "ln_ceiling",
    "ln_cold",
];

/// One trait as the batch left it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Trait {
    /// One of [`TRAITS`].
    pub name: String,
    /// Mean after the batch.
    pub mean: f64,
    /// What the batch was told against, the wide beliefs of any culture: mean.
    pub pooled_mean: f64,
    /// And standard deviation. It stands here so that a later change of those does not change what the batch taught.
    pub pooled_sd: f64,
}

/// What one finished or running batch taught about its culture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct Lesson {
    /// The culture.
    pub culture: CultureName,
    /// The batch.
    pub batch: BatchName,
    /// When it was sealed.
    pub bottled_at: Timestamp,
    /// Hours of it that were seen.
    pub hours: f64,
    /// Its dose of culture, mL/L; `None`: not known.
    pub dose_ml_per_l: Option<f64>,
    /// The traits, as [`TRAITS`] has them.
    pub traits: Vec<Trait>,
    /// Their covariance, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// How lively it was, for comparisons; `None`: nobody asked ([`crate::fit::liveliness`] takes long).
    pub liveliness: Option<Liveliness>,
}

/// As it stands in a file.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    record: String,
    schema: u32,
    culture: CultureName,
    batch: BatchName,
    bottled_at: Timestamp,
    hours: f64,
    dose_ml_per_l: Option<f64>,
    traits: Vec<Trait>,
    covariance: Vec<Vec<f64>>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    liveliness: Option<Liveliness>,
}

/// An entry of a culture's record that cannot be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{key}` is {given}; allowed: {allowed}")]
pub struct BadLesson {
    /// Path of the key.
    pub key: String,
    /// What stands there.
    pub given: String,
    /// What may stand there.
    pub allowed: String,
}

pub(super) fn bad<T>(
    key: impl Into<String>,
    given: impl ToString,
    allowed: impl Into<String>,
) -> Result<T, BadLesson> {
    Err(BadLesson {
        key: key.into(),
        given: crate::plain::line(&given.to_string(), 80),
        allowed: allowed.into(),
    })
}

impl TryFrom<Written> for Lesson {
    type Error = BadLesson;

    fn try_from(written: Written) -> Result<Self, BadLesson> {
        if written.record != "culture" {
            return bad("record", format!("`{}`", written.record), "`culture`");
        }
        if written.schema != SCHEMA {
            return bad("schema", written.schema, SCHEMA.to_string());
        }
        if !(written.hours >= 0.0 && written.hours <= 1e5) {
            return bad("hours", written.hours, "0 to 100000");
        }
        if let Some(dose) = written.dose_ml_per_l
            && !(dose > 0.0 && dose <= 1_000.0)
        {
            return bad("dose_ml_per_l", dose, "above 0 to 1000, or null");
        }
        traits(&written.traits)?;
        covariance(&written.covariance)?;
        if let Some(lively) = &written.liveliness {
            lively.sound()?;
        }
        Ok(Self {
            culture: written.culture,
            batch: written.batch,
            bottled_at: written.bottled_at,
            hours: written.hours,
            dose_ml_per_l: written.dose_ml_per_l,
            traits: written.traits,
            covariance: written.covariance,
            liveliness: written.liveliness,
        })
    }
}

fn traits(traits: &[Trait]) -> Result<(), BadLesson> {
    if traits.len() != COUNT {
        return bad(
            "traits",
            format!("{} long", traits.len()),
            format!("{COUNT} of them"),
        );
    }
    for (index, (given, name)) in traits.iter().zip(TRAITS).enumerate() {
        if given.name != name {
            return bad(
                format!("traits[{index}].name"),
                format!("`{}`", given.name),
                format!("`{name}`"),
            );
        }
        for (key, value) in [("mean", given.mean), ("pooled_mean", given.pooled_mean)] {
            if !(-100.0..=100.0).contains(&value) {
                return bad(format!("traits[{index}].{key}"), value, "-100 to 100");
            }
        }
        if !(1e-3..=100.0).contains(&given.pooled_sd) {
            return bad(
                format!("traits[{index}].pooled_sd"),
                given.pooled_sd,
                "0.001 to 100",
            );
        }
    }
    Ok(())
}

fn covariance(rows: &[Vec<f64>]) -> Result<(), BadLesson> {
    if rows.len() != COUNT {
        return bad(
            "covariance",
            format!("{} rows", rows.len()),
            format!("{COUNT} rows"),
        );
    }
    for (index, row) in rows.iter().enumerate() {
        if row.len() != COUNT {
            return bad(
                format!("covariance[{index}]"),
                format!("{} long", row.len()),
                format!("{COUNT} numbers"),
            );
        }
        for (column, value) in row.iter().enumerate() {
            let key = || format!("covariance[{index}][{column}]");
            if !value.is_finite() || value.abs() > 1e4 {
                return bad(key(), value, "a number within 10000");
            }
            let mirrored = rows.get(column).and_then(|other| other.get(index)).copied();
            if mirrored.is_none_or(|mirrored| (mirrored - value).abs() > 1e-6 * (1.0 + value.abs())) {
                return bad(
                    key(),
                    value,
                    format!("the same as `covariance[{column}][{index}]`"),
                );
            }
        }
    }
    let whole = nalgebra::DMatrix::from_fn(COUNT, COUNT, |i, j| rows[i][j]);
    if nalgebra::Cholesky::new(whole).is_none() {
        return bad("covariance", "not positive definite", "a covariance");
    }
    Ok(())
}

impl From<Lesson> for Written {
    fn from(lesson: Lesson) -> Self {
        Self {
            record: "culture".to_owned(),
            schema: SCHEMA,
            culture: lesson.culture,
            batch: lesson.batch,
            bottled_at: lesson.bottled_at,
            hours: lesson.hours,
            dose_ml_per_l: lesson.dose_ml_per_l,
            traits: lesson.traits,
            covariance: lesson.covariance,
            liveliness: lesson.liveliness,
        }
    }
}

impl Lesson {
    /// Why it does not inform `batch`, as the end of a sentence; `None` if it does: the same culture, bottled before.
    #[must_use]
    pub fn silent_for(&self, batch: &Batch) -> Option<String> {
        match &batch.culture {
            None => Some(format!("`{}` names no culture", batch.name)),
            Some(culture) if *culture != self.culture => {
                Some(format!("its culture is `{}`, not `{culture}`", self.culture))
            }
            Some(_) if self.bottled_at >= batch.bottled_at => Some(format!(
                "it was bottled {}, not before {}",
                self.bottled_at, batch.bottled_at
            )),
            Some(_) => None,
        }
    }
}
