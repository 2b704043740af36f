//! The whole job, with real parts.
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod killed;
mod kitchen;
mod over_mqtt;
mod over_serial;
mod scenarios;
