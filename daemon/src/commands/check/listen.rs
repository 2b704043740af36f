//! `fobwatch check --listen`: what arrives, and how to map it.

use std::{collections::BTreeMap, fmt::Write, path::PathBuf, sync::Arc, time::Duration};

use clap::Args;
use fobwatch_core::reading::Source;
use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use super::{
    super::{Ended, say, span},
    tare,
};
use crate::{
    basic_string::quoted,
    config::{Broker, Config, Display},
    discover::{self, Ears, Heard, Offer},
    page,
    watch::{data_folder, stop_on_signals},
};

#[derive(Debug, Args)]
pub(super) struct Listening {
    /// Listen to the brokers and ports of the configuration, and tell what arrives; nothing is stored
    #[arg(long)]
    listen: bool,
    /// How long to listen; Ctrl-C ends it earlier
    #[arg(long = "for", value_name = "TIME", value_parser = span::read, default_value = "60s")]
    lasting: jiff::SignedDuration,
    /// Listen to the gauge SOURCE in open air, before its bottle is closed, and take what it reads for its zero
    #[arg(long, value_name = "SOURCE")]
    tare: Option<String>,
    /// Folder in which readings, and the zeros of gauges, are kept
    #[arg(long, value_name = "DIR", requires = "tare")]
    data: Option<PathBuf>,
    /// Listen to this broker too, without TLS or password
    #[arg(long, value_name = "HOST[:PORT]", requires = "listen")]
    mqtt: Vec<String>,
    /// Listen to this serial port too
    #[arg(long, value_name = "PORT", requires = "listen")]
    serial: Vec<String>,
    /// Speed of the ports given with --serial, in bits per second
    #[arg(long, default_value_t = 115_200, value_parser = clap::value_parser!(u32).range(50..=4_000_000), requires = "serial")]
    baud: u32,
}

impl Listening {
    pub(super) fn is_wanted(&self) -> bool {
        self.listen || self.tare.is_some()
    }

    pub(super) fn run(self, configs: Vec<Config>) -> Result<(), Ended> {
        if !self.is_wanted() {
            return Ok(());
        }
        let defaults = super::read_config(None)?;
        let mut configs = configs.into_iter();
        let config = configs.next().unwrap_or(defaults);
        if configs.next().is_some() {
            return Err(Ended::Refused(
                "--listen takes one configuration at a time; name the batch files and one configuration"
                    .to_owned(),
            ));
        }
        let tare = match self.tare {
            None => None,
            Some(given) => {
                let source = Source::new(&given).map_err(|bad| Ended::Refused(format!("--tare: {bad}")))?;
                let folder =
                    data_folder(self.data, &config).map_err(|none| Ended::Refused(none.to_string()))?;
                Some((source, folder))
            }
        };
        let mut brokers = config.mqtt;
        let bare = self
            .mqtt
            .iter()
            .map(|given| bare(given))
            .collect::<Result<Vec<_>, _>>()?;
        let unmapped: Vec<_> = bare
            .iter()
            .map(|broker| (broker.name(), broker.host.clone(), broker.port))
            .collect();
        brokers.extend(bare);
        if brokers.is_empty() && config.serial.is_empty() && self.serial.is_empty() {
            return Err(Ended::Refused(
                "there is nothing to listen to; allowed: a configuration with [[mqtt]] or [[serial]], --mqtt HOST or --serial PORT"
                    .to_owned(),
            ));
        }
        let lasting = Duration::try_from(self.lasting).unwrap_or(Duration::from_secs(60));
        let unknown_ports: Vec<_> = self.serial.into_iter().map(|name| (name, self.baud)).collect();
        let told = Told {
            unmapped,
            unknown_ports: unknown_ports.clone(),
            display: config.display,
        };
        let ears = Ears {
            brokers,
            ports: config.serial,
            unknown_ports,
            calibrations: Arc::new(config.calibrations),
        };
        eprintln!("Listening for {:#}; no reading is stored.", self.lasting);
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .map_err(|error| Ended::Failed(format!("the system refuses threads: {error}")))?;
        let heard = runtime.block_on(async {
            let stop = CancellationToken::new();
            stop_on_signals(stop.clone()).map_err(|failure| Ended::Failed(failure.to_string()))?;
            Ok(discover::listen(ears, lasting, stop).await)
        })?;
        if let Some((source, folder)) = tare {
            for (place, why) in &heard.troubles {
                eprintln!("warning: {place}: {why}.");
            }
            return say(&tare::take(&heard, &source, &folder, Timestamp::now())?);
        }
        say(told.report(&heard).trim_end())?;
        if heard.troubles.is_empty() {
            Ok(())
        } else {
            Err(Ended::Failed("not everything could be heard".to_owned()))
        }
    }
}

