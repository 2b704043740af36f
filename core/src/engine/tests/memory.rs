//! What the engine remembers, and what leaves no trace.

use super::fixture::*;
use crate::{
    engine::{BadSnapshot, ClockSource, Monitor},
    reading::Quantity,
};

#[test]
fn a_forecast_asked_between_grid_points_leaves_no_trace() {
    let life = Life::default();
    let (mut asked, mut left_alone) = (monitor(), monitor());
    for h in 0..30 {
        let h = f64::from(h) / 3.0;
        let _ = asked.forecast_request(hour(h));
        let a = feed(&mut asked, &life, row(h, Quantity::Pressure, 0.03 * h));
        let b = feed(&mut left_alone, &life, row(h, Quantity::Pressure, 0.03 * h));
        assert_eq!(format!("{a:?}"), format!("{b:?}"));
    }
    assert_eq!(asked.snapshot(), left_alone.snapshot());
}

#[test]
fn damaged_and_foreign_snapshots_are_refused() {
    let bytes = monitor().snapshot();
    let restored = |bytes: &[u8], batch| Monitor::restore(bytes, batch, settings(ClockSource::Readings));
    assert!(restored(&bytes, batch()).is_ok());
    let mut other = batch();
    other.bottle.pressure_limit = bar(3.0);
    assert!(matches!(
        restored(&bytes, other),
        Err(BadSnapshot::OtherBatch { .. })
    ));
    assert!(matches!(
        restored(&bytes[..20], batch()),
        Err(BadSnapshot::Damaged { .. })
    ));
    assert!(matches!(
        restored(&[8, 0, 0, 0, 1], batch()),
        Err(BadSnapshot::Version { given: 8 })
    ));
    assert!(matches!(restored(&[], batch()), Err(BadSnapshot::Damaged { .. })));
}

#[test]
fn one_bit_that_a_disk_changed_is_noticed_wherever_it_is() {
    let bytes = monitor().snapshot();
    for place in 4..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[place] ^= 1 << (place % 8);
        let restored = Monitor::restore(&damaged, batch(), settings(ClockSource::Readings));
        assert!(
            matches!(restored, Err(BadSnapshot::Damaged { .. })),
            "byte {place}"
        );
    }
}
