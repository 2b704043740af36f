//! The configuration from its file, and the secrets it points to.

use std::{
    io,
    path::{Path, PathBuf},
};

use fobwatch_core::document::BadDocument;

use super::{Config, bad_file::BadFile, delivery, secret::read_text};

/// Why there is no configuration.
#[derive(Debug, thiserror::Error)]
pub enum BadConfig {
    /// The file cannot be read.
    #[error("{} cannot be read: {source}", path.display())]
    Read {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file is refused, with all its problems.
    #[error(transparent)]
    Refused(#[from] BadDocument),
    /// Secrets or certificates that it names cannot be used, all of them.
    #[error("{}", listed(.0))]
    Files(Vec<BadFile>),
}

fn listed(bad: &[BadFile]) -> String {
    let all: Vec<_> = bad.iter().map(ToString::to_string).collect();
    all.join("\n")
}

impl BadConfig {
    /// Whether the input was refused, rather than not readable: exit status 2 rather than 1.
    #[must_use]
    pub fn is_refused(&self) -> bool {
        !matches!(self, Self::Read { .. })
    }
}

impl Config {
    /// Reads a configuration file over the defaults, and the secrets and certificates that it names (relative to its own
    /// folder). Without a file: the defaults.
    ///
    /// # Errors
    /// A file cannot be read, or is refused with all its problems.
    pub fn load(path: Option<&Path>) -> Result<Self, BadConfig> {
        let Some(path) = path else {
            return Ok(Self::defaults()?);
        };
        let text = read_text(path).map_err(|source| BadConfig::Read {
            path: path.to_owned(),
            source,
        })?;
        let mut config = Self::from_toml(&text, &path.display().to_string())?;
        let folder = path.parent().unwrap_or(Path::new(""));
        let mut bad = Vec::new();
        for (index, broker) in config.mqtt.iter_mut().enumerate() {
            let mut own = Vec::new();
            if let Some(place) = &broker.password_file {
                match place.secret(folder) {
                    Ok(password) => broker.password = Some(password),
                    Err(why) => own.push(BadFile::new("password_file", place.shown(folder), &why)),
                }
            }
            if let Some(tls) = &mut broker.tls {
                tls.load(folder, &mut own);
            }
            bad.extend(own.into_iter().map(|file| file.of(&format!("mqtt[{index}]"))));
        }
        let mut of = |block: &str, index: usize, own: Vec<BadFile>| {
            bad.extend(own.into_iter().map(|file| file.of(&format!("{block}[{index}]"))));
        };
        for (index, webhook) in config.webhooks.iter_mut().enumerate() {
            let mut own = Vec::new();
            webhook.load(folder, &mut own);
            of("webhook", index, own);
        }
        for (index, email) in config.emails.iter_mut().enumerate() {
            let mut own = Vec::new();
            email.load(folder, &mut own);
            of("email", index, own);
        }
        if let Some(place) = &config.ping_url_file {
            match delivery::secret_url(place, folder) {
                Ok(url) => config.ping_url = Some(url),
                Err(why) => bad.push(BadFile::new("heartbeat.ping_url_file", place.shown(folder), &why)),
            }
        }
        for (index, server) in config.series.iter_mut().enumerate() {
            if let Some(place) = &server.token_file {
                match place.secret(folder) {
                    Ok(token) => server.token = Some(token),
                    Err(why) => bad.push(BadFile::new(
                        &format!("series[{index}].token_file"),
                        place.shown(folder),
                        &why,
                    )),
                }
            }
        }
        if let Some(place) = &config.token_file {
            match place.secret(folder) {
                Ok(token) if token.reveal().len() < SHORTEST_TOKEN => {
                    let why = format!(
                        "its first line is shorter than {SHORTEST_TOKEN} characters, and so could be guessed"
                    );
                    bad.push(BadFile::new("http.token_file", place.shown(folder), &why));
                }
                Ok(token) => config.token = Some(token),
                Err(why) => bad.push(BadFile::new("http.token_file", place.shown(folder), &why)),
            }
        }
        config.access.load(folder, &mut bad);
        if bad.is_empty() {
            Ok(config)
        } else {
            Err(BadConfig::Files(bad))
        }
    }
}

/// The shortest token of the API, in bytes.
pub(super) const SHORTEST_TOKEN: usize = 16;
