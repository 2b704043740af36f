//! Sucrose that the culture splits outside its cells.

use super::{super::frame::Frame, unheard};

fn frame() -> Frame {
    Frame::new(&unheard("").0, 24.0)
}

/// The enzyme's law by small steps: `dS/dmade = -9 S/(S + 8.6)`, both in g/L.
#[test]
fn what_is_split_runs_by_the_law_of_a_sated_enzyme() {
    let frame = frame();
    let whole = frame.sucrose_g_per_l;
    assert!(whole > 30.0);
    let step = 1e-4;
    let (mut left, mut made) = (whole, 0.0);
    for check in 1..=30 {
        for _ in 0..10_000 {
            let pace = |left: f64| 9.0 * left / (left + 8.6);
            left -= step * pace(left - 0.5 * step * pace(left));
            made += step;
        }
        let split = frame.split(made);
        assert!(
            (split - (whole - left)).abs() < 1e-4,
            "{check}: {split} {}",
            whole - left
        );
    }
    assert!(left < 1e-3 * whole);
}

#[test]
fn nothing_is_split_of_nothing_nor_more_than_there_is() {
    let frame = frame();
    assert!(frame.split(0.0).abs() < f64::EPSILON && frame.split(-0.1).abs() < f64::EPSILON);
    let mut before = 0.0;
    for made in 1..400 {
        let split = frame.split(f64::from(made) * 0.5);
        assert!(
            split >= before && split <= frame.sucrose_g_per_l,
            "{made}: {split}"
        );
        before = split;
    }
    let mut dry = frame;
    dry.sucrose_g_per_l = 0.0;
    assert!(dry.split(5.0).abs() < f64::EPSILON);
}
