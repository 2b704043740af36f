//! The loop of the daemon: store, acknowledge, think, deliver.
