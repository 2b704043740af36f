//! `[[mqtt]]`: a broker, what to take from it and what to tell it.

use std::{fmt, path::PathBuf};

use fobwatch_core::document::Section;
use jiff::Timestamp;
use rumqttc::mqttbytes::{matches, valid_filter, valid_topic};

use super::channel;
use crate::decode::{
    Calibrations, Decoded,
    mapped::{self, Channel, Pointers},
    senml,
};

const HOST: &str = "a host name or address, 1 to 253 characters without blanks";
const CLIENT: &str = "1 to 64 letters, digits, hyphens or underscores, unlike that of another [[mqtt]] block of the same broker";
const FILTER: &str = "a topic filter of MQTT, as \"sensors/+/senml\"";
const PREFIX: &str = "a topic of MQTT without + and #, 1 to 200 characters, no slash at its ends";

/// A broker.
#[derive(Clone, Debug)]
pub struct Broker {
    /// Where it is.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// The fixed name under which it keeps our session.
    pub client_id: String,
    /// Who we are to it.
    pub username: Option<String>,
    /// The file that holds our password.
    pub password_file: Option<PathBuf>,
    /// Read from that file by [`super::Config::load`].
    pub password: Option<Secret>,
    /// Where alerts go; `None`: nowhere.
    pub publish_prefix: Option<String>,
    /// What to subscribe to. The first that matches a topic reads its messages: mapped topics stand before SenML.
    pub routes: Vec<Route>,
}

/// A topic filter, and how its messages are read.
#[derive(Clone, Debug, PartialEq)]
pub struct Route {
    /// The filter.
    pub filter: String,
    /// How.
    pub format: RouteFormat,
}

/// How a message is read.
#[derive(Clone, Debug, PartialEq)]
pub enum RouteFormat {
    /// SenML JSON.
    Senml,
    /// A bare number.
    Number(Channel),
    /// Numbers in a JSON document.
    Json(Pointers),
}

impl RouteFormat {
    /// Whether its messages can tell when they were measured. What cannot is subscribed to without delivery after an
    /// absence: an old value would pass for one of its arrival.
    #[must_use]
    pub fn has_time(&self) -> bool {
        match self {
            Self::Senml => true,
            Self::Number(_) => false,
            Self::Json(pointers) => pointers.time.is_some(),
        }
    }
}

/// A text that no message or log may show.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Keeps a secret.
    #[must_use]
    pub fn new(text: &str) -> Self {
        Self(text.to_owned())
    }

    /// The text itself, for the one who logs in with it.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

impl Broker {
    /// How messages call it.
    #[must_use]
    pub fn name(&self) -> String {
        format!("{}:{}", self.host, self.port)
    }

    /// The readings of a message on `topic`; `None`: no route matches it.
    #[must_use]
    pub fn decode(
        &self,
        topic: &str,
        payload: &[u8],
        arrival: Timestamp,
        calibrations: &Calibrations,
    ) -> Option<Decoded> {
        let route = self.routes.iter().find(|route| matches(topic, &route.filter))?;
        Some(match &route.format {
            RouteFormat::Senml => senml::read(payload, arrival, calibrations),
            RouteFormat::Number(channel) => mapped::read_number(payload, channel, arrival, calibrations),
            RouteFormat::Json(pointers) => mapped::read_json(payload, pointers, arrival, calibrations),
        })
    }
}

pub(super) fn read(
    section: &mut Section<'_, '_>,
    others: &[Broker],
    calibrations: &Calibrations,
) -> Option<Broker> {
    section.require("host", HOST);
    let host = section.text("host", HOST, |text| {
        let plain = !text
            .chars()
            .any(|c| c.is_whitespace() || c.is_control() || c == '/');
        ((1..=253).contains(&text.len()) && plain).then(|| text.to_owned())
    });
    let port = section
        .whole("port", 1, 65_535)
        .and_then(|port| u16::try_from(port).ok());
    let port = port.unwrap_or(1_883);
    let client_id = section.text("client_id", CLIENT, |text| {
        let plain = text
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
        ((1..=64).contains(&text.len()) && plain).then(|| text.to_owned())
    });
    let had_client_id = section.has("client_id");
    let client_id = client_id.unwrap_or_else(|| "fobwatch".to_owned());
    let username = section.text("username", "1 to 200 characters", |text| {
        (1..=200).contains(&text.len()).then(|| text.to_owned())
    });
    let password_file = section.text("password_file", "a path", |text| {
        (!text.trim().is_empty()).then(|| PathBuf::from(text))
    });
    if password_file.is_some() {
        section.require("username", "1 to 200 characters: a password goes with a name");
    }
    let publish_prefix = section.text("publish_prefix", PREFIX, |text| {
        let whole = (1..=200).contains(&text.len()) && text.trim_matches('/') == text;
        (whole && valid_topic(text) && !text.chars().any(char::is_control)).then(|| text.to_owned())
    });
    let mut routes = Vec::new();
    section.sections("number", |section, _| {
        let filter = filter(section);
        let channel = channel::read(section, calibrations);
        routes.push(Route {
            filter: filter?,
            format: RouteFormat::Number(channel?),
        });
        Some(())
    });
    section.sections("json", |section, _| {
        let filter = filter(section);
        let pointers = pointers(section, calibrations);
        routes.push(Route {
            filter: filter?,
            format: RouteFormat::Json(pointers?),
        });
        Some(())
    });
    let senml = section.texts(
        "senml",
        "topic filters of MQTT, as [\"sensors/+/senml\"]",
        read_filter,
    );
    routes.extend(senml.unwrap_or_default().into_iter().map(|filter| Route {
        filter,
        format: RouteFormat::Senml,
    }));
    if routes.is_empty() && publish_prefix.is_none() && !section.has("number") && !section.has("json") {
        section.require(
            "senml",
            "topic filters, unless [[mqtt.number]], [[mqtt.json]] or `publish_prefix` gives it work",
        );
    }
    let host = host?;
    let same = |other: &Broker| other.host == host && other.port == port && other.client_id == client_id;
    if others.iter().any(same) {
        if had_client_id {
            section.refuse_entry("client_id", CLIENT);
        } else {
            section.require("client_id", CLIENT);
        }
    }
    Some(Broker {
        host,
        port,
        client_id,
        username,
        password_file,
        password: None,
        publish_prefix,
        routes,
    })
}

fn filter(section: &mut Section<'_, '_>) -> Option<String> {
    section.require("topic", FILTER);
    section.text("topic", FILTER, read_filter)
}

fn read_filter(text: &str) -> Option<String> {
    let whole = (1..=1_000).contains(&text.len()) && !text.chars().any(char::is_control);
    (whole && valid_filter(text)).then(|| text.to_owned())
}

fn pointers(section: &mut Section<'_, '_>, calibrations: &Calibrations) -> Option<Pointers> {
    const POINTER: &str = "a JSON Pointer after RFC 6901, as \"/air/temperature\"";
    let pointer = |text: &str| {
        let whole = (text.is_empty() || text.starts_with('/')) && text.len() <= 500;
        whole.then(|| text.to_owned())
    };
    let time = section.text("time", POINTER, pointer);
    let form = channel::time_form(section);
    section.require("values", "one or more [[mqtt.json.values]]");
    let values = section.sections("values", |section, _| {
        section.require("pointer", POINTER);
        let pointer = section.text("pointer", POINTER, pointer);
        let channel = channel::read(section, calibrations);
        Some((pointer?, channel?))
    });
    Some(Pointers {
        time: time.map(|time| (time, form)),
        values,
    })
}
