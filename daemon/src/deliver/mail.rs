//! Mail: the sentences as plain text and as a page, with the batch's chart beside them.

use std::time::Duration;

use fobwatch_core::alert::{AlertRecord, Priority, Transition};
use lettre::{
    AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor,
    message::{Attachment, Mailbox, MultiPart, SinglePart, header::ContentType},
    transport::smtp::{
        authentication::Credentials,
        client::{Certificate, Tls, TlsParameters},
    },
};
use maud::{DOCTYPE, html};

use super::channel::{Again, Undelivered};
use crate::config::{Email, Security};

const PATIENCE: Duration = Duration::from_secs(30);

/// Sends through one server.
pub(crate) struct Mailer {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    email: Email,
}

impl std::fmt::Debug for Mailer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Mailer")
            .field("name", &self.email.name)
            .finish_non_exhaustive()
    }
}

impl Mailer {
    /// # Errors
    /// An authority of one's own is no certificate.
    pub(crate) fn new(email: Email) -> Result<Self, String> {
        let mut secured = TlsParameters::builder(email.server.clone());
        if let Some((_, Some(authority))) = &email.ca {
            let authority = Certificate::from_pem(authority.as_bytes()).map_err(|error| error.to_string())?;
            secured = secured.add_root_certificate(authority);
        }
        let secured = secured.build_rustls().map_err(|error| error.to_string())?;
        let tls = match email.security {
            Security::Tls => Tls::Wrapper(secured),
            Security::StartTls => Tls::Required(secured),
            Security::None => Tls::None,
        };
        let mut transport = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(email.server.as_str())
            .port(email.port)
            .tls(tls)
            .timeout(Some(PATIENCE));
        if let Some((user, _, Some(password))) = &email.login {
            transport = transport.credentials(Credentials::new(user.clone(), password.reveal().to_owned()));
        }
        Ok(Self {
            transport: transport.build(),
            email,
        })
    }

    /// Returns once the server has taken it.
    pub(super) async fn send(
        &self,
        alert: &AlertRecord,
        key: &str,
        picture: Option<&str>,
    ) -> Result<(), Undelivered> {
        let message = self.message(alert, key, picture).map_err(|why| Undelivered {
            why,
            again: Again::Never,
        })?;
        match self.transport.send(message).await {
            Ok(_) => Ok(()),
            Err(error) => Err(Undelivered {
                why: error.to_string(),
                // A server that refuses for good may do so since a person has to change something there: it is asked again.
                again: Again::Later(None),
            }),
        }
    }

    fn message(&self, alert: &AlertRecord, key: &str, picture: Option<&str>) -> Result<Message, String> {
        let mailbox = |address: &str| address.parse::<Mailbox>().map_err(|error| error.to_string());
        let mut builder = Message::builder()
            .from(mailbox(&self.email.from)?)
            .subject(subject(alert))
            .message_id(Some(format!("<{key}@fobwatch>")));
        for to in &self.email.to {
            builder = builder.to(mailbox(to)?);
        }
        let text = SinglePart::builder()
            .header(ContentType::TEXT_PLAIN)
            .body(format!("{}\n\n{}\n", alert.message, FOOT));
        let page = SinglePart::builder()
            .header(ContentType::TEXT_HTML)
            .body(page(alert));
        let both = MultiPart::alternative().singlepart(text).singlepart(page);
        let body = match picture {
            None => both,
            Some(picture) => {
                let kind = ContentType::parse("image/svg+xml").map_err(|error| error.to_string())?;
                let chart =
                    Attachment::new(format!("{}.svg", alert.batch.slug())).body(picture.to_owned(), kind);
                MultiPart::mixed().multipart(both).singlepart(chart)
            }
        };
        builder.multipart(body).map_err(|error| error.to_string())
    }
}

const FOOT: &str = "Bottles can burst and these drinks hold alcohol. An estimate never reassures more than its data; local codes and licensed \
                    practice stand above it.";

fn subject(alert: &AlertRecord) -> String {
    let what = alert.alert.name().replace('_', " ");
    let over = matches!(alert.state, Transition::Cleared | Transition::Suppressed);
    match (alert.priority, over) {
        (_, true) => format!("{}: {what}, over", alert.batch),
        (Priority::Critical, false) => format!("Danger: {}: {what}", alert.batch),
        _ => format!("{}: {what}", alert.batch),
    }
}

fn page(alert: &AlertRecord) -> String {
    let danger = alert.priority == Priority::Critical;
    let drawn = html! {
        (DOCTYPE)
        html lang="en" {
            body style="font: 17px/1.5 Georgia, serif; color: #20261f; background: #fbf8f2; padding: 18px" {
                @if danger {
                    p style="font: 600 15px sans-serif; color: #a12c1f; border-left: 8px solid #a12c1f; padding-left: 10px" { "Danger" }
                }
                p { b { (alert.batch) } }
                p style="max-width: 40em" { (alert.message) }
                p style="font: 14px sans-serif; color: #5a5e56; max-width: 46em" { (FOOT) }
            }
        }
    };
    drawn.into_string()
}
