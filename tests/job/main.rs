//! The whole job, with real parts.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod bad_files;
mod bad_messages;
mod full_disk;
mod kitchen;
mod over_mqtt;
mod over_serial;
mod replayed;
mod same_bytes;
mod scenarios;
mod series;
mod shares;
mod stopped;
