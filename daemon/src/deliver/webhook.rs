//! Webhooks: a POST of a CloudEvent (CloudEvents 1.0.2, HTTP protocol binding, structured mode) or of plain text.

use std::{fmt::Write, time::Duration};

use fobwatch_core::alert::AlertRecord;
use reqwest::{Client, StatusCode, header::RETRY_AFTER};
use ring::hmac;
use serde::Serialize;

use super::channel::{Again, Undelivered};
use crate::{
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
    data: &'a AlertRecord,
}

impl Poster {
    /// # Errors
    /// The system gives no client.
    pub(crate) fn new(webhook: Webhook) -> Result<Self, String> {
        let client = Client::builder()
            .timeout(PATIENCE)
            .connect_timeout(CONNECT)
            // An alert goes where the configuration says, and nowhere else.
            .redirect(reqwest::redirect::Policy::none())
            .user_agent(concat!("fobwatch/", env!("CARGO_PKG_VERSION")))
            .build()
            .map_err(|error| error.to_string())?;
        Ok(Self { client, webhook })
    }

    /// Returns once the other side has answered that it has it.
    pub(super) async fn post(&self, alert: &AlertRecord, key: &str) -> Result<(), Undelivered> {
        let Some(url) = self.webhook.url.clone() else {
            return Err(Undelivered::later("its address could not be read"));
        };
        let (kind, body) = match &self.webhook.body {
            Body::CloudEvents => ("application/cloudevents+json", event(alert, key)?),
            Body::Text(form) => ("text/plain; charset=utf-8", filled(form, alert)),
        };
        let mut request = self
            .client
            .post(url)
            .header("Content-Type", kind)
            .header("Idempotency-Key", key);
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

fn event(alert: &AlertRecord, key: &str) -> Result<String, Undelivered> {
    let state = serde_json::to_value(alert.state).ok();
    let state = state
        .as_ref()
        .and_then(|state| state.as_str())
        .unwrap_or("changed");
    serde_json::to_string(&CloudEvent {
        specversion: "1.0",
        id: key,
        source: "urn:fobwatch",
        kind: format!("fobwatch.alert.{state}"),
        subject: format!("{}/{}", alert.batch.slug(), alert.alert),
        time: alert.at,
        datacontenttype: "application/json",
        data: alert,
    })
    .map_err(|error| Undelivered {
        why: error.to_string(),
        again: Again::Never,
    })
}

/// The form with its places filled in; what is filled in is not looked at again.
fn filled(form: &str, alert: &AlertRecord) -> String {
    let word = |value: Option<serde_json::Value>| {
        let value = value.unwrap_or_default();
        value.as_str().unwrap_or_default().replace('_', " ")
    };
    let mut text = String::new();
    let mut rest = form;
    while let Some(open) = rest.find('{') {
        let (before, from) = rest.split_at(open);
        text.push_str(before);
        let end = from.find('}').map_or(from.len(), |end| end + 1);
        let (place, after) = from.split_at(end);
        match place {
            "{batch}" => text.push_str(alert.batch.as_str()),
            "{alert}" => text.push_str(&alert.alert.name().replace('_', " ")),
            "{state}" => text.push_str(&word(serde_json::to_value(alert.state).ok())),
            "{priority}" => text.push_str(&word(serde_json::to_value(alert.priority).ok())),
            "{message}" => text.push_str(&alert.message),
            other => text.push_str(other),
        }
        rest = after;
    }
    text.push_str(rest);
    text
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
