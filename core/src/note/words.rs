//! Words of a note that the fit understands. Everything else in a note is kept and read by people alone.

use serde::{Deserialize, Serialize};

/// How lively an opened or tasted bottle was, beside what its maker wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Liveliness {
    /// Next to no gas.
    Flat,
    /// Less than wanted.
    Light,
    /// As wanted.
    Right,
    /// More than wanted.
    Lively,
    /// It ran over; warmth, fruit and a rough hand do that too.
    Gushing,
}

/// How a plastic bottle felt when it was squeezed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Firmness {
    /// It gives.
    Soft,
    /// It gives a little.
    Firm,
    /// It gives no more: at any pressure above that it feels the same.
    Hard,
}

/// Whether the gas was out of the sample that a hydrometer was read in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sample {
    /// Stirred or left to stand until it was still.
    Degassed,
    /// As it came out of the bottle.
    Gassy,
    /// Nobody says.
    Unsaid,
}

/// Words that turn the next one round.
const NOT: [&str; 10] = [
    "not", "no", "isn", "wasn", "never", "hardly", "barely", "without", "less", "neither",
];

/// Words that say nothing of fizz; shorter ones than four letters are not looked at.
const EMPTY: [&str; 20] = [
    "this", "that", "with", "from", "very", "bottle", "bottles", "again", "today", "still", "after", "than",
    "then", "just", "when", "number", "opened", "tasted", "more", "little",
];

/// Words of `text` that may be a person's own for fizz, in lower case, each once; none if a usual word or a "not" is among them.
pub(super) fn own_words(text: &str) -> Vec<String> {
    let lower = text.to_lowercase();
    let words: Vec<&str> = lower
        .split(|c: char| !c.is_alphabetic())
        .filter(|word| !word.is_empty())
        .collect();
    if words
        .iter()
        .any(|word| NOT.contains(word) || Liveliness::in_words(word).is_some())
    {
        return Vec::new();
    }
    let long = words
        .into_iter()
        .filter(|word| (4..=30).contains(&word.chars().count()) && !EMPTY.contains(word));
    let mut own: Vec<String> = long.map(str::to_owned).collect();
    own.sort_unstable();
    own.dedup();
    own
}

impl Liveliness {
    /// What `text` says, if it says one thing: `flat` or `still`, `light`, `right` or `perfect`, `lively`, `gushing` (also
    /// `gushed`, `gusher`). Words of two kinds, or a "not" among them, say nothing that could be reckoned with.
    #[must_use]
    pub fn in_words(text: &str) -> Option<Self> {
        the_one(text, |word| {
            Some(match word {
                "flat" | "still" => Self::Flat,
                "light" => Self::Light,
                "right" | "perfect" => Self::Right,
                "lively" => Self::Lively,
                "gushing" | "gushed" | "gusher" | "gushes" => Self::Gushing,
                _ => return None,
            })
        })
    }
}

impl Firmness {
    /// What `text` says, if it says one thing: `soft`, `firm` or `hard`.
    #[must_use]
    pub fn in_words(text: &str) -> Option<Self> {
        the_one(text, |word| {
            Some(match word {
                "soft" => Self::Soft,
                "firm" => Self::Firm,
                "hard" => Self::Hard,
                _ => return None,
            })
        })
    }
}

impl Sample {
    /// What `text` says: `degassed`, `stirred`, `still` or `flat`; `gassy` or `undegassed`.
    #[must_use]
    pub fn in_words(text: &str) -> Self {
        the_one(text, |word| {
            Some(match word {
                "degassed" | "stirred" | "still" | "flat" => Self::Degassed,
                "gassy" | "undegassed" => Self::Gassy,
                _ => return None,
            })
        })
        .unwrap_or(Self::Unsaid)
    }
}

/// The one kind of word that stands in `text`.
fn the_one<T: PartialEq>(text: &str, kind: impl Fn(&str) -> Option<T>) -> Option<T> {
    let lower = text.to_lowercase();
    let words = || {
        lower
            .split(|c: char| !c.is_alphabetic())
            .filter(|word| !word.is_empty())
    };
    if words().any(|word| NOT.contains(&word)) {
        return None;
    }
    let mut found = words().filter_map(kind);
    let first = found.next()?;
    found.all(|other| other == first).then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_plain_word_is_understood_wherever_it_stands() {
        assert_eq!(Liveliness::in_words("flat"), Some(Liveliness::Flat));
        assert_eq!(Liveliness::in_words("Just right."), Some(Liveliness::Right));
        assert_eq!(Liveliness::in_words("GUSHED, gushed!"), Some(Liveliness::Gushing));
        assert_eq!(Firmness::in_words("rock-hard by now"), Some(Firmness::Hard));
        assert_eq!(Sample::in_words("degassed, 20 degC"), Sample::Degassed);
    }

    #[test]
    fn doubtful_words_say_nothing() {
        for text in [
            "",
            "a good hiss",
            "not flat",
            "isn't right",
            "light but lively",
            "flattering",
        ] {
            assert_eq!(Liveliness::in_words(text), None, "{text}");
        }
        assert_eq!(Firmness::in_words("soft or hard?"), None);
        assert_eq!(Sample::in_words("in the kitchen"), Sample::Unsaid);
    }
}
