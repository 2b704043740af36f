//! A turn of a worker: where it waits for one, and what it wants after it.

use std::time::Duration;

/// Where a worker waits for its turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lane {
    /// Nothing that takes long.
    Soon,
    /// A fit, or reading what is stored.
    Long,
}

/// What a worker wants after its turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Next {
    /// Another one.
    Turn(Lane),
    /// Nothing until something comes.
    Nothing,
    /// Another one after so long.
    Rest(Duration),
    /// It has ended.
    End,
}
