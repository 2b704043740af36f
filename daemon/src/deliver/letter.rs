//! What is carried: one alert, several of little urgency together, or word of fobwatch itself. And how it is said.

use fobwatch_core::alert::{AlertRecord, Priority, Transition, sentence};
use jiff::{Timestamp, tz::TimeZone};
use serde::Serialize;

use crate::store::begins;

/// One message.
#[derive(Clone, Debug)]
pub(crate) struct Letter {
    /// The same whenever this is delivered, anywhere: letters, digits, dots, hyphens and underscores.
    pub(crate) key: String,
    /// What it says.
    pub(crate) about: About,
}

/// What a letter says.
#[derive(Clone, Debug)]
pub(crate) enum About {
    /// A transition of an alert.
    Alert(AlertRecord),
    /// An alert that still stands.
    Again(AlertRecord),
    /// Transitions that waited for each other: two or more, in their order; times are told in this zone.
    Digest(Vec<AlertRecord>, TimeZone),
    /// Word of fobwatch itself.
    Notice(Notice),
}

/// Word of fobwatch itself: of no batch, so it is no alert.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct Notice {
    /// "notice"
    pub(crate) record: &'static str,
    /// What it is about, in one word: letters, digits, dots, hyphens and underscores.
    pub(crate) about: String,
    /// In one line.
    #[serde(skip)]
    pub(crate) subject: String,
    /// Raised or cleared.
    pub(crate) state: Transition,
    pub(crate) priority: Priority,
    pub(crate) at: Timestamp,
    pub(crate) message: String,
}

impl Letter {
    pub(crate) fn of(alert: AlertRecord) -> Self {
        Self {
            key: key(&alert),
            about: About::Alert(alert),
        }
    }

    /// The `again`th reminder of an alert.
    pub(super) fn reminding(alert: AlertRecord, again: i64) -> Self {
        Self {
            key: format!("{}.again.{again}", key(&alert)),
            about: About::Again(alert),
        }
    }

    /// One or more alerts together.
    pub(super) fn gathered(mut alerts: Vec<AlertRecord>, zone: &TimeZone) -> Option<Self> {
        let last = alerts.pop()?;
        if alerts.is_empty() {
            return Some(Self::of(last));
        }
        alerts.push(last);
        let (first, last) = (alerts.first()?, alerts.last()?);
        Some(Self {
            key: format!("digest.{}.{}.{}", alerts.len(), key(first), key(last)),
            about: About::Digest(alerts, zone.clone()),
        })
    }

    pub(super) fn noticing(notice: Notice) -> Self {
        Self {
            key: format!(
                "notice.{}.{}.{}",
                notice.about,
                word(notice.state),
                notice.at.as_microsecond()
            ),
            about: About::Notice(notice),
        }
    }

    /// The alerts in it.
    pub(crate) fn alerts(&self) -> &[AlertRecord] {
        match &self.about {
            About::Alert(alert) | About::Again(alert) => std::slice::from_ref(alert),
            About::Digest(alerts, _) => alerts,
            About::Notice(_) => &[],
        }
    }

    /// How urgent it is.
    pub(super) fn priority(&self) -> Priority {
        match &self.about {
            About::Notice(notice) => notice.priority,
            _ => self
                .alerts()
                .iter()
                .map(|alert| alert.priority)
                .max()
                .unwrap_or(Priority::Low),
        }
    }

    /// In one line.
    pub(super) fn subject(&self) -> String {
        match &self.about {
            About::Alert(alert) => subject(alert),
            About::Again(alert) => format!("Again: {}", subject(alert)),
            About::Digest(alerts, _) => format!("{} things to look at", alerts.len()),
            About::Notice(notice) => notice.subject.clone(),
        }
    }

    /// Each thing that it says: of which batch, and the sentences.
    pub(super) fn paragraphs(&self) -> Vec<(String, String)> {
        match &self.about {
            About::Alert(alert) => vec![(alert.batch.to_string(), said(alert))],
            About::Again(alert) => {
                vec![(alert.batch.to_string(), said_again(alert))]
            }
            About::Digest(alerts, zone) => alerts
                .iter()
                .map(|alert| {
                    let when = sentence::local(alert.at, zone);
                    (format!("{when}, {}", alert.batch), said(alert))
                })
                .collect(),
            About::Notice(notice) => vec![("fobwatch".to_owned(), notice.message.clone())],
        }
    }
}

/// The sentences of a transition: who did it, where a person did, and what it is about.
pub(super) fn said(alert: &AlertRecord) -> String {
    let message = &alert.message;
    match (alert.state, &alert.who) {
        (Transition::Acknowledged, Some(who)) => format!("{who} has seen to it: {message}"),
        (Transition::Shelved, Some(who)) => format!("{who} has set it aside. {message}"),
        (Transition::Unshelved, Some(who)) => format!("{who} has brought it back: {message}"),
        (Transition::Unshelved, None) => format!("No longer set aside: {message}"),
        // The others name who it was, where it was a person.
        _ => message.clone(),
    }
}

/// The sentences of an alert that still stands.
pub(super) fn said_again(alert: &AlertRecord) -> String {
    format!("Still so: {}", alert.message)
}

fn subject(alert: &AlertRecord) -> String {
    let what = alert.alert.name().replace('_', " ");
    let batch = &alert.batch;
    match (alert.state, &alert.who) {
        (Transition::Cleared, _) => format!("{batch}: {what}, over"),
        (Transition::Suppressed, _) => format!("{batch}: {what}, withdrawn"),
        (Transition::Acknowledged, Some(who)) => format!("{batch}: {what}, seen to by {who}"),
        (Transition::Shelved, Some(who)) => format!("{batch}: {what}, set aside by {who}"),
        (Transition::OutOfService, Some(who)) => format!("{batch}: {what}, taken out of service by {who}"),
        _ if begins(alert) && alert.priority == Priority::Critical => format!("Danger: {batch}: {what}"),
        _ => format!("{batch}: {what}"),
    }
}

/// The name of a transition, as records have it.
pub(super) fn word(state: Transition) -> String {
    match serde_json::to_value(state) {
        Ok(serde_json::Value::String(word)) => word,
        _ => "changed".to_owned(),
    }
}

/// The same whenever this alert is delivered, anywhere.
fn key(alert: &AlertRecord) -> String {
    let mut key = format!(
        "{}.{}.{}.{}",
        alert.batch.slug(),
        alert.alert,
        word(alert.state),
        alert.at.as_microsecond()
    );
    let sensor = [
        alert.source.as_ref().map(|source| source.as_str()),
        alert.quantity.map(|quantity| quantity.name()),
    ];
    for part in sensor.into_iter().flatten() {
        key.push('.');
        key.extend(part.chars().map(|c| {
            if c.is_ascii_alphanumeric() || c == '_' {
                c
            } else {
                '-'
            }
        }));
    }
    key
}
