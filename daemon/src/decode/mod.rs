//! From bytes to readings and notes: pure functions, no clock, no I/O of their own.
//!
//! A bad line or record is a [`BadRow`] that names its place, its value and what is allowed; the ones around it are
//! read all the same. Times are cut to whole microseconds, the store's grid.

mod bottles;
mod calibration;
pub mod columns;
pub mod csv;
pub mod delimited;
pub mod diary;
pub mod json_lines;
mod line;
pub mod mapped;
pub mod notes;
pub mod packs;
pub mod senml;
mod time_form;
mod value;
mod zero;

use std::{fmt, panic};

use fobwatch_core::plain;
use fobwatch_core::reading::{BadMeasurement, NotASource, Reading, UnknownQuantity};
use fobwatch_core::{
    note::UnknownNoteKind,
    quantity::{Unit, UnknownUnit},
};

pub(crate) use bottles::bottles;
pub use calibration::{BadCalibration, Calibration, Calibrations, MAX_POINTS, Supply};
pub use time_form::TimeForm;
pub use zero::Zero;

/// The longest message or line that is looked at, in bytes. Longer ones are refused whole.
pub const MAX_MESSAGE: usize = 256 * 1024;

/// The longest line of a file or of a serial port, in bytes.
pub const MAX_LINE: usize = 16 * 1024;

/// What a message held: the good readings in their order, and what was wrong with the rest.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decoded {
    /// The readings.
    pub readings: Vec<Reading>,
    /// The rest.
    pub refused: Vec<BadRow>,
}

/// One row, record or column that is no reading or note.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{place}: {wrong}")]
pub struct BadRow {
    /// Where.
    pub place: Place,
    /// What is wrong.
    pub wrong: Wrong,
}

/// Where in a file or message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// The message as a whole.
    Message,
    /// A line, from 1.
    Line(u64),
    /// A record of a SenML pack, from 1.
    Record(usize),
    /// A row of a file in columns, from 1.
    Row(u64),
    /// A column of a line, from 1.
    Column(usize),
    /// A place in a JSON document (RFC 6901).
    Pointer(String),
}

