//! Cultures on one footing: what their traits come to in the reference drink at 20 degC.

use super::{
    Evidence, Surroundings, ahead,
    course::Problem,
    prior::{ALL, Parameters, pool},
    random::Random,
};
use crate::{
    batch::Batch,
    culture::{Expectation, Lesson},
    forecast::Hours,
    quantity::{AbsolutePressure, AlcoholByVolume, Vigour},
};

/// Draws that stand for a distribution of traits.
const DRAWS: u64 = 256;

/// A record's covariance is the curvature at its maximum, and looks surer than it is: found on drawn cultures (tuning seeds).
const WIDER: f64 = 1.4;

/// The reference drink. Nobody fills it, so what it needs for a batch file beside the drink says nothing.
const REFERENCE: &str = r#"
name = "reference drink"
bottled_at = "2000-01-01T00:00:00Z"
[drink]
sucrose_g_per_l = 80.0
hexose_g_per_l = 0.0
culture_ml_per_l = 25.0
[bottle]
material = "glass"
capacity_ml = 500
fill_ml = 475
pressure_limit_bar = 4.0
[target]
co2_volumes = 2.8
fridge_c = 4.0
"#;

/// One equally likely culture in the reference drink at 20 degC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Footing {
    /// Highest production there beside that of the reference culture.
    pub vigour: Vigour,
    /// Hours to the tangent at that highest rate.
    pub lag: Hours,
    /// Alcohol at which it gives up.
    pub ceiling: AlcoholByVolume,
}

/// Draws of what one batch says of its culture's vigour, lag and ceiling, it alone. The same record gives the same draws. Empty for a
/// record that is no distribution.
#[must_use]
pub fn footing_of_batch(lesson: &Lesson) -> Vec<Footing> {
    let traits = Expectation {
        batches: 1,
        mean: lesson.traits.iter().map(|t| t.mean).collect(),
        covariance: lesson
            .covariance
            .iter()
            .map(|row| row.iter().map(|entry| entry * WIDER).collect())
            .collect(),
    };
    drawn(traits, &format!("{} {}", lesson.batch, lesson.bottled_at))
}

/// Draws of what all batches of a culture say of it, as its next batch is expected on the day of the last one. Lessons of other
/// cultures than the first one's are left out; empty without any.
#[must_use]
pub fn footing_of_culture(lessons: &[Lesson]) -> Vec<Footing> {
    let Some(culture) = lessons.first().map(|lesson| lesson.culture.clone()) else {
        return Vec::new();
    };
    let own: Vec<Lesson> = lessons
        .iter()
        .filter(|lesson| lesson.culture == culture)
        .cloned()
        .collect();
    let last = own.iter().map(|lesson| lesson.bottled_at).max();
    last.and_then(|last| Expectation::of_culture(&own, last, &pool()))
        .map_or_else(Vec::new, |traits| drawn(traits, culture.as_str()))
}

fn drawn(traits: Expectation, name: &str) -> Vec<Footing> {
    let Ok((batch, _)) = Batch::from_toml(REFERENCE, "reference drink") else {
        return Vec::new();
    };
    let Ok(usual_ambient) = AbsolutePressure::from_bar(1.013_25) else {
        return Vec::new();
    };
    let evidence = Evidence::new(batch, Surroundings { usual_ambient }).expecting(traits);
    let problem = Problem::new(&evidence, 0.0);
    if problem.frame.known.taught.is_none() {
        return Vec::new();
    }
    let reference = problem.frame.reference();
    let seed = Random::seed_of(name.as_bytes());
    (0..DRAWS)
        .filter_map(|draw| {
            let mut random = Random::of(&[seed, draw, 4]);
            let z: Vec<f64> = (0..problem.size().max(ALL)).map(|_| random.normal()).collect();
            let (vigour, lag) = ahead::in_reference_drink(&reference, &problem, &z);
            let ceiling = Parameters::of(&z, &problem.frame.known).ceiling;
            Some(Footing {
                vigour: Vigour::from_ratio(vigour.clamp(0.0, 1_000.0)).ok()?,
                lag: Hours(if lag.is_finite() { lag } else { 0.0 }),
                ceiling: AlcoholByVolume::from_percent(ceiling.clamp(0.0, 100.0)).ok()?,
            })
        })
        .collect()
}
