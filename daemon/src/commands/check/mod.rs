//! `fobwatch check`

mod hash_password;
mod listen;
mod send_test;
mod tare;

use std::{
    collections::BTreeMap,
    net::TcpListener,
    path::{Path, PathBuf},
};

use clap::Args;
use fobwatch_core::batch::Batch;

use super::{Ended, read, read_config, say};
use crate::{
    config::Config,
    moment,
    watch::{Clock, WallClock},
};

/// Check configuration and batch files with the secrets and ports they name, and tell every problem at once; with
/// --listen also what arrives, and how to map it.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch check kitchen.toml batches/\n  fobwatch check --listen --for 30s kitchen.toml\n  \
                  fobwatch check --listen --mqtt broker.home --serial /dev/serial/by-id/usb-gauge --baud 9600\n  \
                  fobwatch check --tare pilot kitchen.toml\n  \
                  fobwatch check --send-test kitchen.toml\n  \
                  fobwatch check --hash-password"
)]
pub(super) struct Check {
    /// Files to check, or folders of batch files; none: the built-in defaults
    files: Vec<PathBuf>,
    /// Send a test through every channel that the configuration names, and tell of each whether it took it
    #[arg(long)]
    send_test: bool,
    /// Read a password from standard input and tell the line that is kept of it, for `password_file` of [[http.person]]
    #[arg(long, exclusive = true)]
    hash_password: bool,
    #[command(flatten)]
    listening: listen::Listening,
}

/// What became of the files.
#[derive(Default)]
struct Outcome {
    configs: Vec<Config>,
    /// Names of batches, and the file of each.
    batches: BTreeMap<String, String>,
    failed: bool,
    refused: bool,
}

impl Check {
    pub(super) fn run(self) -> Result<(), Ended> {
        if self.hash_password {
            return hash_password::run();
        }
        let mut outcome = Outcome::default();
        if self.files.is_empty() && !self.listening.is_wanted() {
            read_config(None)?;
            return say("The built-in defaults are fine.");
        }
        for path in &self.files {
            outcome.look_at(path)?;
        }
        match (outcome.refused, outcome.failed) {
            (true, _) => return Err(Ended::Refused("not every file is fine".to_owned())),
            (false, true) => return Err(Ended::Failed("not every file could be read".to_owned())),
            (false, false) => {}
        }
        if self.send_test {
            return send_test::run(&outcome.configs);
        }
        self.listening.run(outcome.configs)
    }
}

impl Outcome {
    fn look_at(&mut self, path: &Path) -> Result<(), Ended> {
        if !path.is_dir() {
            return self.file(path);
        }
        let entries = std::fs::read_dir(path).and_then(Iterator::collect::<Result<Vec<_>, _>>);
        let mut files: Vec<_> = match entries {
            Ok(entries) => entries.iter().map(std::fs::DirEntry::path).collect(),
            Err(error) => {
                self.fail(&format!("{} cannot be read: {error}", path.display()));
                return Ok(());
            }
        };
        files.retain(|file| file.extension().is_some_and(|ending| ending == "toml"));
        files.sort();
        if files.is_empty() {
            eprintln!("warning: {} holds no file that ends in .toml", path.display());
        }
        files.iter().try_for_each(|file| self.file(file))
    }

    fn file(&mut self, file: &Path) -> Result<(), Ended> {
        let text = match read(file) {
            Ok(text) => text,
            Err(why) => {
                self.fail(&why.to_string());
                return Ok(());
            }
        };
        let place = file.display().to_string();
        // A batch file is known by what no configuration has.
        let is_batch = text.lines().any(|line| {
            let line = line.trim_start();
            line.starts_with("[bottle]") || line.starts_with("[drink]") || line.starts_with("bottled_at")
        });
        if is_batch {
            return match Batch::from_toml(&text, &place) {
                Ok((batch, warnings)) => {
                    for warning in warnings {
                        eprintln!("warning: {place}: {warning}");
                    }
                    let zone = jiff::tz::TimeZone::system();
                    if let Some(odd) = moment::odd_year(batch.bottled_at, WallClock.now(), &zone) {
                        eprintln!("warning: {place}: {odd}");
                    }
                    let name = batch.name.to_string();
                    if let Some(other) = self.batches.insert(name.clone(), place.clone()) {
                        self.refuse(&format!(
                            "{place}: `name` is \"{name}\", as in {other}; allowed: a name that no other batch has"
                        ));
                        return Ok(());
                    }
                    say(&format!("{place}: the batch `{name}` is fine."))
                }
                Err(bad) => {
                    self.refuse(&bad.to_string());
                    Ok(())
                }
            };
        }
        match read_config(Some(file)) {
            Ok(config) => {
                // What is not plugged in or taken now may be otherwise once it is needed.
                for complaint in doors(&config) {
                    eprintln!("warning: {place}: {complaint}");
                }
                self.configs.push(config);
                say(&format!("{place}: the configuration is fine."))
            }
            Err(why) => {
                self.refuse(&why.to_string());
                Ok(())
            }
        }
    }

    fn fail(&mut self, why: &str) {
        eprintln!("error: {why}");
        self.failed = true;
    }

    fn refuse(&mut self, why: &str) {
        eprintln!("error: {why}");
        self.refused = true;
    }
}

/// Which ports of a configuration could not be used at this moment.
fn doors(config: &Config) -> Vec<String> {
    let mut complaints = Vec::new();
    for (port, index) in config.serial.iter().zip(0..) {
        if let Err(error) = std::fs::File::open(&port.name) {
            complaints.push(format!(
                "`serial[{index}].port` is \"{}\": {error}; it is tried again and again while the daemon runs; allowed: a port that \
                 is plugged in, and that this user may read (group dialout)",
                port.name
            ));
        }
    }
    let addresses = [
        ("http.listen", Some(config.listen)),
        ("http.post_listen", config.post_listen),
    ];
    for (key, address) in addresses {
        if let Some(address) = address
            && let Err(error) = TcpListener::bind(address)
        {
            complaints.push(format!(
                "`{key}` is \"{address}\": {error}; allowed: an address of this machine that nobody serves yet, unless that is \
                 fobwatch itself"
            ));
        }
    }
    complaints
}
