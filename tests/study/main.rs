//! How far the forecasts can be trusted: made-up batches that no tuning used, judged beside two rules of thumb.
//!
//! `cargo run --release -p fobwatch-tests --bin study -- --out DIR` plays the judging seeds; `--first 1 --batches 40` those that
//! tuning may use. DEVELOPERS tells how to read what it writes.

mod alerts;
mod certainty;
mod cost;
mod creep;
mod culture;
mod fault;
mod forecast;
mod gauge_content;
mod goals;
mod gompertz;
mod journal;
mod limit;
mod line;
mod pictures;
mod play;
mod report;
mod rule;
mod score;
mod sensors;
mod total;
mod work;

use std::{
    path::{Path, PathBuf},
    process::ExitCode,
    sync::{Mutex, PoisonError},
};

use clap::{Parser, ValueEnum};
use fobwatch_simulator::Published;

use crate::{
    fault::Fault,
    forecast::Batchful,
    journal::{Builds, Journal},
    report::Report,
    sensors::Kind,
    total::Difference,
    work::Workers,
};

/// Seeds that tuning may use.
pub(crate) const TUNING: std::ops::RangeInclusive<u64> = 1..=1000;
/// First of the seeds that judge; no tuning uses them.
pub(crate) const JUDGING_FROM: u64 = 1001;

