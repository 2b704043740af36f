//! Plays made-up batches: into files, over MQTT, or over a pseudo-terminal.

mod files;
mod mqtt;
mod pace;
mod pty;

use clap::{Args, Parser, Subcommand};
use fobwatch_simulator::Scenario;
use jiff::Timestamp;
use std::path::PathBuf;
use std::process::ExitCode;

/// Made-up batches of a live drink, seen through believable sensors.
#[derive(Parser)]
#[command(
    version,
    after_help = "Example: fobwatch-simulator write --scenario plain --seed 7 --out /tmp/plain"
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Tell what the shipped scenarios are.
    #[command(after_help = "Example: fobwatch-simulator list")]
    List,
    /// Write batch.toml, readings.csv, notes.jsonl, truth.csv, truth.json and scenario.toml into a folder.
    #[command(after_help = "Example: fobwatch-simulator write --scenario leak --seed 3 --out /tmp/leak")]
    Write {
        #[command(flatten)]
        batch: BatchArguments,
        /// Folder to write into; made if it does not exist.
        #[arg(long)]
        out: PathBuf,
    },
    /// Publish the readings on an MQTT broker as SenML, and leave when the broker has acknowledged all.
    #[command(
        after_help = "Example: fobwatch-simulator mqtt --scenario plain --seed 7 --broker 127.0.0.1:1883 --topic cellar --speed 3600"
    )]
    Mqtt {
        #[command(flatten)]
        batch: BatchArguments,
        /// Host and port of the broker.
        #[arg(long, value_name = "HOST:PORT")]
        broker: String,
        /// Beginning of the topics; the source's name follows after a slash.
        #[arg(long, value_name = "PREFIX")]
        topic: String,
        /// User name at the broker.
        #[arg(long, requires = "password_file")]
        username: Option<String>,
        /// File whose first line is the password.
        #[arg(long, requires = "username")]
        password_file: Option<PathBuf>,
        /// Name of the session at the broker; the same name goes on with the same session.
        #[arg(long, default_value = "fobwatch-simulator")]
        client_id: String,
        #[command(flatten)]
        pace: PaceArguments,
    },
    /// Open a pseudo-terminal, print its path, and write a line for each reading.
    #[command(
        after_help = "Example: fobwatch-simulator pty --scenario plain --seed 7 --speed 3600 --link /tmp/sensor"
    )]
    Pty {
        #[command(flatten)]
        batch: BatchArguments,
        #[command(flatten)]
        pace: PaceArguments,
        /// Symbolic link to the terminal, removed at the end.
        #[arg(long)]
        link: Option<PathBuf>,
        /// What a line holds.
        #[arg(long, value_enum, default_value = "senml")]
        format: pty::Format,
        /// Put half lines and random bytes between the readings.
        #[arg(long)]
        noise: bool,
        /// Keep the terminal open after the last line, until killed.
        #[arg(long)]
        stay: bool,
    },
}

#[derive(Args)]
struct BatchArguments {
    /// Name of a shipped scenario, `drawn:N` for a batch drawn at random, or a TOML file.
    #[arg(long, value_name = "NAME|drawn:N|FILE")]
    scenario: String,
    /// The same seed gives the same bytes.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Seal the bottles at another time than the scenario says, RFC 3339.
    #[arg(long, value_name = "TIME")]
    bottled_at: Option<Timestamp>,
}

#[derive(Args)]
struct PaceArguments {
    /// Simulated seconds per second, or `max`.
    #[arg(long, default_value = "max", value_name = "X|max")]
    speed: pace::Speed,
}

impl BatchArguments {
    fn load(&self) -> Result<Scenario, Failure> {
        let mut scenario = self.find()?;
        if let Some(at) = self.bottled_at {
            scenario.bottled_at = at;
        }
        Ok(scenario)
    }

    fn find(&self) -> Result<Scenario, Failure> {
        if let Some(scenario) = Scenario::shipped(&self.scenario) {
            return Ok(scenario);
        }
        if let Some(number) = self.scenario.strip_prefix("drawn:") {
            let number = number.parse().map_err(|_| {
                Failure::Usage(format!(
                    "`{number}` is no number of a drawn batch; allowed: 0 and up"
                ))
            })?;
            return Ok(Scenario::drawn(number));
        }
        let text = std::fs::read_to_string(&self.scenario).map_err(|error| {
            Failure::Usage(format!(
                "`{}` is no shipped scenario ({}) and cannot be read as a file: {error}",
                self.scenario,
                Scenario::shipped_names().join(", ")
            ))
        })?;
        Scenario::from_toml(&text).map_err(|error| Failure::Usage(format!("{}: {error}", self.scenario)))
    }
}

/// Why the program ends without success.
pub(crate) enum Failure {
    /// Refused input: exit status 2.
    Usage(String),
    /// The world's fault: exit status 1.
    World(String),
}

fn main() -> ExitCode {
    match run(Arguments::parse().command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(Failure::Usage(message)) => {
            eprintln!("error: {message}");
            ExitCode::from(2)
        }
        Err(Failure::World(message)) => {
            eprintln!("error: {message}");
            ExitCode::FAILURE
        }
    }
}

fn run(command: Command) -> Result<(), Failure> {
    match command {
        Command::List => {
            use std::io::Write;
            let mut out = std::io::stdout().lock();
            for name in Scenario::shipped_names() {
                let title = Scenario::shipped(name)
                    .map(|scenario| scenario.title)
                    .unwrap_or_default();
                writeln!(out, "{name}: {title}").map_err(|error| Failure::World(error.to_string()))?;
            }
            Ok(())
        }
        Command::Write { batch, out } => files::write(&batch.load()?, batch.seed, &out),
        Command::Mqtt {
            batch,
            broker,
            topic,
            username,
            password_file,
            client_id,
            pace,
        } => {
            let login = mqtt::Login::read(username, password_file.as_deref())?;
            let target = mqtt::Target::new(&broker, &topic, client_id, login)?;
            mqtt::publish(&batch.load()?, batch.seed, pace.speed, &target)
        }
        Command::Pty {
            batch,
            pace,
            link,
            format,
            noise,
            stay,
        } => {
            let line = pty::Line {
                format,
                noise: noise.then_some(batch.seed),
                stay,
                link,
            };
            pty::write(&batch.load()?, batch.seed, pace.speed, &line)
        }
    }
}
