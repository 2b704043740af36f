//! How a life's rates may differ, from the present on, from what the grey box makes of them.

use super::super::{frame::Frame, random::Random};

fn spread(values: &[f64]) -> f64 {
    let count: f64 = values.iter().map(|_| 1.0).sum();
    let mean = values.iter().sum::<f64>() / count;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / count).sqrt()
}

/// Of an Ornstein-Uhlenbeck process: from its last value it goes back as exp(-t/120 h), and its spread comes as sqrt(1 - exp(-2t/120 h)).
#[test]
fn at_worst_rates_wander_as_far_as_in_the_past_and_most_likely_less() {
    let nodes: Vec<f64> = (0..=144)
        .map(|half_hour| 30.0 + 0.5 * f64::from(half_hour))
        .collect();
    let last = 0.3;
    let mut random = Random::of(&[7]);
    let ways: Vec<[Vec<f64>; 2]> = (0..4_000)
        .map(|_| Frame::surprises_ahead(last, &mut || random.normal(), &nodes))
        .collect();
    for (way, whole) in [(0, 0.2), (1, 0.5)] {
        for node in [0, 12, 48, 144] {
            let hours = nodes[node] - nodes[0];
            let values: Vec<f64> = ways.iter().map(|ways| ways[way][node]).collect();
            let expected = whole * (1.0 - (-2.0 * hours / 120.0_f64).exp()).sqrt();
            assert!(
                (spread(&values) - expected).abs() < 0.04 * whole,
                "{way}, {hours} h: {} instead of {expected}",
                spread(&values)
            );
            let mean = values.iter().sum::<f64>() / 4_000.0;
            let back = last * (-hours / 120.0_f64).exp();
            assert!(
                (mean - back).abs() < 0.06 * whole,
                "{way}, {hours} h: {mean} instead of {back}"
            );
        }
    }
    // Both ways of one life are surprised by the same: at worst by more, never by the contrary.
    for [likely, worst] in &ways {
        let back = last * (-72.0 / 120.0_f64).exp();
        let (likely, worst) = (likely[144] - back, worst[144] - back);
        assert!(
            likely * worst >= 0.0 && worst.abs() >= likely.abs(),
            "{likely} {worst}"
        );
    }
}
