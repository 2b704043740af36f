//! `[[webhook]]` and `[[email]]`: where alerts go beside log, page and brokers.

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Priority},
    document::Section,
};
use jiff::{SignedDuration, civil::Time};
use reqwest::Url;

use super::{
    bad_file::BadFile,
    secret::{self, Address, Place, Secret},
};

/// Which alerts a channel carries, and after how long.
#[derive(Clone, Debug, PartialEq)]
pub struct Picks {
    /// The least priority.
    pub least: Priority,
    /// These alone; empty: all.
    pub alerts: Vec<AlertName>,
    /// Of these batches alone, by name; empty: of all.
    pub batches: Vec<String>,
    /// Only what nobody has acknowledged for so long. Zero: at once.
    pub after: SignedDuration,
    /// What is gathered and told together; `None`: nothing.
    pub digest: Option<Digest>,
    /// What nobody has seen to is told again after so long ...
    pub remind_after: SignedDuration,
    /// ... and so often at most.
    pub remind_at_most: u32,
}

/// What is gathered and told together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Digest {
    /// When.
    pub when: DigestWhen,
    /// The highest priority that is: low or medium.
    pub most: Priority,
}

/// When what was gathered is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DigestWhen {
    /// At this local time of each day.
    At(Time),
    /// So long after the first of them.
    After(SignedDuration),
}

impl Picks {
    /// All there is, at once.
    #[must_use]
    pub fn all() -> Self {
        Self {
            least: Priority::Low,
            alerts: Vec::new(),
            batches: Vec::new(),
            after: SignedDuration::ZERO,
            digest: None,
            remind_after: REMIND_AFTER,
            remind_at_most: 0,
        }
    }

    /// Whether this alert goes there.
    #[must_use]
    pub fn wants(&self, alert: &AlertRecord) -> bool {
        alert.priority >= self.least
            && (self.alerts.is_empty() || self.alerts.contains(&alert.alert))
            && (self.batches.is_empty() || self.batches.iter().any(|name| name == alert.batch.as_str()))
    }
}

/// When an alert that nobody has seen to is told again, and how often at most, unless the configuration says otherwise.
const REMIND_AFTER: SignedDuration = SignedDuration::from_hours(6);
const REMIND_AT_MOST: u32 = 3;

/// What a webhook is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Body {
    /// CloudEvents 1.0 in the structured JSON form.
    CloudEvents,
    /// Plain text, with `{batch}`, `{alert}`, `{state}`, `{priority}` and `{message}` filled in.
    Text(String),
}

/// An address that is posted to.
#[derive(Clone, Debug, PartialEq)]
pub struct Webhook {
    /// What logs call it.
    pub name: String,
    /// Where it is, unless that is a secret.
    pub url: Option<Address>,
    /// Where the address stands, if it is one.
    pub url_file: Option<Place>,
    /// The bearer token that it asks for.
    pub token: Option<(Place, Option<Secret>)>,
    /// The key with which bodies are signed.
    pub hmac: Option<(Place, Option<Secret>)>,
    /// What it is sent.
    pub body: Body,
    /// Which alerts.
    pub picks: Picks,
}

/// How the link to a mail server is secured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Security {
    /// TLS from the first byte (RFC 8314).
    Tls,
    /// TLS after a plain greeting (RFC 3207), or no mail.
    StartTls,
    /// None: only to this machine.
    None,
}

/// A mail server, and to whom it sends.
#[derive(Clone, Debug, PartialEq)]
pub struct Email {
    /// What logs call it.
    pub name: String,
    /// The server.
    pub server: String,
    /// Its port.
    pub port: u16,
    /// How the link is secured.
    pub security: Security,
    /// An authority of one's own, instead of those that the system trusts.
    pub ca: Option<(Place, Option<String>)>,
    /// Who logs in, with the place of the password.
    pub login: Option<(String, Place, Option<Secret>)>,
    /// The sender's address.
    pub from: String,
    /// Addresses.
    pub to: Vec<String>,
    /// Which alerts.
    pub picks: Picks,
}

const URL: &str = "an address such as \"https://push.example/kitchen\", without user; one that is a secret belongs into `url_file`";
const PRIORITY: &str = "\"low\", \"medium\", \"high\" or \"critical\"";
const NAME: &str = "1 to 60 letters, digits, \"-\" and \"_\", that no other channel has";
const SERVER: &str = "the name or address of a mail server, without port or user";
const ADDRESS: &str = "a mail address, as \"kitchen@home.example\"";

