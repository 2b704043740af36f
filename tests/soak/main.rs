//! A week of sensors with hourly restarts of the broker and hourly pulled plugs, over the real programs.

use std::process::ExitCode;

use clap::Parser;
use fobwatch_tests::soak;

/// Plays a batch over a real broker and a real pseudo-terminal while both fail each hour of its time.
#[derive(Parser)]
#[command(after_help = "Example: cargo run --release -p fobwatch-tests --bin soak -- --hours 168")]
struct Arguments {
    /// Length of the play.
    #[arg(long, default_value_t = 168)]
    hours: u32,
    /// A shipped scenario of the simulator.
    #[arg(long, default_value = "plain")]
    scenario: String,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let soaked = soak(&arguments.scenario, arguments.hours);
    let same = soaked.alerts == soaked.replayed;
    eprintln!(
        "{} h in {} s: {} restarts of the broker, {} plugs pulled; {} readings sent, {} stored, {}; {} changes of alerts, {} those \
         without faults.",
        arguments.hours,
        soaked.took.as_secs(),
        soaked.restarts,
        soaked.pulled,
        soaked.sent,
        soaked.stored,
        if soaked.whole {
            "each once and in order"
        } else {
            "NOT what was sent"
        },
        soaked.alerts.len(),
        if same { "word for word" } else { "NOT" },
    );
    if soaked.whole && same {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
