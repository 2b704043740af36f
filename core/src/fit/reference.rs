//! What a culture would do in the reference drink.

use super::{
    course::Problem,
    frame::Frame,
    life::{Life, State},
};
use crate::abreast::{ABREAST, Abreast, Real, Row, in_row};
use crate::quantity::GRAMS_PER_LITRE_PER_VOLUME;

/// CO2 that the reference culture makes at its best in the reference drink: volumes per hour. Vigour 1.
const REFERENCE_VOLUMES_PER_H: f64 = 0.033;

/// Hours that are looked at, and after how many a rate that has fallen by half ends it.
const LONGEST_H: f64 = 480.0;
const EARLIEST_H: f64 = 48.0;

/// Vigour, and hours of lag to the tangent at the highest rate, of points in the reference drink at 20 degC.
pub(super) fn in_reference_drink(
    reference: &Frame,
    problem: &Problem,
    points: &[Vec<f64>],
) -> Vec<(f64, f64)> {
    let mut out = Vec::with_capacity(points.len());
    for some in points.chunks(ABREAST) {
        let lives = in_row(some).map(|z| in_reference(reference, problem, z));
        let told = fastest(reference, &lives).map(|found| {
            let vigour = found.rate / GRAMS_PER_LITRE_PER_VOLUME / REFERENCE_VOLUMES_PER_H;
            (vigour, found.lag)
        });
        out.extend(told.into_iter().take(some.len()));
    }
    out
}

/// The life of a point as it would be there.
fn in_reference(reference: &Frame, problem: &Problem, z: &[f64]) -> Life {
    let dose = problem.frame.known.dose.unwrap_or(25.0);
    let mut p = problem.life(z).p;
    p.start = (p.start * 25.0 / dose.max(1.0)).min(0.9);
    p.second *= 25.0 / dose.max(1.0);
    p.co2_at_start = p.co2_at_start.min(1.0);
    p.probe = 0.0;
    Life::new(p, reference, false)
}

/// The highest rate of a life, g/(L h), and its tangent's lag, h.
#[derive(Clone, Copy, Debug, Default)]
struct Fastest {
    rate: f64,
    lag: f64,
    done: bool,
}

fn fastest(reference: &Frame, lives: &[Life; ABREAST]) -> [Fastest; ABREAST] {
    let rows = Life::abreast(lives.each_ref());
    let mut state = State::abreast(lives.map(|life| life.start(reference)).each_ref());
    let warmth = rows.warmth(Row::of(20.0), Row::of(20.0));
    let mut found = [Fastest::default(); ABREAST];
    let mut h = 0.0;
    while h < LONGEST_H && found.iter().any(|fastest| !fastest.done) {
        let next = rows.brewed(reference, &state, warmth, 1.0, Row::of(1.0));
        let made = state.made.0.into_iter().zip(next.made.0);
        for (fastest, (before, after)) in found.iter_mut().zip(made).filter(|(fastest, _)| !fastest.done) {
            let rate = after - before;
            if rate > fastest.rate {
                fastest.rate = rate;
                fastest.lag = (h + 0.5 - 0.5 * (after + before) / rate).max(0.0);
            }
            fastest.done = rate < 0.5 * fastest.rate && h + 1.0 > EARLIEST_H;
        }
        state = next;
        h += 1.0;
    }
    found
}
