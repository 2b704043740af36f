//! How existing sensors write a time.

use jiff::Timestamp;

use super::{Wrong, value};

/// How a time is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeForm {
    /// RFC 3339.
    Rfc3339,
    /// Seconds since 1970.
    UnixSeconds,
    /// Milliseconds since 1970.
    UnixMilliseconds,
}

impl TimeForm {
    /// A time in this form.
    pub(super) fn read(self, text: &str) -> Result<Timestamp, Wrong> {
        match self {
            Self::Rfc3339 => value::time("the time", text),
            Self::UnixSeconds => value::unix_seconds("the time", value::number("the time", text)?),
            Self::UnixMilliseconds => {
                value::unix_seconds("the time", value::number("the time", text)? / 1_000.0)
            }
        }
    }
}
