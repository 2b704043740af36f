//! What the user configured, read from TOML and checked: whoever holds a [`Config`] need not ask whether it is valid.
//!
//! The defaults stand in `config/default.toml`, which is built into the program; a file of the user's goes over them.

mod access;
mod away;
mod bad_file;
mod broker;
mod calibration;
mod channel;
mod delivery;
mod load;
mod password;
mod port;
mod secret;
mod series;
mod share;
mod tls;
mod topic;
pub mod zero;

#[cfg(test)]
mod tests;

use std::{net::SocketAddr, path::PathBuf, time::Duration};

use fobwatch_core::{
    alert::Units,
    document::{BadDocument, Document, Section},
    engine::{ClockSource, Rules, Settings, WakingHours},
    fit::Surroundings,
    quantity::{Altitude, Dimension, GaugePressure, Probability, Unit},
};
use jiff::{SignedDuration, civil::Time, tz::TimeZone};

use crate::decode::Calibrations;

pub use access::{Access, Certificate, Exposed, May, Person, Token};
pub use bad_file::BadFile;
pub use broker::{Broker, JsonValues, Protocol, Route, RouteFormat};
pub use delivery::{Body, Digest, DigestWhen, Email, Picks, Security, Webhook};
pub use load::BadConfig;
pub use password::PasswordHash;
pub use port::{LineFormat, Port};
pub use secret::{Address, Place, Secret};
pub use series::SeriesServer;
pub use share::{Peered, Share};
pub use tls::Tls;
pub use topic::{Numbers, Pattern, What};
pub use zero::Zero;

/// The text of the defaults.
pub const DEFAULT: &str = include_str!("../../../config/default.toml");

/// Signs of life are sent so often, unless the configuration says otherwise.
const PING_EVERY: Duration = Duration::from_secs(300);
/// What `[store] gather_s` is unless it is configured.
const GATHER: Duration = Duration::from_secs(1);

/// Everything that is configured.
#[derive(Clone, Debug)]
pub struct Config {
    /// Height above the sea.
    pub altitude: Altitude,
    /// How screens show things.
    pub display: Display,
    /// What moves the clock.
    pub clock: Clock,
    /// Where readings are kept, unless the command line says so.
    pub store_folder: Option<PathBuf>,
    /// How long raw readings are kept beside their rollups; `None`: for ever.
    pub raw_for: Option<SignedDuration>,
    /// How long what comes in slowly waits for more, so that it goes to the disk together.
    pub gather: Duration,
    /// Where page and API are served, unless the command line says so.
    pub listen: SocketAddr,
    /// Where readings alone may be posted, from other machines too; `None`: only where the page is.
    pub post_listen: Option<SocketAddr>,
    /// The place of the token with which sensors may post readings; `None`: none may.
    pub token_file: Option<Place>,
    /// Read from that place by [`Config::load`].
    pub token: Option<Secret>,
    /// Who is let in from elsewhere, and how the way is secured.
    pub access: Access,
    /// Which of a site's batches are watched here.
    pub share: Share,
    /// The other daemons of the site.
    pub peered: Peered,
    /// When alerts are raised.
    pub rules: Rules,
    /// Brokers.
    pub mqtt: Vec<Broker>,
    /// Serial ports.
    pub serial: Vec<Port>,
    /// An address that is asked every so often, as a sign of life; read by [`Config::load`] where a file holds it.
    pub ping_url: Option<Address>,
    /// The place of that address, where it is a secret.
    pub ping_url_file: Option<Place>,
    /// How often.
    pub ping_every: Duration,
    /// Addresses that alerts are posted to.
    pub webhooks: Vec<Webhook>,
    /// Mail servers that send alerts.
    pub emails: Vec<Email>,
    /// Time-series servers.
    pub series: Vec<SeriesServer>,
    /// How raw values become quantities.
    pub calibrations: Calibrations,
}

/// How screens show things.
#[derive(Clone, Debug, PartialEq)]
pub struct Display {
    /// The zone of local times.
    pub zone: TimeZone,
    /// A unit of pressure.
    pub pressure: Unit,
    /// A unit of temperature.
    pub temperature: Unit,
}

/// What moves the daemon's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clock {
    /// The wall clock.
    Wall,
    /// The latest accepted measured time: to play a recording through the daemon faster than it was made.
    Readings,
}

impl Display {
    /// The units of pressure and temperature.
    #[must_use]
    pub fn units(&self) -> Units {
        Units {
            pressure: self.pressure,
            temperature: self.temperature,
        }
    }
}

impl Config {
    /// The defaults alone.
    ///
    /// # Errors
    /// Never in a program that has passed its tests.
    pub fn defaults() -> Result<Self, BadDocument> {
        Document::parse(DEFAULT, "config/default.toml").read(|file| read(file, None))
    }

