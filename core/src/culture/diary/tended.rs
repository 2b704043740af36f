//! What may be done to a culture, or seen of it.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

/// What was done to a culture, or seen of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tended {
    /// It was begun, or came into the house.
    Started,
    /// It was fed.
    Fed,
    /// Some of it was taken, for a batch say.
    Taken,
    /// It went to rest in the fridge.
    Chilled,
    /// It came back to the room.
    Warmed,
    /// It was split from another culture.
    SplitFrom,
    /// How it looks and smells.
    Looked,
    /// A small bottle of it was proofed under the gauge.
    Proofed,
    /// It holds allergens.
    Holds,
    /// It does not hold them after all.
    FreeOf,
    /// It was thrown out.
    Discarded,
    /// An entry was wrong and counts no more: that of the same moment whose [`super::DiaryEntry::mark`] is the text.
    TakenBack,
}

/// A word that is no deed of a diary.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{given}` is nothing that a culture's diary knows; allowed: {}",
    Tended::allowed()
)]
pub struct UnknownTended {
    /// What stood there, cut to 40 characters.
    pub given: String,
}

impl Tended {
    /// All of them.
    pub const ALL: [Self; 12] = [
        Self::Started,
        Self::Fed,
        Self::Taken,
        Self::Chilled,
        Self::Warmed,
        Self::SplitFrom,
        Self::Looked,
        Self::Proofed,
        Self::Holds,
        Self::FreeOf,
        Self::Discarded,
        Self::TakenBack,
    ];

    /// Its name in files and commands.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Started => "started",
            Self::Fed => "fed",
            Self::Taken => "taken",
            Self::Chilled => "chilled",
            Self::Warmed => "warmed",
            Self::SplitFrom => "split_from",
            Self::Looked => "looked",
            Self::Proofed => "proofed",
            Self::Holds => "holds",
            Self::FreeOf => "free_of",
            Self::Discarded => "discarded",
            Self::TakenBack => "taken_back",
        }
    }

    pub(super) fn allowed() -> String {
        Self::ALL.map(Self::name).join(", ")
    }
}

impl fmt::Display for Tended {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Tended {
    type Err = UnknownTended;

    fn from_str(text: &str) -> Result<Self, UnknownTended> {
        let deed = Self::ALL.into_iter().find(|deed| deed.name() == text);
        deed.ok_or_else(|| UnknownTended {
            given: crate::plain::line(text, 40),
        })
    }
}
