//! A file beside the configuration that cannot be used.

use std::fmt;

/// A secret or certificate that cannot be used. It never shows what was read.
#[derive(Debug, PartialEq, Eq)]
pub struct BadFile {
    /// The block and its key, as `mqtt[0].password_file`.
    key: String,
    place: String,
    why: String,
}

impl BadFile {
    pub(super) fn new(key: &str, place: impl fmt::Display, why: &str) -> Self {
        Self {
            key: key.to_owned(),
            place: place.to_string(),
            why: why.to_owned(),
        }
    }

    /// The same with the block that its key stands in.
    pub(super) fn of(mut self, block: &str) -> Self {
        self.key.insert(0, '.');
        self.key.insert_str(0, block);
        self
    }
}

impl fmt::Display for BadFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { key, place, why } = self;
        let allowed = match key.rsplit('.').next() {
            Some("ca_file" | "certificate_file") => "a readable file of certificates in PEM form",
            Some("key_file") => "a readable file with a private key in PEM form",
            Some("password_file") if key.starts_with("http.") => {
                "a readable place whose first line was made by `fobwatch check --hash-password`"
            }
            _ => "a readable place whose first line is the secret",
        };
        write!(f, "`{key}` is {place}: {why}; allowed: {allowed}")
    }
}
