//! What is taken off a gauge's readings.

use fobwatch_core::{quantity::GaugePressure, reading::Source};
use jiff::Timestamp;

/// What one gauge reads in open air.
#[derive(Clone, Debug, PartialEq)]
pub struct Zero {
    /// Which gauge.
    pub source: Source,
    /// What it reads.
    pub reads: GaugePressure,
    /// When that was seen.
    pub taken_at: Timestamp,
}