    /// Reads a configuration over the defaults. `place` is what messages call it. Files that it names are not opened.
    ///
    /// # Errors
    /// Every problem of the text, each with its line, key, value and what is allowed.
    pub fn from_toml(text: &str, place: &str) -> Result<Self, BadDocument> {
        let defaults = Self::defaults()?;
        Document::parse(text, place).read(|file| read(file, Some(&defaults)))
    }

    /// What the engines need of it.
    #[must_use]
    pub fn settings(&self, clock: ClockSource) -> Settings {
        Settings {
            zone: self.display.zone.clone(),
            units: self.display.units(),
            surroundings: Surroundings {
                usual_ambient: self.altitude.usual_air(),
            },
            clock,
            rules: self.rules.clone(),
        }
    }
}

fn read(file: &mut Section<'_, '_>, base: Option<&Config>) -> Option<Config> {
    if base.is_none() {
        for key in ["place", "display", "clock", "http", "alerts"] {
            file.require(key, "a table");
        }
    }
    let altitude = file
        .section("place", |place| Some(altitude(place, base)))
        .unwrap_or(base.map(|base| base.altitude));
    let display = file
        .section("display", |section| Some(display(section, base)))
        .unwrap_or(base.map(|base| base.display.clone()));
    let clock = file
        .section("clock", |clock| {
            let given = clock.text("source", "\"wall\" or \"readings\"", |text| match text {
                "wall" => Some(Clock::Wall),
                "readings" => Some(Clock::Readings),
                _ => None,
            });
            Some(given.or(base.map(|base| base.clock)))
        })
        .unwrap_or(base.map(|base| base.clock));
    let mut raw_for = base.and_then(|base| base.raw_for);
    let mut gather = base.map_or(GATHER, |base| base.gather);
    let store_folder = file
        .section("store", |store| {
            raw_for = store
                .whole("raw_for_days", 7, 36_500)
                .map(|days| SignedDuration::from_hours(24 * i64::from(days)))
                .or(raw_for);
            if let Some(seconds) = store.whole("gather_s", 0, 60) {
                gather = Duration::from_secs(u64::from(seconds));
            }
            store.text("folder", "a path", |text| {
                (!text.trim().is_empty()).then(|| PathBuf::from(text))
            })
        })
        .or_else(|| base.and_then(|base| base.store_folder.clone()));
    let mut post_listen = base.and_then(|base| base.post_listen);
    let mut token_file = base.and_then(|base| base.token_file.clone());
    let mut access = base.map(|base| base.access.clone()).unwrap_or_default();
    let listen = file
        .section("http", |http| {
            access = access::read(http);
            let given = http.text("token_file", secret::PLACE, Place::named);
            token_file = given.or(token_file.take());
            let allowed = "an address with its port that is not `listen`, as \"0.0.0.0:8741\"";
            post_listen = http
                .text("post_listen", allowed, |text| text.parse().ok())
                .or(post_listen);
            if post_listen.is_some() && token_file.is_none() {
                http.require("token_file", "the place of a token: nobody may post without one");
            }
            let allowed = "an address with its port, as \"127.0.0.1:8740\"";
            let given = http.text("listen", allowed, |text| text.parse().ok());
            Some(given.or(base.map(|base| base.listen)))
        })
        .unwrap_or(base.map(|base| base.listen));
    let rules = file
        .section("alerts", |alerts| {
            Some(rules(alerts, base.map(|base| &base.rules)))
        })
        .unwrap_or(base.map(|base| base.rules.clone()));
    let mut calibrations = Calibrations::default();
    file.sections("calibration", |section, _| {
        calibration::read(section, &mut calibrations)
    });
    let mut mqtt: Vec<Broker> = Vec::new();
    let mut serial: Vec<Port> = Vec::new();
    file.sections("mqtt", |section, _| {
        let broker = broker::read(section, &mqtt, &calibrations)?;
        mqtt.push(broker);
        Some(())
    });
    file.sections("serial", |section, _| {
        let port = port::read(section, &serial, &calibrations)?;
        serial.push(port);
        Some(())
    });
    let (mut ping_url, mut ping_url_file, mut ping_every) = (None, None, PING_EVERY);
    file.section("heartbeat", |section| {
        ping_url = delivery::url(section, "ping_url");
        ping_url_file = section.text("ping_url_file", secret::PLACE, Place::named);
        if ping_url_file.is_some() {
            section.refuse_entry("ping_url", "only one of `ping_url` and `ping_url_file`");
        }
        let minutes = section.number("every_min", "0.1 to 1440 minutes", |minutes| {
            (0.1..=1_440.0).contains(&minutes)
        });
        if let Some(minutes) = minutes {
            ping_every = Duration::from_secs_f64(60.0 * minutes);
        }
        Some(())
    });
    let mut names: Vec<String> = Vec::new();
    let (mut webhooks, mut emails) = (Vec::new(), Vec::new());
    file.sections("webhook", |section, _| {
        let webhook = delivery::webhook(section, &names)?;
        names.push(webhook.name.clone());
        webhooks.push(webhook);
        Some(())
    });
    file.sections("email", |section, _| {
        let email = delivery::email(section, &names)?;
        names.push(email.name.clone());
        emails.push(email);
        Some(())
    });
    let mut servers: Vec<SeriesServer> = Vec::new();
    file.sections("series", |section, _| {
        let server = series::read(section, &servers)?;
        servers.push(server);
        Some(())
    });
    let (share, mut peered) = file.section("share", share::read).unwrap_or_default();
    peered.peers.retain(|peer| {
        mqtt.iter()
            .all(|broker| broker.publish_prefix.as_ref() != Some(peer))
    });
    for broker in &mut mqtt {
        broker.peers.clone_from(&peered.peers);
    }
    Some(Config {
        altitude: altitude?,
        display: display?,
        clock: clock?,
        store_folder,
        raw_for,
        gather,
        listen: listen?,
        post_listen,
        token_file,
        token: None,
        access,
        share,
        peered,
        rules: rules?,
        mqtt,
        serial,
        ping_url,
        ping_url_file,
        ping_every,
        webhooks,
        emails,
        series: servers,
        calibrations,
    })
}

