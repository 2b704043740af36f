//! Fifty times kill -9 of the real daemon under load, and ten restarts of its broker: is anything lost, told twice or reckoned otherwise?

use std::process::ExitCode;

use clap::Parser;
use fobwatch_tests::kill_often;

/// Kills the daemon again and again at random moments under load, and compares what is left with a run without kills.
#[derive(Parser)]
#[command(after_help = "Example: cargo run --release -p fobwatch-tests --bin kills -- --kills 50")]
struct Arguments {
    /// How often, beside kills during a start.
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(u32).range(1..=1_000))]
    kills: u32,
    /// Length of the two batches' play.
    #[arg(long, default_value_t = 96)]
    hours: u32,
    /// Of the moments, and of the batches.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let killed = kill_often(arguments.hours, arguments.kills, arguments.seed);
    let (left, calm) = (&killed.left, &killed.calm);
    let ok = |same: bool| if same { "yes" } else { "NO" };
    eprintln!(
        "{} kills, {} of them during a start, and {} restarts of the broker in {} s; {} readings of the batches and {} rows beside them were \
         sent; {} rows that were answered 200 were looked for right after the next kill and were all there.",
        killed.kills.0,
        killed.kills.1,
        killed.restarts,
        killed.took.as_secs(),
        killed.sent.0,
        killed.sent.1,
        killed.looked_for,
    );
    eprintln!(
        "{} deliveries, {} of them more than once under the same key, {} cut off by a kill and delivered again.",
        left.deliveries.len(),
        killed.again.0,
        killed.again.1
    );
    let once = left.whole && left.rows_once;
    let on_server = left.not_on_server.is_empty();
    eprintln!(
        "Each reading once: {}. At the time-series server: {}. As without kills: order of the readings {}, {} changes of alerts {}, deliveries \
         {}, states at the broker {}, {} forecasts {}, the forecasts asked at the end {}.",
        ok(once),
        ok(on_server),
        ok(left.readings == calm.readings),
        calm.alerts.len(),
        ok(left.alerts == calm.alerts),
        ok(left.deliveries == calm.deliveries),
        ok(left.kept == calm.kept),
        calm.forecasts.len(),
        ok(left.forecasts == calm.forecasts),
        ok(left.asked == calm.asked),
    );
    if once && on_server && left == calm {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
