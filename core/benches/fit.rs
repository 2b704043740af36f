//! What does one turn of the fit cost? Budget: a tenth of a second on a small board's core for a batch of five days, since a
//! thousand such batches ask for one every half hour.
//!
//! `cargo bench -p fobwatch-core --bench fit`: the simulator's plain batch with a reading every five minutes, fitted at every
//! grid point up to the one measured; then that one again from the fit half an hour before it (`step`), from nothing (`cold`), and
//! its answers alone.

use std::sync::Arc;

use divan::Bencher;
use fobwatch_core::{
    batch::Batch,
    fit::{Evidence, Observed, Posterior, Surroundings, fit},
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

fn main() {
    divan::main();
}

/// After a day the turn also looks whether the vessel is tight, an hour later it does not.
const TURNS: [i64; 4] = [24, 25, 120, 121];

/// The evidence after `hours`, when that was, and the fit half an hour before.
fn at_hour(hours: i64) -> (Evidence, Timestamp, Arc<Posterior>) {
    let scenario = Scenario::shipped("plain").expect("shipped");
    let played = Simulation::run(&scenario, 1);
    let (batch, _) = Batch::from_toml(&played.batch_toml, "plain").expect("the simulator writes batch files");
    let sealed = batch.bottled_at;
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient });
    let mut rows = played.readings.iter().peekable();
    let mut warm: Option<Arc<Posterior>> = None;
    for step in 1..=2 * hours {
        let at = sealed + SignedDuration::from_mins(30 * step);
        while let Some(row) = rows.next_if(|row| row.arrival <= at) {
            let unit = row.unit.symbol().parse().expect("a unit of the surface");
            let quantity = row.quantity.name().parse().expect("a quantity of the surface");
            if let Ok(measured) = Measured::new(quantity, row.value, unit) {
                evidence.observe(row.at, Observed::from(measured));
            }
        }
        if step < 2 * hours {
            warm = Some(Arc::new(fit(&evidence, at, warm.as_ref())));
        }
    }
    let warm = warm.expect("at least one hour");
    (evidence, sealed + SignedDuration::from_hours(hours), warm)
}

#[divan::bench(args = TURNS, sample_count = 10, sample_size = 1)]
fn step(bencher: Bencher<'_, '_>, hours: i64) {
    let (evidence, at, warm) = at_hour(hours);
    bencher.bench(|| fit(&evidence, at, Some(&warm)));
}

#[divan::bench(args = [24, 120], sample_count = 5, sample_size = 1)]
fn cold(bencher: Bencher<'_, '_>, hours: i64) {
    let (evidence, at, _) = at_hour(hours);
    bencher.bench(|| fit(&evidence, at, None));
}

#[divan::bench(args = [24, 120], sample_count = 10, sample_size = 1)]
fn answers(bencher: Bencher<'_, '_>, hours: i64) {
    let (evidence, at, warm) = at_hour(hours);
    let posterior = fit(&evidence, at, Some(&warm));
    bencher.bench(|| posterior.answers(&evidence, at));
}
