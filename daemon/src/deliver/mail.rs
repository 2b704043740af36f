//! Mail: the sentences as plain text and as a page, with the batch's chart beside them.

use std::time::Duration;

use fobwatch_core::alert::Priority;
use lettre::{
    AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor,
    message::{Attachment, Mailbox, MultiPart, SinglePart, header::ContentType},
    transport::smtp::{
        authentication::Credentials,
        client::{Certificate, CertificateStore, Tls, TlsParameters},
    },
};
use maud::{DOCTYPE, html};

use super::{letter::Letter, undelivered::Undelivered};
use crate::{
    config::{Email, Security},
    store::begins,
};

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
            secured = secured
                .certificate_store(CertificateStore::None)
                .add_root_certificate(authority);
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
    pub(super) async fn send(&self, letter: &Letter, picture: Option<&str>) -> Result<(), Undelivered> {
        let message = self.message(letter, picture).map_err(Undelivered::never)?;
        match self.transport.send(message).await {
            Ok(_) => Ok(()),
            // A server that refuses for good may do so since a person has to change something there: it is asked again.
            Err(error) => Err(Undelivered::later(error.to_string())),
        }
    }

    pub(super) fn message(&self, letter: &Letter, picture: Option<&str>) -> Result<Message, String> {
        let mailbox = |address: &str| address.parse::<Mailbox>().map_err(|error| error.to_string());
        let mut builder = Message::builder()
            .from(mailbox(&self.email.from)?)
            .subject(letter.subject())
            .message_id(Some(format!("<{}@fobwatch>", letter.key)));
        for to in &self.email.to {
            builder = builder.to(mailbox(to)?);
        }
        let text = SinglePart::builder()
            .header(ContentType::TEXT_PLAIN)
            .body(plain(letter));
        let page = SinglePart::builder()
            .header(ContentType::TEXT_HTML)
            .body(page(letter));
        let both = MultiPart::alternative().singlepart(text).singlepart(page);
        let body = match (picture, letter.alerts()) {
            (Some(picture), [alert]) => {
                let kind = ContentType::parse("image/svg+xml").map_err(|error| error.to_string())?;
                let chart =
                    Attachment::new(format!("{}.svg", alert.batch.slug())).body(picture.to_owned(), kind);
                MultiPart::mixed().multipart(both).singlepart(chart)
            }
            _ => both,
        };
        builder.multipart(body).map_err(|error| error.to_string())
    }
}

const FOOT: &str = "Bottles can burst and these drinks hold alcohol. An estimate never reassures more than its data; local codes and licensed \
                    practice stand above it.";

fn plain(letter: &Letter) -> String {
    let paragraphs = letter.paragraphs();
    let mut text = String::new();
    for (of, said) in &paragraphs {
        // The subject names the one that a single letter is about.
        if paragraphs.len() > 1 {
            text.push_str(of);
            text.push_str(": ");
        }
        text.push_str(said);
        text.push_str("\n\n");
    }
    text.push_str(FOOT);
    text.push('\n');
    text
}

fn page(letter: &Letter) -> String {
    let over = letter.alerts().iter().all(|alert| !begins(alert)) && !letter.alerts().is_empty();
    let danger = letter.priority() == Priority::Critical && !over;
    let drawn = html! {
        (DOCTYPE)
        html lang="en" {
            body style="font: 17px/1.5 Georgia, serif; color: #20261f; background: #fbf8f2; padding: 18px" {
                @if danger {
                    p style="font: 600 15px sans-serif; color: #a12c1f; border-left: 8px solid #a12c1f; padding-left: 10px" { "Danger" }
                }
                @for (of, said) in letter.paragraphs() {
                    p { b { (of) } }
                    p style="max-width: 40em" { (said) }
                }
                p style="font: 14px sans-serif; color: #5a5e56; max-width: 46em" { (FOOT) }
            }
        }
    };
    drawn.into_string()
}
