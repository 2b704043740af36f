//! Names that people give, and the slugs that URLs and topics use.

use std::fmt;

use serde::{Deserialize, Serialize};

pub(super) const NAME_ALLOWED: &str = "1 to 80 characters, no control characters, a letter or digit in it";

/// A text that cannot be a name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{given}` cannot be a name; allowed: {NAME_ALLOWED}")]
pub struct NotAName {
    /// What stood there, cut to 80 characters, control characters replaced.
    pub given: String,
}

/// A batch's name: 1 to 80 characters, no control characters.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct BatchName(String);

/// A culture's name: 1 to 80 characters, no control characters.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct CultureName(String);

/// The name that batches share which are made to be set beside each other: 1 to 80 characters, no control characters.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct ExperimentName(String);

/// Lower-case letters, digits and hyphens: safe in a URL, a file name and a topic.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Slug(String);

impl std::borrow::Borrow<str> for Slug {
    fn borrow(&self) -> &str {
        &self.0
    }
}

macro_rules! name {
    ($name:ident) => {
        impl $name {
            /// Checks and keeps a name.
            ///
            /// # Errors
            /// Empty, longer than 80 characters, with a control character, or without any letter or digit.
            pub fn new(name: &str) -> Result<Self, NotAName> {
                let name = name.trim();
                let fits = (1..=80).contains(&name.chars().count());
                if fits
                    && !name.chars().any(crate::plain::is_hidden)
                    && name.chars().any(char::is_alphanumeric)
                {
                    Ok(Self(name.to_owned()))
                } else {
                    Err(NotAName {
                        given: crate::plain::line(name, 80),
                    })
                }
            }

            /// The name as given.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }

            /// Its slug: "Hibiscus 12" is `hibiscus-12`.
            ///
            /// Letters outside ASCII are written as their code point, so that different names stay different.
            #[must_use]
            pub fn slug(&self) -> Slug {
                slug(&self.0)
            }
        }

        impl TryFrom<String> for $name {
            type Error = NotAName;

            fn try_from(name: String) -> Result<Self, NotAName> {
                Self::new(&name)
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> Self {
                name.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }
    };
}
name!(BatchName);
name!(CultureName);
name!(ExperimentName);

impl Slug {
    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Slug {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

fn slug(name: &str) -> Slug {
    let mut out = String::new();
    for c in name.chars().flat_map(char::to_lowercase) {
        if c.is_ascii_alphanumeric() {
            out.push(c);
        } else if c.is_alphanumeric() {
            out.push_str(&format!("u{:x}", u32::from(c)));
        } else if !out.is_empty() && !out.ends_with('-') {
            out.push('-');
        }
    }
    Slug(out.trim_end_matches('-').to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slugs_are_safe_and_never_empty() {
        assert_eq!(
            BatchName::new("Hibiscus 12").unwrap().slug().as_str(),
            "hibiscus-12"
        );
        assert_eq!(BatchName::new("../a b").unwrap().slug().as_str(), "a-b");
        assert_eq!(
            BatchName::new("\u{e9}t\u{e9}").unwrap().slug().as_str(),
            "ue9tue9"
        );
        assert!(BatchName::new("--").is_err());
        assert!(BatchName::new("a\u{7}b").is_err());
    }
}
