//! What two honest words are worth where no sensor is: bottles opened half-way and near the target, on made-up batches.
//!
//! `cargo run --release -p fobwatch-core --example words -- 40 1` takes 40 drawn batches from seed 1 on.

use fobwatch_core::{
    batch::Batch,
    fit::{Evidence, Surroundings, Told, fit},
    forecast::Forecast,
    note::Liveliness,
    quantity::AbsolutePressure,
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::{SignedDuration, Timestamp};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let mut number = |otherwise| {
        let given = arguments.next().and_then(|a| a.parse::<u64>().ok());
        given.unwrap_or(otherwise)
    };
    let (batches, first) = (number(40), number(1));
    let (mut widths, mut without, mut with, mut held) = (Vec::new(), Vec::new(), Vec::new(), [0, 0]);
    for seed in first..first + batches {
        let played = Simulation::run(&Scenario::drawn(seed), seed);
        let Some((before, near)) = moments(&played) else {
            continue;
        };
        let bare = bare(&played);
        let mut told = bare.clone();
        for at in [before, near] {
            told.tell(at, Told::Tasted(honest(&played, at)));
        }
        let truth = content(&played, near);
        let ask = |evidence: &Evidence| -> Forecast { fit(evidence, near, None).answers(evidence, near).0 };
        let (plain, noted) = (ask(&bare), ask(&told));
        let ends = |forecast: &Forecast| (forecast.co2.p05.volumes(), forecast.co2.p95.volumes());
        for (count, forecast) in held.iter_mut().zip([&plain, &noted]) {
            let (low, high) = ends(forecast);
            *count += u32::from(low <= truth && truth <= high);
        }
        let width = |forecast: &Forecast| ends(forecast).1 - ends(forecast).0;
        widths.push(width(&noted) / width(&plain));
        without.push((plain.co2.p50.volumes() - truth).abs());
        with.push((noted.co2.p50.volumes() - truth).abs());
    }
    println!(
        "{} batches: the 90 % interval of the content is {:.2} times as wide at the median; median error {:.2} volumes without words, {:.2} \
         with two; the interval held {} without, {} with",
        widths.len(),
        median(&mut widths),
        median(&mut without),
        median(&mut with),
        held[0],
        held[1]
    );
}

/// Half and nine tenths of the way to the target, on the half hour.
fn moments(played: &Played) -> Option<(Timestamp, Timestamp)> {
    let sealed = bare(played).batch().bottled_at;
    let whole = played.truth.target_at()?.duration_since(sealed).as_secs_f64();
    let at = |part: f64| sealed + SignedDuration::from_secs_f64((part * whole / 1_800.0).round() * 1_800.0);
    Some((at(0.5), at(0.9)))
}

fn content(played: &Played, at: Timestamp) -> f64 {
    played.truth.at(at).map_or(0.0, |truth| truth.co2_volumes)
}

/// What an honest person says of a bottle opened at `at`.
fn honest(played: &Played, at: Timestamp) -> Liveliness {
    match content(played, at) / played.truth.target_volumes {
        share if share < 0.4 => Liveliness::Flat,
        share if share < 0.85 => Liveliness::Light,
        share if share < 1.15 => Liveliness::Right,
        share if share < 1.5 => Liveliness::Lively,
        _ => Liveliness::Gushing,
    }
}

fn bare(played: &Played) -> Evidence {
    let (batch, _) = Batch::from_toml(&played.batch_toml, "drawn").expect("the simulator writes batch files");
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    Evidence::new(batch, Surroundings { usual_ambient })
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