fn name(section: &mut Section<'_, '_>, taken: &[String]) -> Option<String> {
    section.require("name", NAME);
    section.text("name", NAME, |text| {
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_".contains(c);
        let sound = (1..=60).contains(&text.len()) && text.chars().all(plain);
        (sound && taken.iter().all(|other| other != text)).then(|| text.to_owned())
    })
}

/// An address that is asked or posted to.
pub(super) fn url(section: &mut Section<'_, '_>, key: &'static str) -> Option<Address> {
    section.text(key, URL, |text| {
        let url = Url::parse(text).ok()?;
        let plain = url.username().is_empty() && url.password().is_none();
        (plain && is_web(&url)).then(|| Address::new(url))
    })
}

fn is_web(url: &Url) -> bool {
    ["http", "https"].contains(&url.scheme()) && url.host().is_some()
}

/// An address that stands in a file.
pub(super) fn secret_url(place: &Place, folder: &std::path::Path) -> Result<Address, String> {
    let text = place.secret(folder)?;
    let url = Url::parse(text.reveal().trim()).ok().filter(is_web);
    url.map(Address::new)
        .ok_or_else(|| "its first line is no address".to_owned())
}

fn picks(section: &mut Section<'_, '_>) -> Picks {
    let least = section.text("least_priority", PRIORITY, |text| {
        Some(match text {
            "low" => Priority::Low,
            "medium" => Priority::Medium,
            "high" => Priority::High,
            "critical" => Priority::Critical,
            _ => return None,
        })
    });
    let names: Vec<&str> = AlertName::ALL.iter().map(|name| name.name()).collect();
    let allowed = format!("names of alerts: {}", names.join(", "));
    let alerts = section.texts("alerts", &allowed, |text| text.parse::<AlertName>().ok());
    let batches = section.texts("batches", "names of batches", |text| {
        (!text.trim().is_empty()).then(|| text.to_owned())
    });
    let after = section
        .number("unacknowledged_for_min", "0 to 1440 minutes", |minutes| {
            (0.0..=1_440.0).contains(&minutes)
        })
        .and_then(|minutes| SignedDuration::try_from_secs_f64(60.0 * minutes).ok())
        .unwrap_or(SignedDuration::ZERO);
    let remind_after = hours(section, "remind_after_h", "0.1 to 240 hours", 0.1);
    let remind_at_most = section.whole("remind_at_most", 0, 100);
    Picks {
        least: least.unwrap_or(Priority::Low),
        alerts: alerts.unwrap_or_default(),
        batches: batches.unwrap_or_default(),
        digest: digest(section, after > SignedDuration::ZERO),
        after,
        remind_after: remind_after.unwrap_or(REMIND_AFTER),
        remind_at_most: remind_at_most.unwrap_or(REMIND_AT_MOST),
    }
}

fn hours(
    section: &mut Section<'_, '_>,
    key: &'static str,
    allowed: &str,
    least: f64,
) -> Option<SignedDuration> {
    let hours = section.number(key, allowed, |hours| (least..=240.0).contains(&hours))?;
    SignedDuration::try_from_secs_f64(3_600.0 * hours).ok()
}

/// `waits`: the channel carries only what nobody has acknowledged for a time.
fn digest(section: &mut Section<'_, '_>, waits: bool) -> Option<Digest> {
    let at = section.text("digest_at", "a time of day, as \"18:00\"", |text| {
        text.parse::<Time>().ok()
    });
    let after = hours(section, "digest_after_h", "0.01 to 240 hours", 0.01);
    let allowed = "\"low\" or \"medium\": what is more urgent is told at once";
    let most = section.text("digest_priority", allowed, |text| match text {
        "low" => Some(Priority::Low),
        "medium" => Some(Priority::Medium),
        _ => None,
    });
    if at.is_some() && after.is_some() {
        section.refuse_entry("digest_after_h", "only one of `digest_at` and `digest_after_h`");
    }
    if waits {
        let allowed = "not with `unacknowledged_for_min`: what nobody has seen is told by itself";
        for key in ["digest_at", "digest_after_h"] {
            section.refuse_entry(key, allowed);
        }
    }
    let when = at.map(DigestWhen::At).or(after.map(DigestWhen::After));
    if when.is_none() && most.is_some() {
        section.require("digest_at", "a time of day, or `digest_after_h`");
    }
    Some(Digest {
        when: when?,
        most: most.unwrap_or(Priority::Low),
    })
}

