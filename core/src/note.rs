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
    /// Another note was wrong, and counts as never said.
    TakenBack,
}

/// A word that is no kind of note.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "note kind `{given}` is not known; allowed: moved_to_fridge, taken_out, vented, opened, gravity, gauge, squeezed, \
     tasted, given_away, broken, corrected, confirmed, other, taken_back"
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
    /// The note that this one takes back; only in those of [`NoteKind::TakenBack`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub takes_back: Option<Box<Note>>,
}

impl Note {
    /// The note that takes this one back: `who` says so at `at`, and maybe `why`.
    #[must_use]
    pub fn taken_back(&self, at: Timestamp, who: &str, why: Option<&str>) -> Self {
        let who = crate::plain::line(who, 80);
        let why = why.map(str::trim).filter(|why| !why.is_empty());
        Self {
            // Nothing is taken back before it was said.
            at: at.max(self.at),
            kind: NoteKind::TakenBack,
            bottles: None,
            value: None,
            unit: None,
            text: Some(match why {
                Some(why) => format!("{who} took it back: {}", crate::plain::line(why, 500)),
                None => format!("{who} took it back"),
            }),
            takes_back: Some(Box::new(self.clone())),
        }
    }
}

/// The notes that count, in their order: without those that were taken back, and without the word that takes them back.
#[must_use]
pub fn counting(mut notes: Vec<Note>) -> Vec<Note> {
    let back: Vec<Note> = notes
        .iter()
        .filter_map(|note| note.takes_back.as_deref().cloned())
        .collect();
    notes.retain(|note| note.kind != NoteKind::TakenBack && !back.contains(note));
    notes
}

impl NoteKind {
    /// All of them.
    pub const ALL: [Self; 14] = [
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
        Self::TakenBack,
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
            Self::TakenBack => "taken_back",
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_taken_back_counts_no_more_in_whatever_order_it_is_heard() {
        let at: Timestamp = "2026-03-05T15:00:00Z".parse().unwrap();
        let opened = Note {
            at,
            kind: NoteKind::Opened,
            bottles: Some(vec![3]),
            value: None,
            unit: None,
            text: Some("gushing".to_owned()),
            takes_back: None,
        };
        let other = Note {
            bottles: Some(vec![4]),
            ..opened.clone()
        };
        let back = opened.taken_back(at, "Ada", Some(" wrong batch\n"));
        assert_eq!(back.text.as_deref(), Some("Ada took it back: wrong batch"));
        for notes in [
            [opened.clone(), other.clone(), back.clone()],
            [back.clone(), other.clone(), opened.clone()],
        ] {
            assert_eq!(counting(notes.to_vec()), std::slice::from_ref(&other));
        }
        // As it is kept, it reads back; and a note without one is kept as ever.
        let kept = serde_json::to_string(&back).unwrap();
        assert_eq!(serde_json::from_str::<Note>(&kept).unwrap(), back);
        assert!(!serde_json::to_string(&opened).unwrap().contains("takes_back"));
    }
}
