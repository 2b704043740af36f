//! What may have changed on the way: a leak that began, a culture that gave up, a gauge that began to creep.
//!
//! Asked of the maximum of the same posterior: by how much would its cost (minus twice the log of the posterior) fall if the
//! sensor vessel had begun to leak at this node or that, or the culture had slowed down, or the gauge had begun to creep? To first
//! order this is a score test with all parameters free (Rao 1948): no temperature, oxygen or slower culture may explain the change away
//! unless it does so at a lower cost. What survives is climbed to with the change in place, and compared.

use nalgebra::{Cholesky, DVector};

use super::{
    climb::{self, Candidate, candidate, climbed},
    course::{Change, Problem},
};
use crate::forecast::Suspicion;

/// A change is looked for at most this far back, h.
const BACK_H: f64 = 72.0;

/// Changes so small that their effect is proportional to them.
const SMALL_LEAK: f64 = 0.1;
const SMALL_FALL: f64 = 0.1;

/// Turns of a climb with the change in place.
const TURNS: usize = 4;

/// The cost must fall by so much before a change is suspected: on drawn batches without one it fell by less than 17 in nine of ten.
const TELLING: f64 = 20.0;
/// ... and by so much more than by a culture that slowed down: every leak looks like that at first.
const MORE_THAN_SLOWER: f64 = 12.0;
/// A leak makes the pressure fall: by so much, bar at 20 degC, and this share of it. Neither the barometer nor the gauge's noise does.
const FALL_BAR: f64 = 0.04;
const FALL_SHARE: f64 = 0.01;
/// A gauge that creeps makes the cost fall by so much, since any slow misfit of the box looks a little like it ...
const CREEP_TELLING: f64 = 60.0;
/// ... and by so many times more than anything that happens in a bottle.
const CREEP_TIMES: f64 = 1.5;

/// What began.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Began {
    /// At which node.
    node: usize,
    /// How much the cost falls.
    gain: f64,
    /// How much: as in [`Change`]; of a gauge bar an hour.
    size: f64,
}

/// What is suspected beside the maximum `z` of a problem, and since when, hours since sealing.
pub(super) fn suspected(problem: &Problem, z: &[f64]) -> Option<(Suspicion, f64)> {
    let best = candidate(problem, DVector::from_column_slice(z));
    let [mut leak, slower, creep] = most_likely(problem, &best)?;
    let hour = |began: &Began| problem.frame.nodes.get(began.node).copied().unwrap_or(0.0);
    let climb_to = |began: &Began, change: Change| -> f64 {
        let mut problem = problem.clone();
        problem.change = Some((began.node, change));
        best.cost - climbed(&problem, candidate(&problem, best.z.clone()), TURNS).cost
    };
    let falls = has_fallen(problem, hour(&leak));
    if leak.gain > TELLING && falls {
        leak.gain = climb_to(&leak, Change::Leak(leak.size));
        if leak.gain > TELLING && leak.gain >= creep.gain {
            let slower = [0.5, 1.0, 2.0].map(|times| {
                let fall = (times * slower.size).min(4.0);
                climb_to(&slower, Change::Slower(fall))
            });
            if leak.gain > slower.into_iter().fold(0.0, f64::max) + MORE_THAN_SLOWER {
                return Some((Suspicion::Leak, hour(&leak)));
            }
        }
    }
    let inside = leak.gain.max(slower.gain);
    (creep.gain > CREEP_TELLING.max(CREEP_TIMES * inside)).then(|| (Suspicion::Creeping, hour(&creep)))
}

/// Of leak, slower culture and creeping gauge the most likely, to first order.
fn most_likely(problem: &Problem, best: &Candidate) -> Option<[Began; 3]> {
    let z = best.z.as_slice();
    let jacobian = problem.jacobian(&best.z, &best.course, &best.residuals);
    let weights = climb::weights(&best.residuals);
    let pull = weights.component_mul(&best.residuals);
    let weighed = climb::weighted(jacobian.clone(), &weights.map(f64::sqrt));
    let curvature = Cholesky::new(climb::curvature(&weighed))?;
    let solved = curvature.solve(&(jacobian.tr_mul(&pull) + &best.z));
    let judge = |node: usize, direction: &DVector<f64>| -> Began {
        let weighted = weights.component_mul(direction);
        let shared = jacobian.tr_mul(&weighted);
        let slope = direction.dot(&pull) - shared.dot(&solved);
        let stiffness = direction.dot(&weighted) - shared.dot(&curvature.solve(&shared));
        if stiffness.is_finite() && stiffness > 1e-9 * direction.dot(&weighted) {
            let (gain, size) = (slope * slope / stiffness, -slope / stiffness);
            Began { node, gain, size }
        } else {
            Began::default()
        }
    };
    let mut found = [Began::default(); 3];
    let mut keep = |place: usize, began: Began, possible: bool| {
        if possible && began.gain > found[place].gain {
            found[place] = began;
        }
    };
    let mut changed = problem.clone();
    let now_h = problem.now_h();
    let mut last_h = f64::MIN;
    for (node, h) in problem.frame.nodes.iter().enumerate() {
        let apart = if now_h - h < 12.0 { 0.5 } else { 2.0 };
        if *h < (now_h - BACK_H).max(1.0) || *h >= now_h || h - last_h < apart {
            continue;
        }
        last_h = *h;
        let mut effect = |change: Change, small: f64| {
            changed.change = Some((node, change));
            let course = changed.course(z, Some((&best.course, node)));
            let there = DVector::from_vec(changed.residuals(z, &course));
            judge(node, &((there - &best.residuals) / small))
        };
        let leak = effect(Change::Leak(SMALL_LEAK), SMALL_LEAK);
        let slower = effect(Change::Slower(SMALL_FALL), SMALL_FALL);
        keep(0, leak, leak.size > 0.0);
        keep(1, slower, slower.size > 0.0);
        keep(2, judge(node, &DVector::from_vec(problem.creeping(*h))), true);
    }
    Some(found)
}

/// The pressure, had the drink stood at 20 degC, lies below its highest since shortly before `from_h`: the middle of the last three
/// values below the middle of three.
fn has_fallen(problem: &Problem, from_h: f64) -> bool {
    let told: Vec<f64> = problem.co2_over_drink(from_h - 3.0).map(|(_, bar)| bar).collect();
    let middles = told.windows(3).map(|w| {
        let mut w = [w[0], w[1], w[2]];
        w.sort_by(f64::total_cmp);
        w[1]
    });
    let (highest, last) = middles.fold((f64::MIN, f64::MIN), |(highest, _), bar| (highest.max(bar), bar));
    last < highest - FALL_BAR - FALL_SHARE * highest.max(0.0)
}
