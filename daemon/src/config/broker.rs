//! `[[mqtt]]`: a broker, what to take from it and what to tell it.

use fobwatch_core::{
    document::Section,
    quantity::Unit,
    reading::{Quantity, Source},
};
use jiff::Timestamp;
use rumqttc::mqttbytes::valid_topic;

use super::{
    channel,
    filter::reaches,
    secret::{PLACE, Place, Secret},
    tls::{self, Tls},
    topic::{self, Numbers, Pattern, read_filter},
};
use crate::decode::{
    self, Calibrations, Decoded, TimeForm, Wrong,
    mapped::{self, Channel, Pointers},
    senml,
};

const HOST: &str = "a host name or address, 1 to 253 characters without blanks";
const CLIENT: &str = "1 to 64 letters, digits, hyphens or underscores, unlike that of another [[mqtt]] block of the same broker";
const PREFIX: &str = "a topic of MQTT without + and #, 1 to 200 characters, no slash at its ends";

/// A broker.
#[derive(Clone, Debug, PartialEq)]
pub struct Broker {
    /// Where it is.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// The fixed name under which it keeps our session.
    pub client_id: String,
    /// Who we are to it.
    pub username: Option<String>,
    /// Which MQTT it speaks.
    pub protocol: Protocol,
    /// How the link is secured; `None`: not at all.
    pub tls: Option<Tls>,
    /// The place that holds our password.
    pub password_file: Option<Place>,
    /// Read from that place by [`super::Config::load`].
    pub password: Option<Secret>,
    /// Where alerts go; `None`: nowhere.
    pub publish_prefix: Option<String>,
    /// Under which topics hubs of home automation look for what there is; `None`: nothing is announced.
    pub discovery_prefix: Option<String>,
    /// Whether what people send under that prefix is done to alerts.
    pub take_commands: bool,
    /// Prefixes of the other daemons of the site, which are listened to.
    pub peers: Vec<String>,
    /// What to subscribe to. The first that matches a topic reads its messages: mapped topics stand before SenML.
    pub routes: Vec<Route>,
}

/// A version of MQTT.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Protocol {
    /// 3.1.1
    Three,
    /// 5
    Five,
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
    Number(Pattern, Numbers),
    /// Numbers in a JSON document.
    Json(Pattern, JsonValues),
}

/// Where the numbers of a JSON document are: JSON Pointers after RFC 6901.
#[derive(Clone, Debug, PartialEq)]
pub struct JsonValues {
    /// Where the time stands; `None`: the time is that of the arrival.
    pub time: Option<(String, TimeForm)>,
    /// Where the numbers stand, and of which source (`None`: the one that the topic names), quantity and unit they are.
    pub values: Vec<(String, Option<Source>, Quantity, Unit)>,
}

impl RouteFormat {
    /// Whether its messages can tell when they were measured. What cannot is subscribed to without delivery after an
    /// absence: an old value would pass for one of its arrival.
    #[must_use]
    pub fn has_time(&self) -> bool {
        match self {
            Self::Senml => true,
            Self::Number(..) => false,
            Self::Json(_, values) => values.time.is_some(),
        }
    }
}

impl Broker {
    /// Where people send what is to be done to an alert; `None`: nowhere.
    #[must_use]
    pub fn command_topic(&self) -> Option<String> {
        let prefix = self
            .publish_prefix
            .as_ref()
            .filter(|_prefix| self.take_commands)?;
        Some(format!("{prefix}/command"))
    }

    /// What to subscribe to of the other daemons of the site.
    pub(crate) fn peer_filters(&self) -> impl Iterator<Item = String> + '_ {
        let of = |peer: &String| {
            [
                format!("{peer}/status"),
                format!("{peer}/share"),
                format!("{peer}/+/record"),
            ]
        };
        self.peers.iter().flat_map(of)
    }

    /// Which of them publishes on `topic`, and what stands behind its prefix there.
    pub(crate) fn peer<'t>(&self, topic: &'t str) -> Option<(&str, &'t str)> {
        let below = |peer: &'_ String| topic.strip_prefix(peer.as_str())?.strip_prefix('/');
        let (peer, rest) = self.peers.iter().find_map(|peer| Some((peer, below(peer)?)))?;
        let heard = matches!(rest, "status" | "share") || rest.ends_with("/record");
        heard.then_some((peer.as_str(), rest))
    }

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
        let route = self.routes.iter().find(|route| reaches(&route.filter, topic))?;
        Some(decode::forgiving(|| match &route.format {
            RouteFormat::Senml => senml::read(payload, arrival, calibrations),
            RouteFormat::Number(pattern, numbers) => match numbers.channel(topic, pattern) {
                Ok(channel) => mapped::read_number(payload, &channel, arrival, calibrations),
                Err(wrong) => Decoded::refused(wrong),
            },
            RouteFormat::Json(pattern, values) => match values.pointers(topic, pattern) {
                Ok(pointers) => mapped::read_json(payload, &pointers, arrival, calibrations),
                Err(wrong) => Decoded::refused(wrong),
            },
        }))
    }
}

