//! What a person saw, tasted or did.

mod palate;
mod words;

use std::{fmt, str::FromStr};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

pub use palate::{OwnWord, Palate, Tasting};
pub use words::{Firmness, Liveliness, Sample};

/// What kind of note it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoteKind {
    /// Bottles went to the fridge.
    MovedToFridge,
    /// Bottles came back to the room.
    TakenOut,
    /// Gas was let off.
    Vented,
    /// Bottles were opened.
    Opened,
    /// A hydrometer was read.
    Gravity,
    /// A gauge was read by eye.
    Gauge,
    /// The plastic pilot was squeezed.
    Squeezed,
    /// A bottle was tasted.
    Tasted,
    /// Bottles left the house.
    GivenAway,
    /// Bottles broke.
    Broken,
    /// The entries of the batch were corrected; the program itself writes it.
    Corrected,
    /// An entry that the readings speak against is right all the same.
    Confirmed,
    /// Anything else.
    Other,
}

/// A word that is no kind of note.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "note kind `{given}` is not known; allowed: moved_to_fridge, taken_out, vented, opened, gravity, gauge, squeezed, \
     tasted, given_away, broken, corrected, confirmed, other"
)]
pub struct UnknownNoteKind {
    /// What stood there, cut to 40 characters.
    pub given: String,
}

/// One note of a batch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Note {
    /// When it happened.
    pub at: Timestamp,
    /// What happened.
    pub kind: NoteKind,
    /// Which bottles, by number from 1; `None`: all, the pilot included.
    pub bottles: Option<Vec<u32>>,
    /// A number that was read, with its unit in `unit`.
    pub value: Option<f64>,
    /// Unit of `value`, as written.
    pub unit: Option<String>,
    /// Free words.
    pub text: Option<String>,
}

impl NoteKind {
    /// All of them.
    pub const ALL: [Self; 13] = [
        Self::MovedToFridge,
        Self::TakenOut,
        Self::Vented,
        Self::Opened,
        Self::Gravity,
        Self::Gauge,
        Self::Squeezed,
        Self::Tasted,
        Self::GivenAway,
        Self::Broken,
        Self::Corrected,
        Self::Confirmed,
        Self::Other,
    ];

    /// Its name in files and commands.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::MovedToFridge => "moved_to_fridge",
            Self::TakenOut => "taken_out",
            Self::Vented => "vented",
            Self::Opened => "opened",
            Self::Gravity => "gravity",
            Self::Gauge => "gauge",
            Self::Squeezed => "squeezed",
            Self::Tasted => "tasted",
            Self::GivenAway => "given_away",
            Self::Broken => "broken",
            Self::Corrected => "corrected",
            Self::Confirmed => "confirmed",
            Self::Other => "other",
        }
    }
}

impl fmt::Display for NoteKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for NoteKind {
    type Err = UnknownNoteKind;

    fn from_str(text: &str) -> Result<Self, UnknownNoteKind> {
        Self::ALL
            .into_iter()
            .find(|kind| kind.name() == text)
            .ok_or_else(|| UnknownNoteKind {
                given: crate::plain::line(text, 40),
            })
    }
}