/// Plays made-up batches through the product's own engine and scores what it said.
#[derive(Debug, Parser)]
#[command(
    name = "study",
    after_help = "Example: study --out figures --part forecast --first 1 --batches 40"
)]
struct Arguments {
    /// Folder for the journal, the table (text and JSON) and the pictures; a study that was stopped goes on there.
    #[arg(long)]
    out: PathBuf,
    /// Batches of the main parts; the others play a share of it.
    #[arg(long, default_value_t = 300, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    batches: u32,
    /// First seed. 1 to 1000 may be used for tuning, 1001 and above judge.
    #[arg(long, default_value_t = JUDGING_FROM)]
    first: u64,
    /// Parts to play; if none is given, all but those that have to be named.
    #[arg(long)]
    part: Vec<Part>,
    /// Threads; all cores if not given.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=256))]
    threads: Option<u32>,
    /// Folder of another study: tells which of the two forecasts better on the batches that both have played.
    #[arg(long)]
    against: Option<PathBuf>,
    /// Takes what another build of this program has played as it is.
    #[arg(long)]
    any_build: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Part {
    /// Target, content now, and the advised move; two rules beside; false alarms.
    Forecast,
    /// Warnings before the limit is passed: gauge sound, stuck, silent.
    Limit,
    /// Leak, stall, stuck and creeping gauge, a seventh as many batches of each; silence, loss, warmth and a fridge that does not hold
    /// it, a fifteenth.
    Fault,
    /// A creeping gauge with a float beside it, a seventh as many batches, and as many sound ones, only if named.
    Creep,
    /// A float instead of the gauge; a third as many batches.
    Gravity,
    /// A float beside the gauge; a third as many batches, and only if named.
    Both,
    /// Thermometers alone; a third as many batches, and only if named.
    Temperature,
    /// Sensors without error and bottles all alike, to see what no sensor takes away; a third as many batches, and only if named.
    Perfect,
    /// Published kinetics as the truth; a tenth as many batches of each.
    Truths,
    /// Twelve cultures in many batches: vigour, and what their history is worth.
    Culture,
    /// Cultures beside each other as `compare` tells them; a tenth as many cultures, six batches of each.
    Compare,
    /// Time and memory; played anew each time, on one core.
    Cost,
}

impl Part {
    fn is_wanted(self, arguments: &Arguments) -> bool {
        let usual = !matches!(self, Self::Both | Self::Creep | Self::Perfect | Self::Temperature);
        arguments.part.is_empty() && usual || arguments.part.contains(&self)
    }
}

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(text) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: &Arguments) -> Result<String, Box<dyn std::error::Error>> {
    let folder = &arguments.out;
    std::fs::create_dir_all(folder).map_err(|why| format!("failed to make {}: {why}", folder.display()))?;
    let builds = if arguments.any_build {
        Builds::Any
    } else {
        Builds::This
    };
    let journal = Journal::open(folder, builds)?;
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let workers = Workers {
        journal: &journal,
        threads: arguments.threads.map_or(cores, |threads| threads as usize),
        failed: Mutex::default(),
    };
    let (first, batches) = (arguments.first, arguments.batches as usize);
    let mut report = Report::new(first, batches);
    let mut all = alerts::Plays::default();
    if Part::Forecast.is_wanted(arguments) {
        let plays = workers.play("forecast", first, batches, forecast::play)?;
        report.forecast(&plays);
        pictures::draw(folder, &plays)?;
        if let Some(other) = &arguments.against {
            report.against(&Difference::of(&plays, &forecast_of(other)?));
        }
        all.forecast = plays;
    }
    if Part::Limit.is_wanted(arguments) {
        all.limit = workers.play("limit", first, batches, limit::play)?;
        limit::report(&mut report, &all.limit);
    }
    if Part::Fault.is_wanted(arguments) {
        let faults = fault::ALL.map(|fault| {
            let plays = workers.play(fault.name(), first, fault.share(batches), |seed| fault.play(seed))?;
            Ok::<_, journal::BadJournal>((fault, plays))
        });
        let faults: Result<Vec<_>, _> = faults.into_iter().collect();
        all.faults = faults?;
        fault::report(&mut report, &all.faults);
    }
    if [Part::Forecast, Part::Limit, Part::Fault]
        .iter()
        .any(|part| part.is_wanted(arguments))
    {
        alerts::report(&mut report, &all);
    }
    if Part::Creep.is_wanted(arguments) {
        let share = Fault::Drift.share(batches);
        let creeping = workers.play(creep::CREEPING, first, share, creep::play)?;
        let sound = workers.play(creep::SOUND, first, share, creep::play_sound)?;
        creep::report(&mut report, &creeping, &sound);
    }
    for (part, kind) in [
        (Part::Gravity, Kind::Gravity),
        (Part::Both, Kind::Both),
        (Part::Temperature, Kind::Temperature),
        (Part::Perfect, Kind::Perfect),
    ] {
        if part.is_wanted(arguments) {
            let play = |seed| kind.play(seed);
            let plays = workers.play(kind.name(), first, batches.div_ceil(3), play)?;
            sensors::report(&mut report, kind, &plays);
        }
    }
    if Part::Truths.is_wanted(arguments) {
        for kind in Published::ALL.map(Kind::Published) {
            let play = |seed| kind.play(seed);
            let plays = workers.play(kind.name(), first, batches.div_ceil(10), play)?;
            sensors::report(&mut report, kind, &plays);
        }
    }
    if Part::Culture.is_wanted(arguments) {
        let cultures = culture::CULTURES.min(batches);
        culture::report(
            &mut report,
            &workers.play("culture", first, cultures, culture::play)?,
        );
    }
    if Part::Compare.is_wanted(arguments) {
        let plays = workers.play("compare", first, batches.div_ceil(10), certainty::play)?;
        certainty::report(&mut report, &plays);
    }
    if Part::Cost.is_wanted(arguments) {
        cost::report(&mut report, first);
    }
    let failed = workers
        .failed
        .into_inner()
        .unwrap_or_else(PoisonError::into_inner);
    for (part, seed) in &failed {
        report.line(&format!(
            "\n**The program panicked on seed {seed} of part {part}: it is not in the table.**"
        ));
    }
    report.write(folder)?;
    if failed.is_empty() {
        Ok(report.text())
    } else {
        Err(format!(
            "{} batches made the program panic\n{}",
            failed.len(),
            report.text()
        )
        .into())
    }
}

/// The forecasts that another study has played.
fn forecast_of(folder: &Path) -> Result<Vec<(u64, Batchful)>, Box<dyn std::error::Error>> {
    let plays = Journal::open(folder, Builds::Any)?.all("forecast");
    if plays.is_empty() {
        return Err(format!("{} holds no forecasts of a study", folder.display()).into());
    }
    Ok(plays)
}
