//! Pages that stay open with live updates while readings come in: what they wait, and whether the daemon's memory stays flat.

use std::{process::ExitCode, time::Duration};

use clap::Parser;
use fobwatch_tests::keep_open;

/// Keeps pages open while readings come in, and measures waits and memory.
#[derive(Parser)]
#[command(
    after_help = "Example: cargo run --release -p fobwatch-tests --bin pages -- --pages 50 --per-second 1000 --minutes 5"
)]
struct Arguments {
    /// Pages that listen for news and fetch themselves anew.
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u32).range(1..=200))]
    pages: u32,
    /// Readings in a second.
    #[arg(long, default_value_t = 1_000, value_parser = clap::value_parser!(u32).range(10..=10_000))]
    per_second: u32,
    /// How long.
    #[arg(long, default_value_t = 5)]
    minutes: u32,
}

/// Memory that may come and go: a tenth, and this much.
const SLACK_MIB: f64 = 8.0;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let lasts = Duration::from_secs(60 * u64::from(arguments.minutes));
    let opened = keep_open(arguments.pages, arguments.per_second, lasts);
    let (early, late) = opened.early_and_late();
    let flat = late <= 1.1 * early + SLACK_MIB;
    let told = |times: &[Duration]| {
        let at = |percent: usize| {
            let index = times.len().saturating_sub(1) * percent / 100;
            times.get(index).map_or(0, Duration::as_millis)
        };
        format!("{}, {} and at most {} ms", at(50), at(95), at(100))
    };
    eprintln!(
        "{} pages, {} min: {} of {} readings taken; the page fetched {} times in {} (median, 95 %, longest); a post answered in {}; \
         news at most {:.1} s apart; resident {early:.0} MiB in the second quarter, {late:.0} MiB in the last: {}.",
        arguments.pages,
        arguments.minutes,
        opened.taken,
        opened.sent,
        opened.fetches.len(),
        told(&opened.fetches),
        told(&opened.posts),
        opened.longest_silence.as_secs_f64(),
        if flat { "flat" } else { "NOT flat" },
    );
    if flat && opened.taken == opened.sent && !opened.fetches.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
