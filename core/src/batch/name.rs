//! Names that people give, and the slugs that URLs and topics use.

use std::{cmp::Ordering, fmt};

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
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct BatchName(String);

/// A culture's name: 1 to 80 characters, no control characters.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct CultureName(String);

/// The name that batches share which are made to be set beside each other: 1 to 80 characters, no control characters.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
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

            /// The name as a sentence begins with it: "Hibiscus 12 is in the fridge." Before a colon, and within a sentence, it stands as given.
            #[must_use]
            pub fn at_the_start(&self) -> String {
                let mut letters = self.0.chars();
                letters.next().map_or_else(String::new, |first| {
                    first.to_uppercase().chain(letters).collect()
                })
            }

            /// Its slug: "Hibiscus 12" is `hibiscus-12`.
            ///
            /// Letters outside ASCII are written as their code point, so that different names stay different.
            #[must_use]
            pub fn slug(&self) -> Slug {
                slug(&self.0)
            }
        }

        impl Ord for $name {
            fn cmp(&self, other: &Self) -> Ordering {
                as_people_sort(&self.0, &other.0)
            }
        }

        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
                Some(self.cmp(other))
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

/// By letters, and where both have a number, by the number: plum 2 before plum 10. Equal only what is the same text.
fn as_people_sort(a: &str, b: &str) -> Ordering {
    let (mut left, mut right) = (a, b);
    loop {
        if let (Some((x, after_x)), Some((y, after_y))) = (number(left), number(right)) {
            // Without leading zeros the longer one is the larger one.
            let order = (x.len(), x).cmp(&(y.len(), y));
            if order.is_ne() {
                return order;
            }
            (left, right) = (after_x, after_y);
            continue;
        }
        let (mut letters, mut others) = (left.chars(), right.chars());
        match (letters.next(), others.next()) {
            (None, None) => return a.cmp(b),
            (x, y) if x != y => return x.cmp(&y),
            _ => (left, right) = (letters.as_str(), others.as_str()),
        }
    }
}

/// The number at the beginning, without leading zeros, and what follows it.
fn number(text: &str) -> Option<(&str, &str)> {
    let end = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let (digits, after) = text.split_at(end);
    (!digits.is_empty()).then(|| (digits.trim_start_matches('0'), after))
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
    #[test]
    fn numbers_in_names_sort_as_numbers() {
        let name = |text: &str| BatchName::new(text).unwrap();
        let sorted = [
            "10 plums",
            "Plum 3",
            "plum",
            "plum 01",
            "plum 1",
            "plum 1 b",
            "plum 2",
            "plum 2 b 9",
            "plum 2 b 10",
            "plum 10",
            "plum 100",
            "plum a",
            "\u{fc} 1",
        ];
        for (place, a) in sorted.iter().enumerate() {
            for (other, b) in sorted.iter().enumerate() {
                assert_eq!(name(a).cmp(&name(b)), place.cmp(&other), "{a} {b}");
            }
        }
        let long = |last| CultureName::new(&format!("jar {}{last}", "9".repeat(60))).unwrap();
        assert!(long(1) < long(2));
    }
}