fn altitude(place: &mut Section<'_, '_>, base: Option<&Config>) -> Option<Altitude> {
    let metres = place.number("altitude_m", "-500 to 6000 m", |m| {
        (-500.0..=6_000.0).contains(&m)
    });
    let given = metres.and_then(|metres| Altitude::from_metres(metres).ok());
    given.or(base.map(|base| base.altitude))
}

fn display(display: &mut Section<'_, '_>, base: Option<&Config>) -> Option<Display> {
    let allowed = "\"system\", or a name of the zone database, as \"Europe/Lisbon\"";
    let zone = display.text("time_zone", allowed, |text| match text {
        "system" => Some(TimeZone::system()),
        name => TimeZone::get(name).ok(),
    });
    let unit = |dimension: Dimension| {
        move |text: &str| {
            text.parse::<Unit>()
                .ok()
                .filter(|unit| unit.dimension() == dimension)
        }
    };
    let pressure = display.text(
        "pressure",
        "bar, mbar, hPa, kPa, Pa or psi",
        unit(Dimension::Pressure),
    );
    let temperature = display.text("temperature", "degC, degF or K", unit(Dimension::Temperature));
    Some(Display {
        zone: zone.or_else(|| base.map(|base| base.display.zone.clone()))?,
        pressure: pressure.or(base.map(|base| base.display.pressure))?,
        temperature: temperature.or(base.map(|base| base.display.temperature))?,
    })
}

fn rules(alerts: &mut Section<'_, '_>, base: Option<&Rules>) -> Option<Rules> {
    let hours = |alerts: &mut Section<'_, '_>, key| {
        let hours = alerts.number(key, "0.5 to 240 hours", |h| (0.5..=240.0).contains(&h));
        hours.and_then(|hours| SignedDuration::try_from_secs_f64(hours * 3_600.0).ok())
    };
    let notice = hours(alerts, "notice_h");
    let remind_every = hours(alerts, "remind_h");
    let chance = |alerts: &mut Section<'_, '_>, key| {
        let percent = alerts.number(key, "0.1 to 50 %", |percent| (0.1..=50.0).contains(&percent));
        percent.and_then(|percent| Probability::from_share(percent / 100.0).ok())
    };
    let limit_chance = chance(alerts, "limit_chance_percent");
    let limit_chance_blind = chance(alerts, "limit_chance_blind_percent");
    let leap = alerts
        .number("leap_bar", "0.05 to 5 bar", |bar| (0.05..=5.0).contains(&bar))
        .and_then(|bar| GaugePressure::from_bar(bar).ok());
    let silent_intervals = alerts.whole("silent_intervals", 2, 1_000);
    let silent_at_least = alerts
        .whole("silent_at_least_min", 1, 1_440)
        .map(|minutes| SignedDuration::from_mins(i64::from(minutes)));
    let allowed = "two times of day, as [\"07:00\", \"22:30\"]: getting up and going to bed";
    let waking_hours = match alerts.texts("waking_hours", allowed, |text| text.parse::<Time>().ok()) {
        None => base.and_then(|base| base.waking_hours),
        Some(times) => match times[..] {
            [from, until] if from != until => Some(WakingHours { from, until }),
            _ => {
                alerts.refuse_entry("waking_hours", allowed);
                None
            }
        },
    };
    let away = away::read(alerts, base);
    Some(Rules {
        waking_hours,
        away,
        notice: notice.or(base.map(|base| base.notice))?,
        limit_chance: limit_chance.or(base.map(|base| base.limit_chance))?,
        limit_chance_blind: limit_chance_blind.or(base.map(|base| base.limit_chance_blind))?,
        leap: leap.or(base.map(|base| base.leap))?,
        silent_intervals: silent_intervals.or(base.map(|base| base.silent_intervals))?,
        silent_at_least: silent_at_least.or(base.map(|base| base.silent_at_least))?,
        remind_every: remind_every.or(base.map(|base| base.remind_every))?,
    })
}
