//! Lines on their way to a server: through the `influxdb2` crate, or by a plain request where the server's address has a path,
//! which that crate drops.

use std::time::Duration;

use influxdb2::{Client, ClientBuilder, RequestError, api::write::TimestampPrecision};
use reqwest::StatusCode;

use crate::config::SeriesServer;

/// How long a server may take.
const PATIENCE: Duration = Duration::from_secs(30);
const CONNECT: Duration = Duration::from_secs(10);
/// Most that is kept of what a server says.
const MOST_SAID: usize = 300;

/// Why lines were not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Refusal {
    /// Later they may be: nobody is there, or the server is busy.
    Later(String),
    /// Never for this token, organisation or bucket: a person has to look at the configuration.
    Misconfigured(String),
    /// Too many at once.
    TooMany,
    /// These lines never.
    Never(String),
}

/// One server.
#[derive(Debug)]
pub(super) enum Carrier {
    /// At the root of its host.
    Crate {
        client: Box<Client>,
        org: String,
        bucket: String,
    },
    /// Behind a path.
    Plain {
        client: reqwest::Client,
        server: Box<SeriesServer>,
    },
}

impl Carrier {
    pub(super) fn new(server: &SeriesServer) -> Result<Self, String> {
        let builder = reqwest::Client::builder()
            .timeout(PATIENCE)
            .connect_timeout(CONNECT)
            .redirect(reqwest::redirect::Policy::none());
        if server.url.path().trim_end_matches('/').is_empty() {
            let token = server.token.as_ref().map_or("", |token| token.reveal());
            // It cannot panic: the address was read as one before.
            let client =
                ClientBuilder::with_builder(builder, server.url.as_str(), server.org.as_str(), token)
                    .build()
                    .map_err(|error| error.to_string())?;
            return Ok(Self::Crate {
                client: Box::new(client),
                org: server.org.clone(),
                bucket: server.bucket.clone(),
            });
        }
        Ok(Self::Plain {
            client: builder.build().map_err(|error| error.to_string())?,
            server: Box::new(server.clone()),
        })
    }

    /// Returns once the server has taken all lines.
    pub(super) async fn write(&self, lines: String) -> Result<(), Refusal> {
        match self {
            Self::Crate { client, org, bucket } => client
                .write_line_protocol_with_precision(org, bucket, lines, TimestampPrecision::Microseconds)
                .await
                .map_err(|error| match error {
                    RequestError::Http { status, text } => refusal(status.as_u16(), &text),
                    other => Refusal::Later(said(&source(&other))),
                }),
            Self::Plain { client, server } => {
                let address = format!("{}/api/v2/write", server.url.as_str().trim_end_matches('/'));
                let mut request = client.post(address).body(lines).query(&[
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
                    .map_err(|error| Refusal::Later(said(&source(&error))))?;
                let status = answer.status();
                if status == StatusCode::NO_CONTENT {
                    return Ok(());
                }
                let text = answer.text().await.unwrap_or_default();
                Err(refusal(status.as_u16(), &text))
            }
        }
    }
}

fn refusal(status: u16, text: &str) -> Refusal {
    let why = said(&format!("it answers {status}: {text}"));
    match status {
        413 => Refusal::TooMany,
        400 | 422 => Refusal::Never(why),
        401 | 403 | 404 | 405 | 300..=399 => Refusal::Misconfigured(why),
        // 200 is no acknowledgement either: only 204 says that the lines are written.
        _ => Refusal::Later(why),
    }
}

/// The innermost cause: the outer ones repeat the address.
fn source(error: &dyn std::error::Error) -> String {
    let mut inner = error;
    while let Some(source) = inner.source() {
        inner = source;
    }
    inner.to_string()
}

fn said(text: &str) -> String {
    let plain = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    plain.take(MOST_SAID).collect::<String>().trim().to_owned()
}
