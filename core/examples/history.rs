//! What a culture's earlier batches are worth, and whether vigour is told right, on made-up batches of the simulator.
//!
//! `cargo run --release -p fobwatch-core --example history -- 12 1` plays six batches of each of 12 cultures from seed 1 on: lessons
//! from five, then the sixth before any sign of pressure with and without them, each in turn; and each batch's vigour after a week beside the truth.
#![expect(clippy::cast_precision_loss, reason = "a handful of batches")]

use fobwatch_core::{
    batch::Batch,
    culture::{Lesson, TRAITS},
    fit::{Evidence, Surroundings, fit, lesson, liveliness},
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

const BATCHES: u64 = 6;

/// Numbers of lessons that are tried.
const COUNTS: [usize; 4] = [0, 1, 2, 5];

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |otherwise| {
        let given = arguments.next().and_then(|a| a.parse::<u64>().ok());
        given.unwrap_or(otherwise)
    };
    let (cultures, first, sampled) = (number(12), number(1), number(1));
    let mut lessons: Vec<Vec<Lesson>> = Vec::new();
    let mut table = Vec::new();
    let (mut vigours, mut lags) = (Vec::new(), Vec::new());
    for culture in first..first + cultures {
        let mut learned = Vec::new();
        let mut played = Vec::new();
        for turn in 0..BATCHES {
            let seed = culture + turn * 7;
            let mut scenario = Scenario::drawn_of_culture(culture, seed);
            scenario.bottled_at += SignedDuration::from_hours(24 * 14 * i64::try_from(turn).unwrap_or(0));
            scenario.name = format!("hibiscus {turn}");
            let batch = Simulation::run(&scenario, seed);
            let end = scenario.bottled_at + SignedDuration::from_hours(168);
            let evidence = heard(&batch, end);
            learned.extend(lesson(&evidence, end));
            if sampled > 0 {
                let Some(lively) = liveliness(&evidence, end) else {
                    continue;
                };
                let truth = scenario.vigour();
                vigours.push((
                    culture,
                    truth.volumes_per_h / 0.033,
                    lively.ln_vigour.points().map(f64::exp),
                ));
                lags.push((culture, truth.lag_h, lively.ln_lag_h.points().map(f64::exp)));
                println!(
                    "culture {culture} batch {turn}: vigour {:.2?}; lag {:.1?}; dose {} N {:.0} {:.0} degC sugar {}",
                    vigours.last(),
                    lags.last(),
                    scenario.drink.culture_ml_per_l,
                    scenario.drink.nitrogen_mg_per_l,
                    scenario.room.mean_c,
                    scenario.drink.sucrose_g_per_l,
                );
            }
            played.push((scenario, batch));
        }
        // Each batch in turn is the next one: the others count as earlier, two weeks apart.
        for (turn, (scenario, batch)) in played.iter().enumerate() {
            let Some(target) = batch.truth.target_at() else {
                continue;
            };
            let others: Vec<Lesson> = (1..)
                .zip(learned.iter().enumerate().filter(|(other, _)| *other != turn))
                .map(|(age, (_, lesson))| Lesson {
                    bottled_at: scenario.bottled_at - SignedDuration::from_hours(24 * 14 * age),
                    ..lesson.clone()
                })
                .collect();
            let at = scenario.bottled_at + SignedDuration::from_hours(2);
            let plain = heard(batch, at);
            for count in COUNTS {
                let taught = plain.clone().with_history(&others[..count]);
                let (forecast, _) = fit(&taught, at, None).answers(&taught, at);
                let hours = |at: Option<Timestamp>| {
                    at.map_or(f64::INFINITY, |at| {
                        at.duration_since(scenario.bottled_at).as_secs_f64() / 3_600.0
                    })
                };
                let when = forecast.target_at.map_or([f64::INFINITY; 3], |when| {
                    [hours(when.p05), hours(when.p50), hours(when.p95)]
                });
                let truth = hours(Some(target));
                table.push((count, truth, when));
                println!("culture {culture}: {count} lessons, target {truth:.0} h, told {when:.0?}");
            }
        }
        lessons.push(learned);
    }
    for count in COUNTS {
        let rows: Vec<_> = table.iter().filter(|row| row.0 == count).collect();
        let mut errors: Vec<f64> = rows.iter().map(|row| (row.2[1] - row.1).abs()).collect();
        let mut logs: Vec<f64> = rows.iter().map(|row| (row.2[1] / row.1).ln()).collect();
        errors.sort_by(f64::total_cmp);
        logs.sort_by(f64::total_cmp);
        let inside = rows
            .iter()
            .filter(|row| row.2[0] <= row.1 && row.1 <= row.2[2])
            .count();
        println!(
            "{count} lessons: median error {:.1} h, mean {:.1} h, median log ratio {:.2}, interval holds {inside} of {}",
            errors[errors.len() / 2],
            errors.iter().sum::<f64>() / errors.len() as f64,
            logs[logs.len() / 2],
            rows.len()
        );
    }
    told("vigour", &vigours);
    told("lag", &lags);
    spreads(&lessons);
}