pub(super) fn webhook(section: &mut Section<'_, '_>, taken: &[String]) -> Option<Webhook> {
    let name = name(section, taken);
    let url = url(section, "url");
    let place = |section: &mut Section<'_, '_>, key| section.text(key, secret::PLACE, Place::named);
    let url_file = place(section, "url_file");
    if url_file.is_some() {
        section.refuse_entry("url", "only one of `url` and `url_file`");
    } else {
        section.require("url", URL);
    }
    let token = place(section, "token_file").map(|place| (place, None));
    let hmac = place(section, "hmac_file").map(|place| (place, None));
    let text = section.text("text", "a text with {message} in it", |text| {
        text.contains("{message}").then(|| text.to_owned())
    });
    let picks = picks(section);
    if url.is_none() && url_file.is_none() {
        return None;
    }
    Some(Webhook {
        name: name?,
        url,
        url_file,
        token,
        hmac,
        body: text.map_or(Body::CloudEvents, Body::Text),
        picks,
    })
}

pub(super) fn email(section: &mut Section<'_, '_>, taken: &[String]) -> Option<Email> {
    let name = name(section, taken);
    for key in ["server", "from", "to"] {
        section.require(key, if key == "server" { SERVER } else { ADDRESS });
    }
    let server = section.text("server", SERVER, |text| {
        let plain = |c: char| c.is_alphanumeric() || "-_.:[]".contains(c);
        let sound = (1..=253).contains(&text.len()) && text.chars().all(plain);
        sound.then(|| text.to_owned())
    });
    let allowed = "\"tls\", \"starttls\", or \"none\" to a server on this machine";
    let local = server
        .as_deref()
        .is_some_and(|server| ["127.0.0.1", "::1", "localhost"].contains(&server));
    let security = section.text("security", allowed, |text| match text {
        "tls" => Some(Security::Tls),
        "starttls" => Some(Security::StartTls),
        "none" if local => Some(Security::None),
        _ => None,
    });
    let security = security.unwrap_or(Security::Tls);
    let usual = match security {
        Security::Tls => 465,
        Security::StartTls => 587,
        Security::None => 25,
    };
    let port = section
        .whole("port", 1, 65_535)
        .and_then(|port| u16::try_from(port).ok());
    let user = section.text("user", "a name to log in with", |text| {
        (!text.is_empty() && !text.contains(char::is_control)).then(|| text.to_owned())
    });
    let password = section.text("password_file", secret::PLACE, Place::named);
    match (&user, &password) {
        (Some(_), None) => section.require("password_file", secret::PLACE),
        (None, Some(_)) => section.require("user", "a name to log in with"),
        _ => {}
    }
    let ca = section
        .text("ca_file", secret::PLACE, Place::named)
        .map(|place| (place, None));
    let from = section.text("from", ADDRESS, address);
    let to = section.texts("to", ADDRESS, address);
    let picks = picks(section);
    Some(Email {
        name: name?,
        server: server?,
        port: port.unwrap_or(usual),
        security,
        ca,
        login: user.zip(password).map(|(user, place)| (user, place, None)),
        from: from?,
        to: to.filter(|to| !to.is_empty())?,
        picks,
    })
}

fn address(text: &str) -> Option<String> {
    text.parse::<lettre::Address>().is_ok().then(|| text.to_owned())
}

impl Webhook {
    /// Reads its secrets; every problem goes to `bad`.
    pub(super) fn load(&mut self, folder: &std::path::Path, bad: &mut Vec<BadFile>) {
        if let Some(place) = &self.url_file {
            match secret_url(place, folder) {
                Ok(url) => self.url = Some(url),
                Err(why) => bad.push(BadFile::new("url_file", place.shown(folder), &why)),
            }
        }
        for (key, kept) in [("token_file", &mut self.token), ("hmac_file", &mut self.hmac)] {
            if let Some((place, secret)) = kept {
                match place.secret(folder) {
                    Ok(read) => *secret = Some(read),
                    Err(why) => bad.push(BadFile::new(key, place.shown(folder), &why)),
                }
            }
        }
    }
}

impl Email {
    /// Reads its password and authority; every problem goes to `bad`.
    pub(super) fn load(&mut self, folder: &std::path::Path, bad: &mut Vec<BadFile>) {
        if let Some((_, place, secret)) = &mut self.login {
            match place.secret(folder) {
                Ok(read) => *secret = Some(read),
                Err(why) => bad.push(BadFile::new("password_file", place.shown(folder), &why)),
            }
        }
        if let Some((place, text)) = &mut self.ca {
            match place.read(folder) {
                Ok(read) => *text = Some(read),
                Err(why) => bad.push(BadFile::new("ca_file", place.shown(folder), &why)),
            }
        }
    }
}
