//! What batches tell beside each other, gathered from the store for commands and pages.

pub(crate) mod cultures;
pub(crate) mod experiments;
pub(crate) mod heard_room;
pub(crate) mod led;
pub(crate) mod words;
