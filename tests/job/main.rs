//! The whole job, with real parts.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod scenarios;
