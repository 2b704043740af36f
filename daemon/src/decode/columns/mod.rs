//! Readings as columns: Parquet files, for analysis.
//!
//! The columns are those of the CSV. Times are written as microseconds since 1970 in UTC, values in the stored unit; other
//! programs may have written milli- or nanoseconds, and further columns, which are ignored.

mod pages;
mod read;
#[cfg(test)]
mod tests;
mod write;

pub use read::{Rows, rows};
pub use write::Columns;

/// Its differences are stored: times count up by nearly the same steps, and those take a few bits each.
const TIME: &str = "time";
