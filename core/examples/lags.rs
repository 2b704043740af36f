//! How long a lag and what vigour `compare` tells of a batch, beside the simulator's own in the reference drink.
//!
//! `cargo run --release -p fobwatch-core --example lags -- 1 20` takes a week of three batches of each of the cultures 1 to 20.
#![expect(clippy::cast_precision_loss, reason = "a handful of batches")]

use fobwatch_core::{
    batch::Batch,
    fit::{Evidence, Surroundings, liveliness},
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::SignedDuration;

/// Production that makes a vigour of 1, volumes an hour (README).
const REFERENCE_PER_H: f64 = 0.033;

/// Batches of each culture.
const BATCHES: u64 = 3;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |otherwise: u64| arguments.next().and_then(|a| a.parse().ok()).unwrap_or(otherwise);
    let (first, last) = (number(1), number(20));
    let mut told: Vec<(f64, f64)> = Vec::new();
    let mut vigours: Vec<(f64, f64)> = Vec::new();
    for culture in first..=last {
        for turn in 0..BATCHES {
            // No seed above 40: those judge.
            let seed = (culture + 13 * turn) % 40 + 1;
            let scenario = Scenario::drawn_of_culture(culture, seed);
            let played = Simulation::run(&scenario, seed);
            let Some(lively) = liveliness(
                &heard(&played),
                scenario.bottled_at + SignedDuration::from_hours(168),
            ) else {
                continue;
            };
            told.push((
                lively.ln_lag_h.mean - scenario.vigour().lag_h.ln(),
                lively.ln_lag_h.sd,
            ));
            vigours.push((
                lively.ln_vigour.mean - (scenario.vigour().volumes_per_h / REFERENCE_PER_H).ln(),
                lively.ln_vigour.sd,
            ));
        }
    }
    tell("lag", &told);
    tell("vigour", &vigours);
}

fn tell(what: &str, told: &[(f64, f64)]) {
    let count = told.len() as f64;
    let mean = told.iter().map(|(off, _)| off).sum::<f64>() / count;
    let square = told.iter().map(|(off, _)| off * off).sum::<f64>() / count;
    let sd = told.iter().map(|(_, sd)| sd).sum::<f64>() / count;
    let holds = told.iter().filter(|(off, sd)| off.abs() <= 1.645 * sd).count();
    println!(
        "ln of told to true {what}: {mean:+.2} on the mean, errs by {:.2}, told with {sd:.2}; nine in ten holds {holds} of {}",
        square.sqrt(),
        told.len()
    );
}

fn heard(played: &Played) -> Evidence {
    let (batch, _) = Batch::from_toml(&played.batch_toml, "drawn").expect("the simulator writes batch files");
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    let end = played.scenario.bottled_at + SignedDuration::from_hours(168);
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient });
    for row in played.readings.iter().filter(|row| row.arrival <= end) {
        let unit = row.unit.symbol().parse().expect("a unit of the surface");
        let quantity = row.quantity.name().parse().expect("a quantity of the surface");
        if let Ok(measured) = Measured::new(quantity, row.value, unit) {
            evidence.observe(row.at, measured.into());
        }
    }
    evidence
}
