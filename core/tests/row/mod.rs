//! A row of the simulator as the engine takes it.

use fobwatch_core::reading::{Measured, Reading, Source};
use fobwatch_simulator::Emitted;

/// `None`: no such value is plausible, as of a broken sensor.
pub(crate) fn reading(row: &Emitted) -> Option<Reading> {
    let unit = row.unit.symbol().parse().expect("a unit both know");
    let quantity = row.quantity.name().parse().expect("a quantity both know");
    Some(Reading {
        at: row.at,
        source: Source::new(&row.source).expect("a source both know"),
        measured: Measured::new(quantity, row.value, unit).ok()?,
    })
}
