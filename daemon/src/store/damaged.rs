//! Packed rows of any bytes, for the checks of what a failing disk may have changed.

use super::{StoreError, arrival, earlier, stretch::Packed};

/// Reads a row of which the first byte tells the kind: 0 an order of arrival, 1 that of the tenth layout, N four times N - 1 readings of a sensor.
/// What was read is packed and read once more.
///
/// # Panics
/// That comes to something else, or more was read than a row may hold.
pub(crate) fn packed_again(bytes: &[u8]) -> Result<(), StoreError> {
    let Some((kind, body)) = bytes.split_first() else {
        return Ok(());
    };
    match kind {
        0 => arrival::packed_again(body),
        1 => earlier::unpacked(body),
        count => {
            let mut row = Packed {
                first_us: 1_772_434_800_000_000,
                last_us: 1_772_434_800_000_000,
                count: i64::from(count - 1) * 4,
                body,
            };
            // As long as its times say, so that what stands behind them is read as well.
            row.last_us = row.last_time()?;
            row.packed_again()
        }
    }
}
