//! Texts that nobody else may see, and the places they come from. They never stand in the configuration itself.

use std::{
    env, fmt, fs, io,
    path::{Path, PathBuf},
};

/// What a `..._file` of a secret may be.
pub(super) const PLACE: &str =
    "a path; \"credential:NAME\", a systemd credential; or \"env:NAME\", a variable of the environment";

/// The most that is read of a secret, certificate or configuration file, in bytes.
pub(super) const MOST: u64 = 1024 * 1024;

/// A text that no message or log may show.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

/// Where a secret comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// A file, relative to the folder of the configuration.
    File(PathBuf),
    /// A file of the folder that systemd names in `CREDENTIALS_DIRECTORY` (systemd.exec(5), `LoadCredential=`).
    Credential(String),
    /// A variable of the environment.
    Variable(String),
}

impl Secret {
    /// Keeps a secret.
    #[must_use]
    pub fn new(text: &str) -> Self {
        Self(text.to_owned())
    }

    /// The text itself, for the one who logs in with it.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// Whether `given` is the secret, in a time that does not tell how much of it is right.
    #[must_use]
    pub fn is(&self, given: &str) -> bool {
        let (own, given) = (self.0.as_bytes(), given.as_bytes());
        let differ = own.iter().zip(given).fold(0, |differ, (a, b)| differ | (a ^ b));
        own.len() == given.len() && differ == 0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

impl Place {
    /// Reads how a configuration names a place.
    pub(super) fn named(text: &str) -> Option<Self> {
        let name = |name: &str| {
            let plain = |c: char| c.is_ascii_alphanumeric() || "_-.".contains(c);
            ((1..=200).contains(&name.len()) && name.chars().all(plain) && !name.starts_with('.'))
                .then(|| name.to_owned())
        };
        if let Some(given) = text.strip_prefix("credential:") {
            name(given).map(Self::Credential)
        } else if let Some(given) = text.strip_prefix("env:") {
            name(given).map(Self::Variable)
        } else {
            (!text.trim().is_empty()).then(|| Self::File(PathBuf::from(text)))
        }
    }

    /// The text at this place. `folder` is that of the configuration.
    ///
    /// # Errors
    /// Why it cannot be had, without showing any of it.
    pub(super) fn read(&self, folder: &Path) -> Result<String, String> {
        match self {
            Self::File(path) => read_text(&folder.join(path)).map_err(|error| error.to_string()),
            Self::Credential(name) => {
                let credentials = env::var_os("CREDENTIALS_DIRECTORY").ok_or(
                    "systemd hands over no credentials (CREDENTIALS_DIRECTORY is not set); add LoadCredential= to the unit",
                )?;
                read_text(&Path::new(&credentials).join(name)).map_err(|error| error.to_string())
            }
            Self::Variable(name) => {
                env::var(name).map_err(|_unset| "the variable is not set, or is no text".to_owned())
            }
        }
    }

    /// As messages name it, with the whole way to a file.
    pub(super) fn shown(&self, folder: &Path) -> String {
        match self {
            Self::File(path) => folder.join(path).display().to_string(),
            other => other.to_string(),
        }
    }

    /// The first line at this place.
    ///
    /// # Errors
    /// Why it cannot be had, without showing any of it.
    pub(super) fn secret(&self, folder: &Path) -> Result<Secret, String> {
        let text = self.read(folder)?;
        let line = text.lines().next().filter(|line| !line.is_empty());
        line.map(Secret::new)
            .ok_or_else(|| "its first line is empty".to_owned())
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(path) => write!(f, "{}", path.display()),
            Self::Credential(name) => write!(f, "credential:{name}"),
            Self::Variable(name) => write!(f, "env:{name}"),
        }
    }
}

pub(super) fn read_text(path: &Path) -> io::Result<String> {
    let length = fs::metadata(path)?.len();
    if length > MOST {
        let why = format!("it is {length} bytes long; allowed: up to {MOST}");
        return Err(io::Error::new(io::ErrorKind::InvalidData, why));
    }
    fs::read_to_string(path)
}
