//! What a culture's earlier batches are worth, and whether vigour is told right, on made-up batches of the simulator.
//!
//! `cargo run --release -p fobwatch-core --example history -- 12 1` plays six batches of each of 12 cultures from seed 1 on: lessons
//! from five, then the sixth before any sign of pressure with and without them; and each batch's vigour after a week beside the truth.
#![expect(clippy::cast_precision_loss, reason = "a handful of batches")]

use fobwatch_core::{
    batch::Batch,
    culture::{Lesson, TRAITS},
    fit::{Evidence, Surroundings, fit, lesson},
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

const BATCHES: u64 = 6;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |otherwise| {
        let given = arguments.next().and_then(|a| a.parse::<u64>().ok());
        given.unwrap_or(otherwise)
    };
    let (cultures, first, sampled) = (number(12), number(1), number(1));
    let mut lessons: Vec<Vec<Lesson>> = Vec::new();
    let mut table = Vec::new();
    let (mut held, mut held_lag, mut asked) = (0, 0, 0);
    for culture in first..first + cultures {
        let mut learned = Vec::new();
        for turn in 0..BATCHES {
            let seed = culture + turn * 7;
            let mut scenario = Scenario::drawn_of_culture(culture, seed);
            let apart = SignedDuration::from_hours(24 * 14 * i64::try_from(turn).unwrap_or(0));
            scenario.bottled_at += apart;
            scenario.name = format!("hibiscus {turn}");
            let played = Simulation::run(&scenario, seed);
            if turn + 1 < BATCHES {
                let end = scenario.bottled_at + SignedDuration::from_hours(168);
                let evidence = heard(&played, end);
                learned.extend(lesson(&evidence, end));
                if sampled > 0 {
                    let (forecast, _) = fit(&evidence, end, None).answers(&evidence, end);
                    let (truth, lag) = (scenario.vigour().volumes_per_h / 0.033, scenario.vigour().lag_h);
                    let within = |low: f64, high: f64, truth: f64| u32::from(low <= truth && truth <= high);
                    held += within(forecast.vigour.p05.ratio(), forecast.vigour.p95.ratio(), truth);
                    held_lag += within(forecast.lag.p05.0, forecast.lag.p95.0, lag);
                    asked += 1;
                    println!(
                        "culture {culture} batch {turn}: vigour {truth:.2} told {:.2} {:.2} {:.2}; lag {lag:.1} told {:.1} {:.1} {:.1}; dose {} N {:.0}",
                        forecast.vigour.p05.ratio(),
                        forecast.vigour.p50.ratio(),
                        forecast.vigour.p95.ratio(),
                        forecast.lag.p05.0,
                        forecast.lag.p50.0,
                        forecast.lag.p95.0,
                        scenario.drink.culture_ml_per_l,
                        scenario.drink.nitrogen_mg_per_l,
                    );
                }
            } else if let Some(target) = played.truth.target_at() {
                let at = scenario.bottled_at + SignedDuration::from_hours(2);
                let plain = heard(&played, at);
                for count in [0, 1, 2, 5] {
                    let taught = plain.clone().with_history(&learned[5 - count..]);
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
                    println!(
                        "culture {culture}: {count} lessons, target {truth:.0} h, told {:.0} {:.0} {:.0}",
                        when[0], when[1], when[2]
                    );
                }
            }
        }
        lessons.push(learned);
    }
    for count in [0, 1, 2, 5] {
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
    println!("vigour holds {held}, lag holds {held_lag} of {asked}");
    spreads(&lessons);
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
