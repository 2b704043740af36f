//! How good the forecasts are, on made-up batches of the simulator that no tuning used.
//!
//! `cargo run --release -p fobwatch-core --example study -- 40 1001` plays 40 drawn batches from seed 1001 on and prints
//! the errors: content now every 6 h, the target's time 24, 12 and 6 h ahead, and the content after obeying the first advice
//! to move; a third word (`gravity`, `both`, `temperature`) changes the sensors. Missing answers count as errors (four lead times).
#![expect(
    clippy::disallowed_methods,
    reason = "a study takes its own time; core does not"
)]

use std::time::Instant;

use fobwatch_core::{
    batch::Batch,
    fit::{Evidence, Surroundings, fit},
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |otherwise| {
        let given = arguments.next().and_then(|a| a.parse::<u64>().ok());
        given.unwrap_or(otherwise)
    };
    let (count, first) = (number(12), number(1001));
    let drawn: fn(u64) -> Scenario = match arguments.next().as_deref() {
        Some("gravity") => Scenario::drawn_with_float,
        Some("both") => Scenario::drawn_with_both,
        Some("temperature") => Scenario::drawn_with_temperature_alone,
        _ => Scenario::drawn,
    };
    let mut content = Errors::default();
    let mut ahead = [Errors::default(), Errors::default(), Errors::default()];
    let mut moves = Vec::new();
    let mut fits = Vec::new();
    for seed in first..first + count {
        let played = Simulation::run(&drawn(seed), seed);
        study(&played, &mut content, &mut ahead, &mut moves, &mut fits);
        eprintln!("{} of {count}", seed - first + 1);
    }
    println!("content now, volumes: {content}");
    for (errors, hours) in ahead.iter().zip([24, 12, 6]) {
        println!("target {hours} h ahead, h: {errors}");
    }
    moves.sort_by(f64::total_cmp);
    let absolute = Errors {
        values: moves.iter().map(|m: &f64| m.abs()).collect(),
        held: [0; 3],
    };
    println!(
        "content after the advised move minus target: median {:.3}; absolute {absolute}",
        middle(&moves, 0.5)
    );
    fits.sort_by(f64::total_cmp);
    println!(
        "fit with answers, ms: median {:.0}, highest {:.0}",
        middle(&fits, 0.5),
        middle(&fits, 1.0)
    );
}

#[derive(Default)]
struct Errors {
    values: Vec<f64>,
    /// Truth below the 5 % point, within, above the 95 % point.
    held: [u32; 3],
}

impl std::fmt::Display for Errors {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut sorted = self.values.clone();
        sorted.sort_by(f64::total_cmp);
        write!(
            f,
            "n {} median {:.3} p90 {:.3}; below/within/above the 90 % interval {:?}",
            sorted.len(),
            middle(&sorted, 0.5),
            middle(&sorted, 0.9),
            self.held
        )
    }
}

fn middle(sorted: &[f64], share: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    let index = (0..sorted.len())
        .find(|i| *i as f64 >= share * last as f64)
        .unwrap_or(last);
    sorted.get(index).copied().unwrap_or(f64::NAN)
}

impl Errors {
    fn add(&mut self, truth: f64, [low, median, high]: [f64; 3], missing: f64) {
        self.values.push(if median.is_finite() {
            (median - truth).abs()
        } else {
            missing
        });
        self.held[if truth < low {
            0
        } else if truth > high {
            2
        } else {
            1
        }] += 1;
    }
}

fn study(
    played: &Played,
    content: &mut Errors,
    ahead: &mut [Errors; 3],
    moves: &mut Vec<f64>,
    fits: &mut Vec<f64>,
) {
    let (batch, _) = Batch::from_toml(&played.batch_toml, "drawn").expect("the simulator writes batch files");
    let sealed = batch.bottled_at;
    let usual = AbsolutePressure::STANDARD_ATMOSPHERE;
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient: usual });
    let Some(target) = played.truth.target_at() else {
        return;
    };
    let mut rows = played.readings.iter().peekable();
    let mut warm = None;
    let mut moved = false;
    let mut at = sealed;
    let end = target + SignedDuration::from_hours(6);
    let asked: Vec<Timestamp> = [24, 12, 6]
        .map(|h| target - SignedDuration::from_hours(h))
        .to_vec();
    let mut passes = 0;
    while at <= end {
        at += SignedDuration::from_mins(30);
        while let Some(row) = rows.peek().filter(|row| row.arrival <= at) {
            let unit = row.unit.symbol().parse().expect("a unit of the surface");
            let quantity = row.quantity.name().parse().expect("a quantity of the surface");
            if let Ok(measured) = Measured::new(quantity, row.value, unit) {
                evidence.observe(row.at, measured.into());
            }
            rows.next();
        }
        let hours = at.duration_since(sealed).as_secs() / 1_800;
        let of_interest = asked
            .iter()
            .position(|a| *a <= at && at.duration_since(*a) < SignedDuration::from_mins(30));
        if hours % 12 != 0 && of_interest.is_none() && at < target - SignedDuration::from_hours(8) {
            continue;
        }
        let started = Instant::now();
        let posterior = std::sync::Arc::new(fit(&evidence, at, warm.as_ref()));
        let (forecast, outlook) = posterior.answers(&evidence, at);
        fits.push(started.elapsed().as_secs_f64() * 1e3);
        warm = Some(posterior);
        if let Some(truth) = played.truth.at(at) {
            let q = &forecast.co2;
            content.add(
                truth.co2_volumes,
                [q.p05.volumes(), q.p50.volumes(), q.p95.volumes()],
                9.0,
            );
        }
        if let (Some(lead), true) = (of_interest, at < target) {
            let hour = |t: Option<Timestamp>| {
                t.map_or(f64::INFINITY, |t| {
                    t.duration_since(sealed).as_secs_f64() / 3_600.0
                })
            };
            let w = forecast.target_at;
            let q = w.map_or([f64::INFINITY; 3], |w| [hour(w.p05), hour(w.p50), hour(w.p95)]);
            ahead[lead].add(hour(Some(target)), q, 4.0 * [24.0, 12.0, 6.0][lead]);
        }
        passes = if outlook.after_move_now.p50 >= evidence.batch().target.co2 {
            passes + 1
        } else {
            0
        };
        if passes == 2 && !moved {
            moved = true;
            if let Some(ends) = played.content_after_move(at) {
                moves.push(ends - played.truth.target_volumes);
            }
        }
    }
    if !moved && let Some(ends) = played.content_after_move(target + SignedDuration::from_hours(24)) {
        moves.push(ends - played.truth.target_volumes);
    }
}
