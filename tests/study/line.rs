//! Rule one: the gauge less nitrogen, and a straight line through its last 12 hours. It gives no interval.

use crate::{
    rule::Told,
    score::{mean, number},
};

/// Hours that the line looks back.
const BACK_H: f64 = 12.0;

/// What the rule says at `now_h` of a target in volumes.
pub(crate) fn told(content: &[(f64, f64)], now_h: f64, target: f64) -> Told {
    let seen: Vec<(f64, f64)> = content
        .iter()
        .copied()
        .filter(|(at_h, _)| *at_h > now_h - BACK_H)
        .collect();
    let Some((_, last)) = seen.last().copied() else {
        return Told::NOTHING;
    };
    let (middle_h, level) = (
        mean(seen.iter().map(|(at_h, _)| *at_h)),
        mean(seen.iter().map(|(_, y)| *y)),
    );
    let spread: f64 = seen.iter().map(|(at_h, _)| (at_h - middle_h).powi(2)).sum();
    let slope = seen
        .iter()
        .map(|(at_h, y)| (at_h - middle_h) * (y - level))
        .sum::<f64>()
        / spread;
    let reached = middle_h + (target - level) / slope;
    let reached = (slope > 0.0 && number(seen.len()) > 2.0).then_some(reached);
    Told {
        content: [None, Some(last), None],
        target_h: [None, reached, None],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_rise_is_carried_on() {
        let content: Vec<(f64, f64)> = (0..48)
            .map(|i| f64::from(i) / 2.0)
            .map(|h| (h, 0.1 * h))
            .collect();
        let reached = told(&content, 23.5, 3.0).target_h[1].unwrap();
        assert!((reached - 30.0).abs() < 1e-9);
        assert_eq!(told(&[], 5.0, 3.0).target_h, [None; 3]);
    }
}