/// A broker of which only the address is known.
fn bare(given: &str) -> Result<Broker, Ended> {
    let (host, port) = match given.rsplit_once(':') {
        Some((host, port)) if !host.contains(':') || host.ends_with(']') => (host, port),
        _ => (given, "1883"),
    };
    let text = format!("[[mqtt]]\nhost = {}\nport = {port}\nsenml = []\n", quoted(host));
    let refused = |why: String| Ended::Refused(format!("--mqtt is {given}: {why}"));
    let mut config = Config::from_toml(&text, "--mqtt").map_err(|bad| refused(bad.to_string()))?;
    config
        .mqtt
        .pop()
        .ok_or_else(|| refused("allowed: HOST or HOST:PORT".to_owned()))
}

/// What the report needs beside what was heard.
struct Told {
    /// Brokers of the command line: their name, host and port.
    unmapped: Vec<(String, String, u16)>,
    unknown_ports: Vec<(String, u32)>,
    display: Display,
}

impl Told {
    fn report(&self, heard: &Heard) -> String {
        let mut out = String::new();
        // Writing to a text cannot fail.
        let _ = self.write(heard, &mut out);
        out
    }

    fn write(&self, heard: &Heard, out: &mut String) -> std::fmt::Result {
        if heard.read.is_empty() {
            writeln!(out, "No reading arrived that the configuration maps.")?;
        } else {
            writeln!(out, "Readings as they are configured:")?;
        }
        let units = page::Units::from(&self.display);
        for (((place, topic), source, quantity), flow) in &heard.read {
            let last = units.measured(&flow.last).replace('\u{a0}', " ");
            let times = match flow.every() {
                None => "once".to_owned(),
                Some(every) => format!("{} times, every {}", flow.count, seconds(every)),
            };
            writeln!(
                out,
                "  {source}, {quantity}: {last}, {times} ({})",
                way(place, topic)
            )?;
        }
        if !heard.unread.is_empty() {
            writeln!(out, "\nNot read:")?;
        }
        for ((place, topic), unread) in &heard.unread {
            let times = if unread.count == 1 {
                "once".to_owned()
            } else {
                format!("{} times", unread.count)
            };
            writeln!(
                out,
                "  {}: {times}; {}. Last: {}",
                way(place, topic),
                unread.why,
                unread.sample
            )?;
        }
        if heard.beyond > 0 {
            writeln!(
                out,
                "  and {} more from topics beyond the first 500",
                heard.beyond
            )?;
        }
        if !heard.troubles.is_empty() {
            writeln!(out, "\nNot heard:")?;
        }
        for (place, why) in &heard.troubles {
            writeln!(out, "  {place}: {why}.")?;
        }
        self.offers(heard, out)
    }

    fn offers(&self, heard: &Heard, out: &mut String) -> std::fmt::Result {
        let mut places: BTreeMap<&str, (Vec<&str>, Vec<&str>)> = BTreeMap::new();
        for ((place, _), offer) in &heard.offers {
            let (senml, tables) = places.entry(place).or_default();
            match offer {
                Offer::Senml(topic) => senml.push(topic),
                Offer::Table(table) => tables.push(table),
            }
        }
        if places.is_empty() {
            return Ok(());
        }
        writeln!(
            out,
            "\nTo paste into the configuration. Sources, quantities and units are guesses: look at each before you trust it.\n"
        )?;
        for (place, (senml, tables)) in places {
            let list: Vec<_> = senml.iter().map(|topic| quoted(topic)).collect();
            let list = list.join(", ");
            if let Some((_, baud)) = self.unknown_ports.iter().find(|(name, _)| name == place) {
                writeln!(out, "[[serial]]\nport = {}\nbaud = {baud}", quoted(place))?;
            } else if let Some((_, host, port)) = self.unmapped.iter().find(|(name, ..)| name == place) {
                writeln!(out, "[[mqtt]]\nhost = {}\nport = {port}", quoted(host))?;
                if !senml.is_empty() {
                    writeln!(out, "senml = [{list}]")?;
                }
            } else {
                writeln!(out, "# behind the [[mqtt]] block of {place}")?;
                if !senml.is_empty() {
                    writeln!(out, "# into its list `senml`: {list}")?;
                }
            }
            for table in tables {
                writeln!(out, "{table}")?;
            }
        }
        Ok(())
    }
}

fn way(place: &str, topic: &str) -> String {
    let topic: String = topic
        .chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .take(120)
        .collect();
    if topic.is_empty() {
        place.to_owned()
    } else {
        format!("{place}, topic {topic}")
    }
}

fn seconds(every: Duration) -> String {
    let seconds = every.as_secs_f64();
    if seconds < 10.0 {
        format!("{seconds:.1} s")
    } else {
        format!("{seconds:.0} s")
    }
}
