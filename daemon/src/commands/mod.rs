//! The commands of the program: one file each.
//!
//! Exit status: 0 done, 1 failed, 2 wrong usage or refused input. Standard output carries answers and records alone.

mod ack;
mod batch;
mod check;
mod compare;
mod culture;
mod experiment;
mod export;
mod format;
mod history;
mod import;
mod keeper;
mod label;
mod link;
mod meant;
mod note;
mod plan;
mod proof;
mod recipe;
mod replay;
mod rescue;
mod service;
mod shelve;
mod span;
mod status;
mod table;
mod watch;

use std::{fmt, io::IsTerminal, process::ExitCode};

use clap::{CommandFactory, Parser, Subcommand};
use tracing::Level;
use tracing_subscriber::{
    filter::Targets,
    layer::{Layer, SubscriberExt},
    util::SubscriberInitExt,
};

use crate::wording::{local, quoted};

/// Watches bottles of naturally carbonated drink and says when to move them to the fridge.
///
/// Bottles can burst and these drinks hold alcohol: read the cautions in the README first.
#[derive(Debug, Parser)]
#[command(
    name = "fobwatch",
    version,
    after_help = "Begin:\n  fobwatch batch example > plum-1.toml        # fill in your own figures; `batch example recipe` for one with its recipe\n  fobwatch check \
                  plum-1.toml                  # every problem of it at once\n  fobwatch plan --batch plum-1.toml           # what to expect, and what \
                  would become of forgotten bottles\n  fobwatch watch                              # leave it running; the page: http://127.0.0.1:8740\n  \
                  fobwatch batch add plum-1.toml              # from another terminal, once the last bottle is closed\n  fobwatch note 'plum 1' opened \
                  --bottles 3 --text light\n\nEach command has --help with examples."
)]
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
    Service(service::Service),
    Replay(replay::Replay),
    Plan(plan::Plan),
    Rescue(rescue::Rescue),
    Compare(compare::Compare),
    Experiment(experiment::ExperimentCommand),
    Recipe(recipe::RecipeCommand),
    Label(label::Label),
    Culture(culture::CultureCommand),
    Table(table::TableCommand),
    Check(check::Check),
    Export(export::Export),
    Import(import::Import),
    Link(link::LinkCommand),
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

/// What the log tells, as `RUST_LOG` has it: `debug`, or `warn,fobwatch=trace`. What nobody can read is as if it were not there.
fn logged(asked: Option<&str>) -> Targets {
    asked
        .filter(|asked| !asked.trim().is_empty())
        .and_then(|asked| asked.parse().ok())
        .unwrap_or_else(|| Targets::new().with_default(Level::INFO))
}

/// Runs what the command line asks.
#[must_use]
pub fn run() -> ExitCode {
    let cli = Cli::parse();
    let time = match &cli.command {
        Some(Command::Watch(command)) => command.log_time(),
        _ => crate::demo::LogTime::Wall,
    };
    let lines = tracing_subscriber::fmt::layer()
        .with_timer(time)
        .with_writer(std::io::stderr)
        // A log that cannot be written, as on a full disk, must not end the program.
        .log_internal_errors(false)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false);
    tracing_subscriber::registry()
        .with(lines.with_filter(logged(std::env::var("RUST_LOG").ok().as_deref())))
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
        Some(Command::Service(command)) => command.run(),
        Some(Command::Replay(command)) => command.run(),
        Some(Command::Plan(command)) => command.run(),
        Some(Command::Rescue(command)) => command.run(),
        Some(Command::Compare(command)) => command.run(),
        Some(Command::Experiment(command)) => command.run(),
        Some(Command::Recipe(command)) => command.run(),
        Some(Command::Label(command)) => command.run(),
        Some(Command::Culture(command)) => command.run(),
        Some(Command::Table(command)) => command.run(),
        Some(Command::Check(command)) => command.run(),
        Some(Command::Export(command)) => command.run(),
        Some(Command::Import(command)) => command.run(),
        Some(Command::Link(command)) => command.run(),
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

