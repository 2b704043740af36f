//! Plays made-up batches, or recorded ones: into files, over MQTT, or over a pseudo-terminal.

mod files;
mod mqtt;
mod pace;
mod pty;
mod recorded;

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
    #[command(
        after_help = "Example: fobwatch-simulator write --scenario leak --seed 3 --out /tmp/leak\n         \
        --fault 'kind = \"dying\", source = \"kitchen\", from_h = 48, for_h = 24'"
    )]
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
        #[command(flatten)]
        login: LoginArguments,
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
        #[command(flatten)]
        line: LineArguments,
    },
    /// Play a recorded folder (readings.csv as `fobwatch export --batch` and `write` leave it) over MQTT or a pseudo-terminal,
    /// in the order of its rows.
    #[command(
        after_help = "Examples: fobwatch-simulator play plum-1 --broker 127.0.0.1:1883 --topic cellar --speed 3600\n          \
            fobwatch-simulator play plum-1 --begins 2026-03-02T07:00:00Z --link /tmp/sensor"
    )]
    Play {
        /// The folder.
        folder: PathBuf,
        /// Date the first row so, RFC 3339, and move all others with it; otherwise the times stay as they are.
        #[arg(long, value_name = "TIME")]
        begins: Option<Timestamp>,
        #[command(flatten)]
        pace: PaceArguments,
        /// Host and port of a broker; without it a pseudo-terminal is opened.
        #[arg(long, value_name = "HOST:PORT", requires = "topic", conflicts_with_all = ["link", "format", "noise", "hold", "stay"])]
        broker: Option<String>,
        /// Beginning of the topics; the source's name follows after a slash.
        #[arg(long, value_name = "PREFIX", requires = "broker")]
        topic: Option<String>,
        #[command(flatten)]
        login: LoginArguments,
        #[command(flatten)]
        line: LineArguments,
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
    /// A fault of a sensor, as in a scenario's [[fault]]; may be given again.
    ///
    /// kind is "stuck" (the value stays), "drift" (its error grows by `size` a day), "dying" (readings rarer, then sagging by
    /// `size` and noisy, then none after `for_h`), "swapped" (exchanged with `with_source`, `with_quantity`) or "brownout"
    /// (silence of `for_h`, then one reset value, times counted from 1970 for ten minutes; again each `every_h`). With source,
    /// quantity (all if absent), from_h, for_h. Sizes are in bar, degC or SG.
    #[arg(long = "fault", value_name = "ENTRIES")]
    faults: Vec<String>,
}

#[derive(Args)]
struct LoginArguments {
    /// User name at the broker.
    #[arg(long, requires = "password_file")]
    username: Option<String>,
    /// File whose first line is the password.
    #[arg(long, requires = "username")]
    password_file: Option<PathBuf>,
    /// Name of the session at the broker; the same name goes on with the same session.
    #[arg(long, default_value = "fobwatch-simulator")]
    client_id: String,
}

#[derive(Args)]
struct LineArguments {
    /// Symbolic link to the terminal, removed at the end.
    #[arg(long)]
    link: Option<PathBuf>,
    /// What a line holds.
    #[arg(long, value_enum, default_value = "senml")]
    format: pty::Format,
    /// Put half lines and random bytes between the readings.
    #[arg(long)]
    noise: bool,
    /// Wait for a line on standard input before the first reading: a reader that opens the port throws away what waits.
    #[arg(long)]
    hold: bool,
    /// Keep the terminal open after the last line, until killed.
    #[arg(long)]
    stay: bool,
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
        for entries in &self.faults {
            scenario = scenario
                .with_fault(entries)
                .map_err(|error| Failure::Usage(format!("--fault: {error}")))?;
        }
        Ok(scenario)
    }

    fn pace(&self, speed: pace::Speed) -> Result<pace::Pace, Failure> {
        Ok(pace::Pace::new(&self.load()?, self.seed, speed))
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

impl LoginArguments {
    fn target(self, broker: &str, topic: &str) -> Result<mqtt::Target, Failure> {
        let login = mqtt::Login::read(self.username, self.password_file.as_deref())?;
        mqtt::Target::new(broker, topic, self.client_id, login)
    }
}

impl LineArguments {
    fn line(self, seed: u64) -> pty::Line {
        pty::Line {
            format: self.format,
            noise: self.noise.then_some(seed),
            stay: self.stay,
            hold: self.hold,
            link: self.link,
        }
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
            login,
            pace,
        } => {
            let target = login.target(&broker, &topic)?;
            mqtt::publish(&batch.pace(pace.speed)?, &target)
        }
        Command::Pty { batch, pace, line } => pty::write(&batch.pace(pace.speed)?, &line.line(batch.seed)),
        Command::Play {
            folder,
            begins,
            pace,
            broker,
            topic,
            login,
            line,
        } => {
            let target = broker
                .zip(topic)
                .map(|(broker, topic)| login.target(&broker, &topic))
                .transpose()?;
            let pace = recorded::load(&folder, begins, pace.speed)?;
            match target {
                Some(target) => mqtt::publish(&pace, &target),
                None => pty::write(&pace, &line.line(1)),
            }
        }
    }
}
