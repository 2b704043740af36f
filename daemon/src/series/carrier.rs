//! Lines on their way to a server: through the `influxdb2` crate, or by a plain request where the server's address has a path,
//! which that crate drops.

use std::{
    sync::atomic::{AtomicBool, Ordering},
    time::Duration,
};

use influxdb2::{Client, ClientBuilder, RequestError, api::write::TimestampPrecision};
use reqwest::StatusCode;

use crate::{calls, config::SeriesServer, incoming::cause};

/// How long a server may take.
const PATIENCE: Duration = Duration::from_secs(30);
const CONNECT: Duration = Duration::from_secs(10);
/// Most that is kept of what a server says.
const MOST_SAID: usize = 300;

/// Why lines were not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Refusal {
    /// Later they may be: nobody is there, or the server is busy; and how long it asks to be left alone.
    Later(String, Option<Duration>),
    /// Never for this token, organisation or bucket: a person has to look at the configuration.
    Misconfigured(String),
    /// Too many at once.
    TooMany,
    /// These lines never.
    Never(String),
}

/// One server.
#[derive(Debug)]
pub(super) struct Carrier {
    server: SeriesServer,
    /// `None`: it stands behind a path.
    through_crate: Option<Client>,
    plain: reqwest::Client,
    /// It was busy, and may say for how long: the crate drops `Retry-After`, so the next request is a plain one.
    busy: AtomicBool,
}

impl Carrier {
    pub(super) fn new(server: &SeriesServer) -> Result<Self, String> {
        let builder = || {
            calls::client()
                .timeout(PATIENCE)
                .connect_timeout(CONNECT)
                .redirect(reqwest::redirect::Policy::none())
        };
        let through_crate = if server.url.path().trim_end_matches('/').is_empty() {
            let token = server.token.as_ref().map_or("", |token| token.reveal());
            // It cannot panic: the address was read as one before.
            let client =
                ClientBuilder::with_builder(builder(), server.url.as_str(), server.org.as_str(), token)
                    .build()
                    .map_err(|error| error.to_string())?;
            Some(client)
        } else {
            None
        };
        Ok(Self {
            server: server.clone(),
            through_crate,
            plain: builder().build().map_err(|error| error.to_string())?,
            busy: AtomicBool::new(false),
        })
    }

    /// Returns once the server has taken all lines.
    pub(super) async fn write(&self, lines: String) -> Result<(), Refusal> {
        let server = &self.server;
        let written = match &self.through_crate {
            Some(client) if !self.busy.load(Ordering::Relaxed) => client
                .write_line_protocol_with_precision(
                    &server.org,
                    &server.bucket,
                    lines,
                    TimestampPrecision::Microseconds,
                )
                .await
                .map_err(|error| match error {
                    RequestError::Http { status, text } => refusal(status.as_u16(), &text, None),
                    other => Refusal::Later(said(&cause(&other)), None),
                }),
            _ => self.write_plainly(lines).await,
        };
        self.busy
            .store(matches!(written, Err(Refusal::Later(..))), Ordering::Relaxed);
        written
    }

    async fn write_plainly(&self, lines: String) -> Result<(), Refusal> {
        let server = &self.server;
        let address = format!("{}/api/v2/write", server.url.as_str().trim_end_matches('/'));
        let mut request = self.plain.post(address).body(lines).query(&[
            ("bucket", server.bucket.as_str()),
            ("org", server.org.as_str()),
            ("precision", "us"),
        ]);
        if let Some(token) = &server.token {
            request = request.header("Authorization", format!("Token {}", token.reveal()));
        }
        let answer = request
            .send()
            .await
            .map_err(|error| Refusal::Later(said(&cause(&error)), None))?;
        let status = answer.status();
        if status == StatusCode::NO_CONTENT {
            return Ok(());
        }
        let wait = answer
            .headers()
            .get("Retry-After")
            .and_then(|value| value.to_str().ok())
            .and_then(asked_wait);
        let text = answer.text().await.unwrap_or_default();
        Err(refusal(status.as_u16(), &text, wait))
    }
}

/// What a `Retry-After` asks for, in seconds (RFC 9110, section 10.2.3), an hour at the most. A date is not looked at: its clock may
/// not be ours, and the usual wait goes on growing.
fn asked_wait(value: &str) -> Option<Duration> {
    let seconds: u64 = value.trim().parse().ok()?;
    Some(Duration::from_secs(seconds.min(3_600)))
}

fn refusal(status: u16, text: &str, wait: Option<Duration>) -> Refusal {
    let why = said(&format!("it answers {status}: {text}"));
    match status {
        413 => Refusal::TooMany,
        400 | 422 => Refusal::Never(why),
        401 | 403 | 404 | 405 | 300..=399 => Refusal::Misconfigured(why),
        // 200 is no acknowledgement either: only 204 says that the lines are written.
        _ => Refusal::Later(why, wait),
    }
}

fn said(text: &str) -> String {
    let plain = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    plain.take(MOST_SAID).collect::<String>().trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_server_may_ask_for_an_hour_at_the_most() {
        assert_eq!(asked_wait(" 7 "), Some(Duration::from_secs(7)));
        assert_eq!(asked_wait("999999"), Some(Duration::from_secs(3_600)));
        assert_eq!(asked_wait("-1"), None);
        assert_eq!(asked_wait("Wed, 21 Oct 2026 07:28:00 GMT"), None);
    }
}