impl JsonValues {
    fn pointers(&self, topic: &str, pattern: &Pattern) -> Result<Pointers, Wrong> {
        let named = match pattern.source {
            None => None,
            Some(_) => Some(pattern.source(topic)?),
        };
        let values = self
            .values
            .iter()
            .filter_map(|(pointer, source, quantity, unit)| {
                let channel = Channel {
                    source: source.clone().or_else(|| named.clone())?,
                    quantity: *quantity,
                    unit: *unit,
                };
                Some((pointer.clone(), channel))
            });
        Ok(Pointers {
            time: self.time.clone(),
            values: values.collect(),
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
            .any(|c| c.is_whitespace() || c.is_control() || c == '/' || c == '@');
        ((1..=253).contains(&text.len()) && plain).then(|| text.to_owned())
    });
    let port = section
        .whole("port", 1, 65_535)
        .and_then(|port| u16::try_from(port).ok());
    const VERSION: &str = "\"3.1.1\" or \"5\"";
    let tls = tls::read(section);
    let port = port.unwrap_or(if tls.is_some() { 8_883 } else { 1_883 });
    let protocol = section.text("protocol", VERSION, |text| match text {
        "3.1.1" => Some(Protocol::Three),
        "5" => Some(Protocol::Five),
        _ => None,
    });
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
    let password_file = section.text("password_file", PLACE, Place::named);
    if password_file.is_some() {
        section.require("username", "1 to 200 characters: a password goes with a name");
    }
    let publish_prefix = section.text("publish_prefix", PREFIX, prefix);
    let discovery_prefix = section.text("discovery_prefix", PREFIX, prefix);
    if discovery_prefix.is_some() {
        section.require("publish_prefix", PREFIX);
    }
    let take_commands = section.text("commands", "\"taken\" or \"ignored\"", |text| match text {
        "taken" => Some(true),
        "ignored" => Some(false),
        _ => None,
    });
    if take_commands == Some(true) {
        section.require("publish_prefix", PREFIX);
    }
    let mut routes = Vec::new();
    section.sections("number", |section, _| {
        let pattern = topic::pattern(section, true);
        let numbers = topic::numbers(section, pattern.as_ref(), calibrations);
        let pattern = pattern?;
        routes.push(Route {
            filter: pattern.filter.clone(),
            format: RouteFormat::Number(pattern, numbers?),
        });
        Some(())
    });
    section.sections("json", |section, _| {
        let pattern = topic::pattern(section, false);
        let names_source = pattern.as_ref().is_some_and(|pattern| pattern.source.is_some());
        let values = json_values(section, names_source, calibrations);
        let pattern = pattern?;
        routes.push(Route {
            filter: pattern.filter.clone(),
            format: RouteFormat::Json(pattern, values?),
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
        protocol: protocol.unwrap_or(Protocol::Three),
        tls,
        username,
        password_file,
        password: None,
        publish_prefix,
        discovery_prefix,
        take_commands: take_commands.unwrap_or(false),
        peers: Vec::new(),
        routes,
    })
}

/// A topic that others stand below.
pub(super) fn prefix(text: &str) -> Option<String> {
    let whole = (1..=200).contains(&text.len()) && text.trim_matches('/') == text;
    (whole && valid_topic(text) && !text.chars().any(char::is_control)).then(|| text.to_owned())
}

fn json_values(
    section: &mut Section<'_, '_>,
    names_source: bool,
    calibrations: &Calibrations,
) -> Option<JsonValues> {
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
        let part = channel::read_part(section, names_source, calibrations);
        let (source, quantity, unit) = part?;
        Some((pointer?, source, quantity, unit))
    });
    Some(JsonValues {
        time: time.map(|time| (time, form)),
        values,
    })
}
