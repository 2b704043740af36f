//! How long does the page take to open when a month of readings, one in five seconds, is stored? Budget: 100 ms on two cores.

use std::{
    fs,
    process::ExitCode,
    time::{Duration, Instant},
};

use clap::Parser;
use fobwatch_simulator::{Scenario, Simulation, readings_csv};
use fobwatch_tests::{Daemon, run, wait_for};

/// Stores a month of a batch's readings in the real program and opens its page again and again.
#[derive(Parser)]
#[command(after_help = "Example: cargo run --release -p fobwatch-tests --bin month")]
struct Arguments {
    /// Days of readings.
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=90))]
    days: u32,
    /// Seconds between two of a gauge's.
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u32).range(1..=3600))]
    every_s: u32,
    /// How often the page is opened.
    #[arg(long, default_value_t = 200)]
    times: u32,
}

const BUDGET: Duration = Duration::from_millis(100);

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    let mut scenario = Scenario::shipped("cool_cellar").expect("a shipped scenario");
    scenario.lasts_h = 24.0 * f64::from(arguments.days);
    for sensor in &mut scenario.sensors {
        sensor.interval_s = f64::from(arguments.every_s);
    }
    let played = Simulation::run(&scenario, 7);
    fs::create_dir(path("batches")).expect("a folder is made");
    fs::write(path("batches/batch.toml"), &played.batch_toml).expect("a file is written");
    fs::write(path("readings.csv"), readings_csv(&played.readings)).expect("a file is written");
    fs::write(
        path("kitchen.toml"),
        "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n",
    )
    .expect("a file is written");
    let daemon = Daemon::start(&path("kitchen.toml"), &path("data"), &path("batches"));
    let (file, place) = (
        path("readings.csv").display().to_string(),
        format!("127.0.0.1:{}", daemon.port()),
    );
    let imported = run("fobwatch", &["import", &file, "--address", &place]);
    assert_eq!(imported.status, Some(0), "{imported:#?}");
    wait_for("the fits of the month", Duration::from_secs(3_600), || {
        let status = daemon.json("/api/v1/status");
        status.get("behind")?.as_array()?.is_empty().then_some(())
    });
    let mut times: Vec<Duration> = (0..arguments.times.max(1))
        .map(|_| {
            let asked = Instant::now();
            let page = daemon.get("/").expect("the page is there");
            let took = asked.elapsed();
            assert!(
                page.contains("class=\"warmth\"") && page.ends_with("</html>"),
                "{page}"
            );
            took
        })
        .collect();
    times.sort();
    let at = |percent: usize| {
        let index = (times.len() - 1) * percent / 100;
        times.get(index).map_or(0.0, |took| took.as_secs_f64() * 1e3)
    };
    eprintln!(
        "{} readings stored; the page opened {} times in {:.1} ms (median), {:.1} ms (95 %), {:.1} ms (longest).",
        played.readings.len(),
        times.len(),
        at(50),
        at(95),
        at(100)
    );
    if times.last().is_some_and(|longest| *longest < BUDGET) {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
