//! Runs the simulation of faults over many seeds, or over one again.
#![expect(clippy::print_stdout, reason = "a command's own answer")]

use std::{
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Mutex,
    time::Instant,
};

use clap::Parser;
use fobwatch::faults::Stage;

/// Crashes, torn writes, full disks, lost sessions, wrong clocks and noisy lines, by seed: is anything lost, or told twice?
#[derive(Parser)]
#[command(
    name = "faults",
    after_help = "Example, the seed that failed once more:\n  cargo run -p fobwatch --features faults --example faults -- --seed 17"
)]
struct Arguments {
    /// How many seeds, from --from on
    #[arg(long, default_value_t = 50)]
    seeds: u64,
    /// The first seed
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// This seed alone, with its faults
    #[arg(long)]
    seed: Option<u64>,
    /// Seeds that run at a time
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// Where files are made meanwhile [default: /dev/shm, else the system's folder for temporary files]
    #[arg(long)]
    folder: Option<PathBuf>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let memory = Path::new("/dev/shm");
    let below = match arguments.folder {
        Some(folder) => folder,
        None if memory.is_dir() => memory.to_owned(),
        None => std::env::temp_dir(),
    };
    let began = Instant::now();
    println!("Without faults first, to compare with ...");
    let stage = match Stage::set(&below) {
        Ok(stage) => stage,
        Err(why) => {
            println!("{why}");
            return ExitCode::FAILURE;
        }
    };
    let (from, until) = match arguments.seed {
        Some(seed) => (seed, seed.saturating_add(1)),
        None => (arguments.from, arguments.from.saturating_add(arguments.seeds)),
    };
    let many = until - from;
    println!("{many} seeds from {from} on.");
    let sums = Mutex::new(Sums::default());
    stage.run_all(from..until, arguments.threads, |outcome| {
        let mut sums = sums.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        sums.seeds += 1;
        sums.readings += outcome.readings;
        sums.starts += outcome.starts;
        sums.alike += outcome.alike;
        sums.faults += outcome.faults.len();
        if !outcome.wrong.is_empty() {
            sums.failed += 1;
        }
        if many == 1 || !outcome.wrong.is_empty() {
            println!("Seed {} ({}):", outcome.seed, outcome.digest);
            for fault in &outcome.faults {
                println!("  - {fault}");
            }
            for wrong in &outcome.wrong {
                println!("  WRONG: {wrong}");
            }
        }
        if sums.seeds.is_multiple_of(50) {
            println!(
                "{} of {many} seeds in {:.0} s",
                sums.seeds,
                began.elapsed().as_secs_f64()
            );
        }
    });
    let sums = sums
        .into_inner()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    println!(
        "{} seeds with {} faults, {} starts and {} acknowledged readings in {:.0} s; {} of {} batches were told the same as without \
         faults. {} seeds failed.",
        sums.seeds,
        sums.faults,
        sums.starts,
        sums.readings,
        began.elapsed().as_secs_f64(),
        sums.alike,
        2 * sums.seeds,
        sums.failed
    );
    if sums.failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

#[derive(Default)]
struct Sums {
    seeds: u64,
    faults: usize,
    readings: usize,
    starts: usize,
    alike: usize,
    failed: u64,
}
