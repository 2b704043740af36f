//! Webhooks: a POST of a CloudEvent (CloudEvents 1.0.2, HTTP protocol binding, structured mode) or of plain text.

use std::{fmt::Write, time::Duration};

use fobwatch_core::alert::{AlertRecord, Priority};
use reqwest::{Client, StatusCode, header::RETRY_AFTER};
use ring::hmac;
use serde::Serialize;
use serde_json::{Value, json};

use super::{
    letter::{About, Letter, said, said_again, word},
    undelivered::{Again, Undelivered},
};
use crate::{
    calls,
    config::{Body, Webhook},
    incoming::cause,
};

const PATIENCE: Duration = Duration::from_secs(30);
const CONNECT: Duration = Duration::from_secs(10);
/// The longest wait that an answer may ask for.
const LONGEST: Duration = Duration::from_secs(3_600);

/// Posts to one address.
#[derive(Debug)]
pub(crate) struct Poster {
    client: Client,
    webhook: Webhook,
}

#[derive(Serialize)]
struct CloudEvent<'a> {
    specversion: &'static str,
    id: &'a str,
    source: &'static str,
    #[serde(rename = "type")]
    kind: String,
    subject: String,
    time: jiff::Timestamp,
    datacontenttype: &'static str,
    data: Value,
}

impl Poster {
    /// # Errors
    /// The system gives no client.
    pub(crate) fn new(webhook: Webhook) -> Result<Self, String> {
        Self::waiting(webhook, PATIENCE)
    }

    /// An answer that takes longer than `patience` counts as none.
    pub(super) fn waiting(webhook: Webhook, patience: Duration) -> Result<Self, String> {
        let client = calls::client()
            .timeout(patience)
            .connect_timeout(CONNECT)
            // An alert goes where the configuration says, and nowhere else.
            .redirect(reqwest::redirect::Policy::none())
            .user_agent(concat!("fobwatch/", env!("CARGO_PKG_VERSION")))
            .build()
            .map_err(|error| error.to_string())?;
        Ok(Self { client, webhook })
    }

    /// Returns once the other side has answered that it has it.
    pub(super) async fn post(&self, letter: &Letter) -> Result<(), Undelivered> {
        let Some(url) = self.webhook.url.clone() else {
            return Err(Undelivered::later("its address could not be read"));
        };
        let (kind, body) = match &self.webhook.body {
            Body::CloudEvents => ("application/cloudevents+json", event(letter)?),
            Body::Text(form) => ("text/plain; charset=utf-8", text(form, letter)),
        };
        let mut request = self
            .client
            .post(url.reveal().clone())
            .header("Content-Type", kind)
            .header("Idempotency-Key", &letter.key);
        if let Some((_, Some(token))) = &self.webhook.token {
            request = request.bearer_auth(token.reveal());
        }
        if let Some((_, Some(secret))) = &self.webhook.hmac {
            request = request.header("Fobwatch-Signature", signature(secret.reveal(), body.as_bytes()));
        }
        let answer = request.body(body).send().await.map_err(|error| {
            // Without the address: it may be a secret.
            Undelivered::later(cause(&error.without_url()))
        })?;
        let status = answer.status();
        if status.is_success() {
            return Ok(());
        }
        let wait = answer
            .headers()
            .get(RETRY_AFTER)
            .and_then(|value| value.to_str().ok()?.trim().parse().ok())
            .map(|seconds| Duration::from_secs(seconds).min(LONGEST));
        Err(Undelivered {
            why: format!("it answers {status}"),
            again: match status {
                StatusCode::BAD_REQUEST
                | StatusCode::GONE
                | StatusCode::PAYLOAD_TOO_LARGE
                | StatusCode::UNPROCESSABLE_ENTITY => Again::Never,
                _ => Again::Later(wait),
            },
        })
    }
}