/// What is wrong with a row.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Wrong {
    /// Too many bytes.
    #[error("is longer than {most} bytes")]
    TooLong {
        /// The most that is looked at.
        most: usize,
    },
    /// The bytes are no text.
    #[error("is not UTF-8 text")]
    NotText,
    /// A quoted field has no end on its line.
    #[error("a quote is not closed on its line")]
    OpenQuote,
    /// Not as many fields as the header has.
    #[error("has {found} fields; allowed: {allowed}, as in the header")]
    Fields {
        /// How many there are.
        found: usize,
        /// How many there should be.
        allowed: usize,
    },
    /// The header lacks columns.
    #[error("the header lacks {missing}; allowed: a line with time,source,quantity,value,unit in any order")]
    Header {
        /// Which ones, as a list.
        missing: String,
    },
    /// A column stands in the header twice.
    #[error("the header names column `{name}` twice")]
    TwiceInHeader {
        /// Which one.
        name: String,
    },
    /// A file in columns that is none of ours, or damaged.
    #[error("{0}")]
    Columns(String),
    /// Not JSON.
    #[error("is not JSON: {0}")]
    Json(String),
    /// Something is missing or of the wrong kind.
    #[error("{what} is {given}; allowed: {allowed}")]
    Value {
        /// Which entry.
        what: String,
        /// What stands there.
        given: String,
        /// What would do.
        allowed: &'static str,
    },
    /// A key nobody knows.
    #[error("key `{given}` is not known; {hint}")]
    UnknownKey {
        /// The key.
        given: String,
        /// The nearest known ones.
        hint: String,
    },
    /// A topic that names no quantity we know of.
    #[error("the topic names `{given}`; allowed: {allowed}")]
    UnknownName {
        /// The level of the topic.
        given: String,
        /// Which names are known.
        allowed: String,
    },
    /// A raw value without a calibration.
    #[error(
        "unit {unit} is of a raw sensor; allowed: with a [[calibration]] for source `{source_name}`, quantity `{quantity}` in \
         the configuration"
    )]
    NotCalibrated {
        /// The source.
        source_name: String,
        /// What it is to become.
        quantity: &'static str,
        /// The raw unit.
        unit: &'static str,
    },
    /// A ratiometric transducer beyond its rails.
    #[error(
        "{given} {unit} is at the rail of a transducer whose whole supply is {supply} {unit}: a broken or shorted wire reads so; \
         allowed: {allowed}"
    )]
    AtTheRail {
        /// What was read.
        given: f64,
        /// What it is fed with.
        supply: f64,
        /// In which unit both are.
        unit: &'static str,
        /// What is believed.
        allowed: &'static str,
    },
    /// Not a name of a source.
    #[error(transparent)]
    Source(#[from] NotASource),
    /// Not a quantity.
    #[error(transparent)]
    Quantity(#[from] UnknownQuantity),
    /// Not a unit.
    #[error(transparent)]
    Unit(#[from] UnknownUnit),
    /// Not a kind of note.
    #[error(transparent)]
    NoteKind(#[from] UnknownNoteKind),
    /// The unit measures something else.
    #[error(transparent)]
    Measurement(BadMeasurement),
    /// The number cannot be.
    #[error("{given} {unit} is no {quantity}; allowed: {allowed}")]
    Impossible {
        /// The number as it came.
        given: f64,
        /// Its unit.
        unit: Unit,
        /// What it was to be.
        quantity: &'static str,
        /// What can be.
        allowed: &'static str,
    },
    /// A decoder panicked over it.
    #[error("made fobwatch stumble over a fault of its own; please report it")]
    Fault,
    /// The bytes could not be fetched; nothing follows.
    #[error("cannot be read: {0}")]
    Io(String),
}

impl Wrong {
    /// A short name for counters: one of a fixed few.
    #[must_use]
    pub fn reason(&self) -> &'static str {
        match self {
            Self::TooLong { .. } => "too_long",
            Self::NotText => "not_text",
            Self::OpenQuote | Self::Fields { .. } | Self::Header { .. } | Self::TwiceInHeader { .. } => {
                "malformed"
            }
            Self::Json(_) => "not_json",
            Self::Value { .. } | Self::UnknownKey { .. } | Self::NoteKind(_) => "bad_value",
            Self::NotCalibrated { .. } => "not_calibrated",
            Self::AtTheRail { .. } => "at_the_rail",
            Self::Source(_) => "bad_source",
            Self::Quantity(_) | Self::UnknownName { .. } => "unknown_quantity",
            Self::Unit(_) => "unknown_unit",
            Self::Measurement(_) => "wrong_unit",
            Self::Impossible { .. } => "impossible",
            Self::Columns(_) => "columns",
            Self::Fault => "fault",
            Self::Io(_) => "io",
        }
    }
}

impl Wrong {
    /// Why it is no JSON, or none of what was asked for. The reader's words may hold keys as they came.
    fn json(error: &serde_json::Error) -> Self {
        Self::Json(plain::line(&error.to_string(), 300))
    }

    /// Why `given` `unit` is no such measurement, in the words of the row.
    fn measurement(error: BadMeasurement, given: f64, unit: Unit) -> Self {
        match error {
            BadMeasurement::Impossible(error) => Self::Impossible {
                given,
                unit,
                quantity: error.quantity,
                allowed: error.allowed,
            },
            wrong_unit => Self::Measurement(wrong_unit),
        }
    }
}

/// A decoder that panics refuses its message, and the next one is read: a broker would send it again and again.
pub(crate) fn forgiving(read: impl FnOnce() -> Decoded) -> Decoded {
    panic::catch_unwind(panic::AssertUnwindSafe(read)).unwrap_or_else(|_told| Decoded::refused(Wrong::Fault))
}

impl Decoded {
    /// A message that is refused whole.
    #[must_use]
    pub fn refused(wrong: Wrong) -> Self {
        Self {
            readings: Vec::new(),
            refused: vec![BadRow {
                place: Place::Message,
                wrong,
            }],
        }
    }

    fn take(&mut self, place: Place, result: Result<Reading, Wrong>) {
        match result {
            Ok(reading) => self.readings.push(reading),
            Err(wrong) => self.refused.push(BadRow { place, wrong }),
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Message => f.write_str("message"),
            Self::Line(line) => write!(f, "line {line}"),
            Self::Record(record) => write!(f, "record {record}"),
            Self::Row(row) => write!(f, "row {row}"),
            Self::Column(column) => write!(f, "column {column}"),
            Self::Pointer(pointer) => write!(f, "`{}`", shown(pointer)),
        }
    }
}

/// A given text as a message shows it: at most 60 characters, control characters replaced.
fn shown(text: &str) -> String {
    plain::line(text, 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decoder_that_panics_refuses_its_message_and_says_whose_fault_it_is() {
        let decoded = forgiving(|| panic!("a fault of ours"));
        assert_eq!(decoded, Decoded::refused(Wrong::Fault));
        assert_eq!(
            decoded.refused[0].to_string(),
            "message: made fobwatch stumble over a fault of its own; please report it"
        );
        let sound = Decoded::refused(Wrong::NotText);
        assert_eq!(forgiving(|| sound.clone()), sound);
    }
}
