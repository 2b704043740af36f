//! What does one reading cost the engine, beside the fit? Budget: under 100 microseconds on a small board's core, and no more
//! for the 4,000th reading of a batch than for its 400th, nor, with one in 5 seconds, for the 100,000th than for the first.
//!
//! `cargo bench -p fobwatch-core --bench engine`: the simulator's plain batch, driven up to the reading that is measured, each
//! fit answered by the batch file alone; then one reading (`reading`) and one grid point without its fit (`evaluation`). And the same
//! batch played for 30 days through the whole engine, every fit run (`replay_of_30_days`): within the time of a coffee.

use std::sync::Arc;

use divan::{Bencher, counter::ItemsCount};
use fobwatch_core::{
    alert::Units,
    batch::Batch,
    engine::{Action, ClockSource, Event, FitRequest, Fitted, Monitor, Rules, Settings, drive},
    fit::{Evidence, Posterior, Surroundings, fit},
    forecast::{Forecast, Outlook},
    quantity::AbsolutePressure,
    reading::{Measured, Reading, Source},
};
use fobwatch_simulator::{Played, Scenario, Simulation};
use jiff::tz::TimeZone;

fn main() {
    divan::main();
}

/// One answer for every fit: that of the batch file alone.
struct Answer(Arc<Posterior>, Forecast, Outlook);

impl Answer {
    fn to(&self, request: &FitRequest) -> Fitted {
        Fitted {
            of: request.of,
            at: request.at,
            posterior: Arc::clone(&self.0),
            forecast: self.1.clone(),
            outlook: self.2.clone(),
        }
    }
}

fn readings(played: &Played) -> impl Iterator<Item = Reading> + '_ {
    played.readings.iter().filter_map(|row| {
        let unit = row.unit.symbol().parse().expect("a unit of the surface");
        let quantity = row.quantity.name().parse().expect("a quantity of the surface");
        Some(Reading {
            at: row.at,
            source: Source::new(&row.source).expect("a name"),
            measured: Measured::new(quantity, row.value, unit).ok()?,
        })
    })
}

fn settings() -> Settings {
    Settings {
        zone: TimeZone::UTC,
        units: Units::default(),
        surroundings: Surroundings {
            usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
        },
        clock: ClockSource::Readings,
        rules: Rules::default(),
    }
}

/// A monitor that has taken `count` readings, the next one, and what answers its fits.
fn after(count: usize) -> (Monitor, Reading, Answer) {
    after_so_many(count, None)
}

fn after_so_many(count: usize, every_s: Option<f64>) -> (Monitor, Reading, Answer) {
    let mut scenario = Scenario::shipped("plain").expect("shipped");
    for sensor in &mut scenario.sensors {
        sensor.interval_s = every_s.unwrap_or(sensor.interval_s);
    }
    let played = Simulation::run(&scenario, 1);
    let (batch, _) = Batch::from_toml(&played.batch_toml, "plain").expect("the simulator writes batch files");
    let evidence = Evidence::new(batch.clone(), settings().surroundings);
    let posterior = Arc::new(fit(&evidence, batch.bottled_at, None));
    let (forecast, outlook) = posterior.answers(&evidence, batch.bottled_at);
    let answer = Answer(posterior, forecast, outlook);
    let mut monitor = Monitor::new(batch, settings());
    let mut rows = readings(&played);
    for row in rows.by_ref().take(count) {
        let _ = drive(&mut monitor, Event::Measured(row), &mut |request| {
            answer.to(request)
        });
    }
    let next = rows.next().expect("more rows");
    (monitor, next, answer)
}

#[divan::bench(args = [400, 4_000])]
fn reading(bencher: Bencher<'_, '_>, count: usize) {
    let (monitor, next, _) = after(count);
    bencher
        .with_inputs(|| (monitor.clone(), next.clone()))
        .bench_values(|(mut monitor, next)| {
            let actions = monitor.step(Event::Measured(next));
            assert!(!actions.iter().any(|action| matches!(action, Action::SetAside(_))));
            monitor
        });
}

#[divan::bench(args = [1, 100_000])]
fn reading_in_5_s(bencher: Bencher<'_, '_>, count: usize) {
    let (monitor, next, _) = after_so_many(count, Some(5.0));
    bencher
        .with_inputs(|| (monitor.clone(), next.clone()))
        .bench_values(|(mut monitor, next)| {
            let actions = monitor.step(Event::Measured(next));
            assert!(!actions.iter().any(|action| matches!(action, Action::SetAside(_))));
            monitor
        });
}

#[divan::bench(args = [400, 4_000])]
fn evaluation(bencher: Bencher<'_, '_>, count: usize) {
    let (mut monitor, _, answer) = after(count);
    let request = loop {
        let at = monitor.next_wake();
        let asked = monitor
            .step(Event::Tick { at })
            .into_iter()
            .find_map(|action| match action {
                Action::Fit(request) => Some(request),
                _ => None,
            });
        if let Some(request) = asked {
            break request;
        }
    };
    bencher
        .with_inputs(|| (monitor.clone(), Box::new(answer.to(&request))))
        .bench_values(|(mut monitor, fitted)| {
            let actions = monitor.step(Event::Fitted(fitted));
            assert!(actions.iter().any(|action| matches!(action, Action::Forecast(_))));
            monitor
        });
}

#[divan::bench(sample_count = 1, sample_size = 1)]
fn replay_of_30_days(bencher: Bencher<'_, '_>) {
    let mut scenario = Scenario::shipped("plain").expect("shipped");
    scenario.lasts_h = 720.0;
    let played = Simulation::run(&scenario, 1);
    let (batch, _) = Batch::from_toml(&played.batch_toml, "plain").expect("the simulator writes batch files");
    let rows: Vec<Reading> = readings(&played).collect();
    bencher.counter(ItemsCount::new(rows.len())).bench_local(|| {
        let mut monitor = Monitor::new(batch.clone(), settings());
        rows.iter()
            .map(|row| {
                drive(&mut monitor, Event::Measured(row.clone()), &mut |request| {
                    request.run()
                })
                .len()
            })
            .sum::<usize>()
    });
}
