//! Four daemons on one broker, one killed with its machine: how long until another one watches its batches, and is anything lost?

use std::process::ExitCode;

use clap::Parser;
use fobwatch_tests::take_over;

/// Kills one of four daemons, throws its data away, lets another one take its share, and compares with one daemon that nobody disturbs.
#[derive(Parser)]
#[command(
    after_help = "Example: cargo run --release -p fobwatch-tests --bin takeover -- --batches 40 --hours 48"
)]
struct Arguments {
    /// How many batches; as many in each share.
    #[arg(long, default_value_t = 40)]
    batches: usize,
    /// Length of the play.
    #[arg(long, default_value_t = 48)]
    hours: u32,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let taken = take_over(arguments.batches, arguments.hours);
    let ok = |same: bool| if same { "yes" } else { "NO" };
    let same = |which: usize| {
        taken.watched.iter().all(|(name, own)| {
            taken
                .alone
                .get(name)
                .is_some_and(|alone| alone.get(which) == own.get(which))
        })
    };
    let count = |which: usize| {
        let of = taken.alone.values().filter_map(|own| own.get(which));
        of.map(Vec::len).sum::<usize>()
    };
    eprintln!(
        "{} batches, {} h, {} readings; {} batches were taken over: all of them had a forecast {:.1} s after the start of the heir and were up \
         to date after {:.1} s, with {} readings that came while nobody watched them.",
        taken.batches.0,
        arguments.hours,
        taken.sent,
        taken.batches.1,
        taken.until_forecast.0.as_secs_f64(),
        taken.until_forecast.1.as_secs_f64(),
        taken.meanwhile,
    );
    eprintln!(
        "Each reading once with every daemon: {}; at the time-series server: {}. As one daemon alone: {} forecasts {}, {} changes of alerts {}, the \
         forecasts asked at the end {}.",
        ok(taken.without_all.is_empty()),
        ok(taken.not_on_server.is_empty()),
        count(0),
        ok(same(0)),
        count(1),
        ok(same(1)),
        ok(same(2)),
    );
    let lost = !taken.without_all.is_empty() || !taken.not_on_server.is_empty();
    if lost || taken.watched != taken.alone {
        ExitCode::FAILURE
    } else {
        ExitCode::SUCCESS
    }
}
