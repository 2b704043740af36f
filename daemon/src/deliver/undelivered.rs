//! Why a letter has not arrived, and when it may.

use std::time::Duration;

/// Why a letter has not arrived. It never holds a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Undelivered {
    pub(crate) why: String,
    /// When it may go better.
    pub(crate) again: Again,
}

/// When to try again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Again {
    /// Later, and not before this time if one was given.
    Later(Option<Duration>),
    /// Never: this letter will not be taken there.
    Never,
}

impl Undelivered {
    pub(crate) fn later(why: impl Into<String>) -> Self {
        Self {
            why: why.into(),
            again: Again::Later(None),
        }
    }

    pub(super) fn never(why: impl Into<String>) -> Self {
        Self {
            why: why.into(),
            again: Again::Never,
        }
    }
}
