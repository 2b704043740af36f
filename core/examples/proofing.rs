//! What a proof is worth: a small plastic bottle of fed starter under the gauge for some hours, before any glass is filled.
//!
//! `cargo run --release -p fobwatch-core --example proofing -- 20 1 10 100` proofs each of 20 cultures of the simulator from seed 1 on for 10 h
//! at a dose of 100 mL/L, and then asks what is expected of the culture's next batch, without any reading of it, with the proof
//! and without, beside the truth.
#![expect(clippy::cast_precision_loss, reason = "a handful of cultures")]

use fobwatch_core::{
    batch::Batch,
    culture::Lesson,
    fit::{Evidence, Surroundings, fit, lesson, liveliness},
    forecast::Forecast,
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Material, Played, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

/// How one figure of a batch was told, with its truth.
struct Told {
    truth: f64,
    plain: [f64; 3],
    proofed: [f64; 3],
}

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |otherwise| {
        let given = arguments.next().and_then(|a| a.parse::<i64>().ok());
        given.unwrap_or(otherwise)
    };
    let (cultures, first, hours, dose) = (number(20), number(1), number(10), number(100));
    let (mut vigours, mut targets, mut at_once) = (Vec::new(), Vec::new(), Vec::new());
    for culture in first..first + cultures {
        let seed = u64::try_from(culture).unwrap_or(1);
        let (scenario, batch) = next_batch(seed);
        let Some(lesson) = proof(seed, hours, dose as f64, scenario.bottled_at) else {
            println!("culture {culture}: nothing was measured");
            continue;
        };
        at_once.extend(lesson.liveliness.as_ref().map(|lively| {
            let truth = scenario.vigour().volumes_per_h / 0.033;
            (truth, lively.ln_vigour.points().map(f64::exp))
        }));
        let ask = |lessons: &[Lesson]| {
            let evidence = bare(&batch).with_history(lessons);
            fit(&evidence, scenario.bottled_at, None)
                .answers(&evidence, scenario.bottled_at)
                .0
        };
        let (plain, proofed) = (ask(&[]), ask(&[lesson]));
        let vigour = |forecast: &Forecast| {
            let vigour = forecast.vigour;
            [vigour.p05, vigour.p50, vigour.p95].map(|v| v.ratio())
        };
        vigours.push(Told {
            truth: scenario.vigour().volumes_per_h / 0.033,
            plain: vigour(&plain),
            proofed: vigour(&proofed),
        });
        let after = |at: Option<Timestamp>| {
            at.map_or(1_440.0, |at| {
                at.duration_since(scenario.bottled_at).as_secs_f64() / 3_600.0
            })
        };
        let target = |forecast: &Forecast| {
            forecast.target_at.map_or([1_440.0; 3], |when| {
                [after(when.p05), after(when.p50), after(when.p95)]
            })
        };
        if let Some(truth) = batch.truth.target_at() {
            targets.push(Told {
                truth: after(Some(truth)),
                plain: target(&plain),
                proofed: target(&proofed),
            });
        }
        if let Some(last) = vigours.last() {
            println!(
                "culture {culture}: vigour {:.2}, told {:.2?} without, {:.2?} with",
                last.truth, last.plain, last.proofed
            );
        }
    }
    told("vigour", &vigours);
    line("vigour, as the proof itself is told", &at_once);
    told("hours to the target", &targets);
}

fn told(name: &str, rows: &[Told]) {
    for (with, pick) in [
        ("without the proof", (|row| row.plain) as fn(&Told) -> [f64; 3]),
        ("with it", |row| row.proofed),
    ] {
        let rows: Vec<_> = rows.iter().map(|row| (row.truth, pick(row))).collect();
        line(&format!("{name}, {with}"), &rows);
    }
}

/// A truth, and lowest, middle and highest of what was told.
type Row = (f64, [f64; 3]);

fn line(name: &str, rows: &[Row]) {
    let count = rows.len() as f64;
    let mean = |of: &dyn Fn(&Row) -> f64| rows.iter().map(of).sum::<f64>() / count;
    let off = |(truth, told): &Row| (told[1] / truth).ln();
    let middle = mean(&off);
    let spread = mean(&|row| (off(row) - middle).powi(2)).sqrt();
    let width = mean(&|(_, told)| (told[2] / told[0]).ln());
    let below = rows.iter().filter(|(truth, told)| *truth < told[0]).count();
    let above = rows.iter().filter(|(truth, told)| *truth > told[2]).count();
    println!(
        "{name}: ln of told to true {middle:+.2} +- {spread:.2}; mean ln width {width:.2}; truth below {below}, above {above} of {}",
        rows.len()
    );
}

/// The batch that the proof is made for.
fn next_batch(culture: u64) -> (Scenario, Played) {
    let seed = (culture + 6) % 40 + 1;
    let scenario = Scenario::drawn_of_culture(culture, seed);
    let played = Simulation::run(&scenario, seed);
    (scenario, played)
}

/// A quarter of a litre of sugar water and starter in a plastic bottle, on the day before.
fn proof(culture: u64, hours: i64, dose: f64, next: Timestamp) -> Option<Lesson> {
    let seed = (culture + 13) % 40 + 1;
    let mut scenario = Scenario::drawn_of_culture(culture, seed);
    scenario.name = format!("proof of jar {culture}");
    scenario.bottled_at = next - SignedDuration::from_hours(24);
    scenario.drink.culture_ml_per_l = dose;
    scenario.drink.sucrose_g_per_l = 60.0;
    scenario.drink.lactose_g_per_l = 0.0;
    scenario.pilot = None;
    scenario.bottle.material = Material::Pet;
    scenario.bottle.capacity_ml = 250.0;
    scenario.bottle.fill_ml = 240.0;
    scenario.bottle.fill_tolerance_ml = 2.5;
    scenario.bottle.count = 1;
    let played = Simulation::run(&scenario, seed);
    let end = scenario.bottled_at + SignedDuration::from_hours(hours);
    let evidence = heard(&played, end);
    Some(Lesson {
        liveliness: liveliness(&evidence, end),
        ..lesson(&evidence, end)?
    })
}

fn bare(played: &Played) -> Evidence {
    let (batch, _) = Batch::from_toml(&played.batch_toml, "drawn").expect("the simulator writes batch files");
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    Evidence::new(batch, Surroundings { usual_ambient })
}

fn heard(played: &Played, until: Timestamp) -> Evidence {
    let mut evidence = bare(played);
    for row in played.readings.iter().filter(|row| row.arrival <= until) {
        let unit = row.unit.symbol().parse().expect("a unit of the surface");
        let quantity = row.quantity.name().parse().expect("a quantity of the surface");
        if let Ok(measured) = Measured::new(quantity, row.value, unit) {
            evidence.observe(row.at, measured.into());
        }
    }
    evidence
}
