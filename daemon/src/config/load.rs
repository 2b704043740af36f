//! The configuration from its file, and the secrets it points to.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use fobwatch_core::document::BadDocument;

use super::{Config, Secret};

/// The most that is read of a configuration or password file, in bytes.
const MOST: u64 = 1024 * 1024;

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
    /// A password file cannot be used.
    #[error("`mqtt.password_file` is {}: {why}; allowed: a readable file whose first line is the password", path.display())]
    Password {
        /// Which file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
}

impl BadConfig {
    /// Whether the input was refused, rather than not readable: exit status 2 rather than 1.
    #[must_use]
    pub fn is_refused(&self) -> bool {
        !matches!(self, Self::Read { .. })
    }
}

impl Config {
    /// Reads a configuration file over the defaults, and the password files that it names (relative to its own folder).
    /// Without a file: the defaults.
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
        for broker in &mut config.mqtt {
            let Some(file) = &broker.password_file else {
                continue;
            };
            let file = folder.join(file);
            let password = read_text(&file).map_err(|error| BadConfig::Password {
                path: file.clone(),
                why: error.to_string(),
            })?;
            let Some(line) = password.lines().next().filter(|line| !line.is_empty()) else {
                let why = "its first line is empty".to_owned();
                return Err(BadConfig::Password { path: file, why });
            };
            broker.password = Some(Secret::new(line));
        }
        Ok(config)
    }
}

fn read_text(path: &Path) -> io::Result<String> {
    let length = fs::metadata(path)?.len();
    if length > MOST {
        let why = format!("it is {length} bytes long; allowed: up to {MOST}");
        return Err(io::Error::new(io::ErrorKind::InvalidData, why));
    }
    fs::read_to_string(path)
}
