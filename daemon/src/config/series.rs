//! `[[series]]`: a time-series server that takes the InfluxDB 2 write API.

use fobwatch_core::document::Section;
use reqwest::Url;

use super::secret::{self, Place, Secret};

const URL: &str = "an address such as \"http://127.0.0.1:8086\" or \"https://store.example/insert/0/influx\", without user, query or \
                   fragment, that no other [[series]] block has";

/// A server that every reading, forecast and alert also goes to.
#[derive(Clone, Debug, PartialEq)]
pub struct SeriesServer {
    /// Where it is. A path stands before `/api/v2/write`.
    pub url: Url,
    /// Its organisation.
    pub org: String,
    /// Its bucket.
    pub bucket: String,
    /// The place of its token; `None`: it asks for none.
    pub token_file: Option<Place>,
    /// Read from that place by [`super::Config::load`].
    pub token: Option<Secret>,
}

impl SeriesServer {
    /// The name of its place in the store: another bucket is told everything anew.
    #[must_use]
    pub fn destination(&self) -> String {
        format!("series:{} {} {}", self.url, self.org, self.bucket)
    }
}

pub(super) fn read(section: &mut Section<'_, '_>, others: &[SeriesServer]) -> Option<SeriesServer> {
    section.require("url", URL);
    let url = section.text("url", URL, |text| {
        let url = Url::parse(text).ok()?;
        let plain = url.query().is_none()
            && url.fragment().is_none()
            && url.username().is_empty()
            && url.password().is_none()
            && url.host().is_some();
        let known = ["http", "https"].contains(&url.scheme());
        (plain && known && others.iter().all(|other| other.url != url)).then_some(url)
    });
    let name = |section: &mut Section<'_, '_>, key, otherwise: &str| {
        let given = section.text(key, "1 to 200 characters, no control characters", |text| {
            let sound = (1..=200).contains(&text.chars().count()) && !text.chars().any(char::is_control);
            sound.then(|| text.to_owned())
        });
        given.unwrap_or_else(|| otherwise.to_owned())
    };
    let org = name(section, "org", "fobwatch");
    let bucket = name(section, "bucket", "fobwatch");
    let token_file = section.text("token_file", secret::PLACE, Place::named);
    Some(SeriesServer {
        url: url?,
        org,
        bucket,
        token_file,
        token: None,
    })
}