fn event(letter: &Letter) -> Result<String, Undelivered> {
    let refused = |error: serde_json::Error| Undelivered::never(error.to_string());
    let value = |alert: &AlertRecord| serde_json::to_value(alert).map_err(refused);
    let of = |alert: &AlertRecord| format!("{}/{}", alert.batch.slug(), alert.alert);
    let (kind, subject, time, data) = match &letter.about {
        About::Alert(alert) => (
            format!("fobwatch.alert.{}", word(alert.state)),
            of(alert),
            alert.at,
            value(alert)?,
        ),
        About::Again(alert) => (
            "fobwatch.alert.reminded".to_owned(),
            of(alert),
            alert.at,
            value(alert)?,
        ),
        About::Digest(alerts, _) => {
            let last = alerts.iter().map(|alert| alert.at).max().unwrap_or_default();
            let alerts: Vec<Value> = alerts.iter().map(value).collect::<Result<_, _>>()?;
            let data = json!({ "record": "digest", "alerts": alerts });
            ("fobwatch.digest".to_owned(), "digest".to_owned(), last, data)
        }
        About::Notice(notice) => (
            format!("fobwatch.notice.{}", word(notice.state)),
            notice.about.clone(),
            notice.at,
            serde_json::to_value(notice).map_err(refused)?,
        ),
    };
    serde_json::to_string(&CloudEvent {
        specversion: "1.0",
        id: &letter.key,
        source: "urn:fobwatch",
        kind,
        subject,
        time,
        datacontenttype: "application/json",
        data,
    })
    .map_err(refused)
}

/// What fills the places of a form.
struct Filling<'a> {
    batch: &'a str,
    alert: String,
    state: String,
    priority: Priority,
    message: String,
    who: &'a str,
}

impl<'a> Filling<'a> {
    fn of(alert: &'a AlertRecord, message: String) -> Self {
        Self {
            batch: alert.batch.as_str(),
            alert: alert.alert.name().replace('_', " "),
            state: word(alert.state).replace('_', " "),
            priority: alert.priority,
            message,
            who: alert.who.as_deref().unwrap_or_default(),
        }
    }
}

/// The form once for each thing that the letter says.
fn text(form: &str, letter: &Letter) -> String {
    match &letter.about {
        About::Alert(alert) => filled(form, &Filling::of(alert, said(alert))),
        About::Again(alert) => filled(form, &Filling::of(alert, said_again(alert))),
        About::Digest(alerts, zone) => {
            let each = alerts.iter().map(|alert| {
                let when = fobwatch_core::alert::sentence::local(alert.at, zone);
                filled(form, &Filling::of(alert, format!("{when}: {}", said(alert))))
            });
            each.collect::<Vec<_>>().join("\n")
        }
        About::Notice(notice) => {
            let filling = Filling {
                batch: "fobwatch",
                alert: notice.about.clone(),
                state: word(notice.state),
                priority: notice.priority,
                message: notice.message.clone(),
                who: "",
            };
            filled(form, &filling)
        }
    }
}

/// The form with its places filled in; what is filled in is not looked at again.
fn filled(form: &str, filling: &Filling<'_>) -> String {
    let mut text = String::new();
    let mut rest = form;
    while let Some(open) = rest.find('{') {
        let (before, from) = rest.split_at(open);
        text.push_str(before);
        let end = from.find('}').map_or(from.len(), |end| end + 1);
        let (place, after) = from.split_at(end);
        match place {
            "{batch}" => text.push_str(filling.batch),
            "{alert}" => text.push_str(&filling.alert),
            "{state}" => text.push_str(&filling.state),
            "{priority}" => text.push_str(priority(filling.priority)),
            "{message}" => text.push_str(&filling.message),
            "{who}" => text.push_str(filling.who),
            other => text.push_str(other),
        }
        rest = after;
    }
    text.push_str(rest);
    text
}

fn priority(priority: Priority) -> &'static str {
    match priority {
        Priority::Low => "low",
        Priority::Medium => "medium",
        Priority::High => "high",
        Priority::Critical => "critical",
    }
}

/// HMAC-SHA256 (RFC 2104) of the body, as hexadecimal digits.
fn signature(secret: &str, body: &[u8]) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret.as_bytes());
    let mut text = "sha256=".to_owned();
    for byte in hmac::sign(&key, body).as_ref() {
        // Writing into a string does not fail.
        write!(text, "{byte:02x}").ok();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signature_is_that_of_the_standard() {
        // RFC 4231, test case 2.
        assert_eq!(
            signature("Jefe", b"what do ya want for nothing?"),
            "sha256=5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
        );
    }
}
