//! The commands of the program: one file each.
//!
//! Exit status: 0 done, 1 failed, 2 wrong usage or refused input. Standard output carries answers and records alone.

mod ack;
mod batch;
mod check;
mod keeper;
mod meant;
mod note;
mod plan;
mod replay;
mod shelve;
mod span;
mod status;
mod table;
mod watch;

use std::{fmt, process::ExitCode};

use clap::{CommandFactory, Parser, Subcommand};
use jiff::{Timestamp, tz::TimeZone};
use tracing_subscriber::EnvFilter;

/// Watches bottles of naturally carbonated drink and says when to move them to the fridge.
///
/// Bottles can burst and these drinks hold alcohol: read the cautions in the README first.
#[derive(Debug, Parser)]
#[command(name = "fobwatch", version)]
struct Cli {
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, Subcommand)]
enum Command {
    Watch(watch::Watch),
    Status(status::Status),
    Batch(batch::BatchCommand),
    Note(note::NoteCommand),
    Ack(ack::Ack),
    Shelve(shelve::Shelve),
    Replay(replay::Replay),
    Plan(plan::Plan),
    Table(table::TableCommand),
    Check(check::Check),
}

/// Why a command did not do what it was asked.
#[derive(Debug)]
enum Ended {
    /// Something could not be done: exit status 1.
    Failed(String),
    /// The usage or the input was refused: exit status 2.
    Refused(String),
}

impl fmt::Display for Ended {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (Self::Failed(text) | Self::Refused(text)) = self;
        f.write_str(text)
    }
}

/// Runs what the command line asks.
#[must_use]
pub fn run() -> ExitCode {
    let cli = Cli::parse();
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        .init();
    let ended = match cli.command {
        None => {
            return match Cli::command().print_help() {
                Ok(()) => ExitCode::SUCCESS,
                Err(_) => ExitCode::FAILURE,
            };
        }
        Some(Command::Watch(command)) => command.run(),
        Some(Command::Status(command)) => command.run(),
        Some(Command::Batch(command)) => command.run(),
        Some(Command::Note(command)) => command.run(),
        Some(Command::Ack(command)) => command.run(),
        Some(Command::Shelve(command)) => command.run(),
        Some(Command::Replay(command)) => command.run(),
        Some(Command::Plan(command)) => command.run(),
        Some(Command::Table(command)) => command.run(),
        Some(Command::Check(command)) => command.run(),
    };
    match ended {
        Ok(()) => ExitCode::SUCCESS,
        Err(Ended::Failed(why)) => {
            eprintln!("error: {why}");
            ExitCode::from(1)
        }
        Err(Ended::Refused(why)) => {
            eprintln!("error: {why}");
            ExitCode::from(2)
        }
    }
}

/// Writes one line of the answer; a reader who has gone away is no fault of the command.
fn say(line: &str) -> Result<(), Ended> {
    use std::io::Write;
    match writeln!(std::io::stdout().lock(), "{line}") {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Ended::Failed(format!("the answer cannot be written: {error}")))
        }
        _ => Ok(()),
    }
}

/// A name as one word of a shell.
fn quoted(name: &str) -> String {
    format!("'{}'", name.replace('\'', r"'\''"))
}

/// A time in the user's zone: "Thursday 5 March 2026, 15:20 CET".
fn local(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone())
        .strftime("%A %-d %B %Y, %H:%M %Z")
        .to_string()
}

/// Reads a text file.
fn read(path: &std::path::Path) -> Result<String, Ended> {
    std::fs::read_to_string(path)
        .map_err(|error| Ended::Failed(format!("{} cannot be read: {error}", path.display())))
}

/// A batch file, its warnings told on standard error.
fn read_batch(path: &std::path::Path) -> Result<fobwatch_core::batch::Batch, Ended> {
    let place = path.display().to_string();
    let (batch, warnings) = fobwatch_core::batch::Batch::from_toml(&read(path)?, &place)
        .map_err(|bad| Ended::Refused(bad.to_string()))?;
    for warning in warnings {
        eprintln!("warning: {place}: {warning}");
    }
    Ok(batch)
}

/// The configuration, or the defaults.
fn read_config(path: Option<&std::path::Path>) -> Result<crate::config::Config, Ended> {
    crate::config::Config::load(path).map_err(|bad| {
        if bad.is_refused() {
            Ended::Refused(bad.to_string())
        } else {
            Ended::Failed(bad.to_string())
        }
    })
}

/// A record as one line of JSON.
fn json(record: &impl serde::Serialize) -> Result<String, Ended> {
    serde_json::to_string(record)
        .map_err(|error| Ended::Failed(format!("the record cannot be written: {error}")))
}