/// How a figure of the culture was told: its errors, how often the interval holds, how the cultures rank by their mean.
fn told(name: &str, rows: &[(u64, f64, [f64; 3])]) {
    if rows.is_empty() {
        return;
    }
    let mut logs: Vec<f64> = rows
        .iter()
        .map(|(_, truth, told)| (told[1] / truth).ln())
        .collect();
    logs.sort_by(f64::total_cmp);
    let mean = logs.iter().sum::<f64>() / logs.len() as f64;
    let spread = logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / logs.len() as f64;
    let count = |wanted: fn(&(u64, f64, [f64; 3])) -> bool| rows.iter().filter(|row| wanted(row)).count();
    let (below, above) = (
        count(|(_, truth, told)| *truth < told[0]),
        count(|(_, truth, told)| *truth > told[2]),
    );
    let width: f64 = rows
        .iter()
        .map(|(.., told)| (told[2] / told[0]).ln())
        .sum::<f64>()
        / logs.len() as f64;
    println!(
        "{name}: log ratio {mean:+.2} +- {:.2}, truth below {below} above {above} of {}, mean log width {width:.2}",
        spread.sqrt(),
        rows.len()
    );
    let mut cultures: Vec<(f64, f64)> = Vec::new();
    for rows in rows.chunk_by(|a, b| a.0 == b.0) {
        let of =
            |value: fn(&(u64, f64, [f64; 3])) -> f64| rows.iter().map(value).sum::<f64>() / rows.len() as f64;
        cultures.push((of(|r| r.1), of(|r| r.2[1].ln()).exp()));
    }
    let (mut agree, mut pairs) = (0, 0);
    for (i, a) in cultures.iter().enumerate() {
        for b in &cultures[..i] {
            pairs += 1;
            agree += i32::from((a.0 < b.0) == (a.1 < b.1));
        }
    }
    println!("{name}: cultures {cultures:.2?}");
    println!(
        "{name}: {agree} of {pairs} pairs of cultures in order (Kendall {:.2})",
        2.0 * f64::from(agree) / f64::from(pairs) - 1.0
    );
}

/// Spread of the lessons' means within and between cultures, in the pool's standard deviations, and how sure they are.
fn spreads(lessons: &[Vec<Lesson>]) {
    for (place, name) in TRAITS.iter().enumerate() {
        let scaled = |lesson: &Lesson| {
            let t = &lesson.traits[place];
            (t.mean - t.pooled_mean) / t.pooled_sd
        };
        let sure: Vec<f64> = lessons
            .iter()
            .flatten()
            .map(|l| l.covariance[place][place].sqrt() / l.traits[place].pooled_sd)
            .collect();
        let means: Vec<f64> = lessons
            .iter()
            .map(|l| l.iter().map(scaled).sum::<f64>() / l.len() as f64)
            .collect();
        let within: f64 = lessons
            .iter()
            .zip(&means)
            .flat_map(|(l, mean)| l.iter().map(move |l| (scaled(l) - mean).powi(2)))
            .sum::<f64>()
            / (lessons.len() as f64 * 4.0);
        let middle = means.iter().sum::<f64>() / means.len() as f64;
        let between =
            means.iter().map(|m| (m - middle).powi(2)).sum::<f64>() / (means.len() as f64 - 1.0).max(1.0);
        println!(
            "{name:24} mean {middle:+.2}, between {:.2}, within {:.2}, posterior sd {:.2}",
            between.sqrt(),
            within.sqrt(),
            sure.iter().sum::<f64>() / sure.len() as f64
        );
    }
}

fn heard(played: &Played, until: Timestamp) -> Evidence {
    let (batch, _) = Batch::from_toml(&played.batch_toml, "drawn").expect("the simulator writes batch files");
    let usual = AbsolutePressure::STANDARD_ATMOSPHERE;
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient: usual });
    for row in played.readings.iter().filter(|row| row.arrival <= until) {
        let unit = row.unit.symbol().parse().expect("a unit of the surface");
        let quantity = row.quantity.name().parse().expect("a quantity of the surface");
        if let Ok(measured) = Measured::new(quantity, row.value, unit) {
            evidence.observe(row.at, measured.into());
        }
    }
    evidence
}