/// A number as people write it, with a decimal comma too.
fn number(text: &str) -> Result<f64, String> {
    let number = text.trim().replace(',', ".").parse::<f64>().ok();
    number
        .filter(|number| number.is_finite())
        .ok_or_else(|| "allowed: a number, as 2.1".to_owned())
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_taken_as_people_write_them() {
        assert_eq!(number("2,1"), Ok(2.1));
        assert_eq!(number(" -0.5 "), Ok(-0.5));
        for bad in ["", "two", "NaN", "inf", "1.2,3"] {
            assert!(
                number(bad).is_err_and(|why| why.starts_with("allowed: ")),
                "{bad}"
            );
        }
    }

    /// The words of a command line as a shell splits them, as far as examples go: blanks and single quotes.
    fn words(line: &str) -> Vec<String> {
        let (mut words, mut word, mut quoted, mut begun) = (Vec::new(), String::new(), false, false);
        for c in line.chars() {
            match c {
                '\'' => (quoted, begun) = (!quoted, true),
                ' ' if !quoted => {
                    if begun {
                        words.push(std::mem::take(&mut word));
                    }
                    begun = false;
                }
                c => {
                    word.push(c);
                    begun = true;
                }
            }
        }
        assert!(!quoted, "{line}");
        if begun {
            words.push(word);
        }
        words
    }

    fn parses(line: &str) {
        // Where the answer goes is the shell's.
        let line = line.split_once(" > ").map_or(line, |(command, _file)| command);
        if let Err(error) = Cli::try_parse_from(words(line)) {
            panic!("`{line}` does not parse: {error}");
        }
    }

    fn examples(command: &clap::Command, path: &str, found: &mut Vec<String>) {
        let help = command
            .get_after_help()
            .map(ToString::to_string)
            .unwrap_or_default();
        let lines = help
            .lines()
            .map(str::trim)
            .filter(|line| line.starts_with("fobwatch "));
        let own: Vec<String> = lines.map(str::to_owned).collect();
        let begins = format!("{path} ");
        let fits = |line: &String| line == path || line.starts_with(&begins);
        assert!(own.iter().any(fits), "`{path} --help` has no example");
        assert!(
            own.iter().all(fits),
            "`{path} --help` has an example of another command"
        );
        found.extend(own);
        for sub in command.get_subcommands() {
            examples(sub, &format!("{path} {}", sub.get_name()), found);
        }
    }

    #[test]
    fn every_command_has_an_example_and_every_example_parses() {
        let cli = Cli::command();
        cli.clone().debug_assert();
        let mut found = Vec::new();
        for command in cli.get_subcommands() {
            examples(command, &format!("fobwatch {}", command.get_name()), &mut found);
        }
        assert!(found.len() >= 20, "{found:#?}");
        found.iter().for_each(|line| parses(line));
    }

    #[test]
    fn what_page_and_status_tell_to_type_parses() {
        let context = crate::page::Context {
            now: jiff::Timestamp::UNIX_EPOCH,
            display: crate::config::Config::defaults().unwrap().display,
            demo: false,
            unstored: None,
            servers: Vec::new(),
        };
        let page = crate::page::agenda(&[], &context);
        let told: Vec<String> = page
            .split("<code>")
            .filter_map(|rest| rest.split_once("</code>"))
            .map(|(code, _)| code.replace("&#39;", "'"))
            .filter(|code| code.starts_with("fobwatch "))
            .collect();
        assert!(told.len() >= 2, "{told:?}");
        told.iter().for_each(|line| parses(line));
    }

    #[test]
    fn the_log_tells_what_rust_log_asks_for_and_else_what_is_of_interest() {
        for (asked, ours, others) in [
            (None, Level::INFO, Level::INFO),
            (Some(" "), Level::INFO, Level::INFO),
            (Some("fobwatch=loud"), Level::INFO, Level::INFO),
            (Some("trace"), Level::TRACE, Level::TRACE),
            (Some("warn,fobwatch=debug"), Level::DEBUG, Level::WARN),
        ] {
            let logged = logged(asked);
            for (target, most) in [("fobwatch::watch", ours), ("rumqttc::client", others)] {
                assert!(logged.would_enable(target, &most), "{asked:?} {target}");
                let more = if most == Level::INFO {
                    Level::DEBUG
                } else {
                    Level::TRACE
                };
                assert!(
                    most == Level::TRACE || !logged.would_enable(target, &more),
                    "{asked:?} {target}"
                );
            }
        }
    }
}
