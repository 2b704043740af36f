//! What may have changed on the way: a leak that began, a culture that gave up, a gauge that began to creep.
//!
//! Asked of the maximum of the same posterior: by how much would its cost (minus twice the log of the posterior) fall if the
//! sensor vessel had begun to leak at this node or that, or the culture had slowed down, or the gauge had begun to creep? To first
//! order this is a score test with all parameters free (Rao 1948): no temperature, oxygen or slower culture may explain the change away
//! unless it does so at a lower cost. What survives is climbed to with the change in place, and compared.
//!
//! A leak need not make the pressure fall: while the culture makes more than it lets out, the pressure merely rises more slowly from one
//! hour to the next, which no culture does. So the same is asked of rates that wander no more than is likely, and a break within the
//! last hours is enough.

mod creep;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::{
    climb::{self, Candidate, candidate, climbed},
    course::{Change, Problem},
    giving_up,
    prior::{ALL, GRAVITY},
    slopes::{curvature, weigh},
};
use crate::forecast::Suspicion;

/// A change is looked for at most this far back, h.
const BACK_H: f64 = 72.0;

/// ... and not in the first hour.
const FIRST_H: f64 = 1.0;

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
/// Beside a move to the fridge nothing is looked for: a drink whose temperature changes by so much, K, within so many hours on either
/// side is known no better than the thermometer on its wall.
const STIRRED: (f64, f64) = (5.0, 3.0);

/// A break in the course of the pressure tells of a leak if it came within so many hours, of so many that are looked at: one that
/// began before, or came by and by, is none ...
const LATELY_H: [f64; 2] = [9.0, 14.0];
/// ... and the cost falls by so much, rates wandering no more than is likely: on drawn batches that are sound by 17 at most, on those
/// whose culture gives up by 47, on those that leak from 0.2 bar on by 35 and more ...
const BREAK: f64 = 32.0;
/// ... and a culture would have had to fall at once to less than a quarter, as a logarithm: those that give up take longer for it (0.3 to
/// 0.9 where the cost falls that much), and leaks look like 1.6 and more.
const AT_ONCE: f64 = 1.4;
/// ... and the leak has to explain it about as well as such a culture does ...
const AS_LIKELY: f64 = 0.85;
/// ... and to explain more, rates free again, than a culture that gives up: on drawn batches breaks of leaks by 28 and more, those of such
/// cultures by 17 at most ...
const MORE_THAN_GIVING_UP: f64 = 22.0;
/// ... and before it, by so many hours, rates were steady: a batch whose log rate wandered by more may do so again. Before the leaks of
/// drawn batches it had wandered by 0.65 at most, in those that had stalled for long by 1 to 4.
const STEADY: (f64, f64) = (6.0, 0.75);
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
    let [mut leak, slower, creep, broken, halted] = most_likely(problem, &best)?;
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
    let as_likely = broken.gain > AS_LIKELY * halted.gain;
    let lately = problem.now_h() - hour(&broken).min(hour(&halted)) <= LATELY_H[0];
    let breaks = broken.gain > BREAK && halted.size > AT_ONCE && as_likely && lately;
    let explains_more = || {
        let gives_up = giving_up::gives_up(problem, &best).map_or(0.0, |other| best.cost - other.cost);
        climb_to(&broken, Change::Leak(broken.size)) > gives_up.max(0.0) + MORE_THAN_GIVING_UP
    };
    if breaks && was_steady(problem, z, hour(&broken)) && explains_more() {
        return Some((Suspicion::Leak, hour(&broken)));
    }
    if let Some(since_h) = creep::upwards(problem, &best) {
        return Some((Suspicion::Creeping, since_h));
    }
    let inside = leak.gain.max(slower.gain);
    (creep.gain > CREEP_TELLING.max(CREEP_TIMES * inside)).then(|| (Suspicion::Creeping, hour(&creep)))
}

/// Of leak, slower culture and creeping gauge the most likely, to first order; and, with steady rates, of a leak and a slower culture
/// that began lately.
fn most_likely(problem: &Problem, best: &Candidate) -> Option<[Began; 5]> {
    let jacobian = problem.jacobian(&best.z, &best.course, &best.residuals);
    let free = Around::new(problem, best, &jacobian, 1.0)?;
    let steady = Around::new(problem, best, &jacobian, problem.frame.steadiness())?;
    let mut found = [Began::default(); 5];
    let mut keep = |place: usize, began: Began, possible: bool| {
        if possible && began.gain > found[place].gain {
            found[place] = began;
        }
    };
    let mut changed = problem.clone();
    let now_h = problem.now_h();
    for (node, h) in places(problem, FIRST_H) {
        let [leaking, slowing] = effects(&mut changed, best, node);
        let leak = free.judge(node, &leaking);
        keep(0, leak, leak.size > 0.0);
        let slower = free.judge(node, &slowing);
        keep(1, slower, slower.size > 0.0);
        let creep = DVector::from_vec(problem.creeping(h));
        keep(2, free.judge(node, &creep), true);
        if now_h - h <= LATELY_H[1] {
            let broken = steady.judge(node, &leaking);
            keep(3, broken, broken.size > 0.0);
            let halted = steady.judge(node, &slowing);
            keep(4, halted, halted.size > 0.0);
        }
    }
    Some(found)
}

/// Nodes, and their hours since sealing, at which a change is looked for: not before `first_h`.
fn places(problem: &Problem, first_h: f64) -> Vec<(usize, f64)> {
    let now_h = problem.now_h();
    let mut places = Vec::new();
    let mut last_h = f64::MIN;
    for (node, h) in problem.frame.nodes.iter().enumerate() {
        let apart = if now_h - h < 12.0 { 0.5 } else { 2.0 };
        let far = *h < (now_h - BACK_H).max(first_h) || *h >= now_h;
        if far || h - last_h < apart || is_stirred(problem, *h) {
            continue;
        }
        last_h = *h;
        places.push((node, *h));
    }
    places
}

/// How the residuals move with a leak and with a slower culture from `node` on, to first order.
fn effects(changed: &mut Problem, best: &Candidate, node: usize) -> [DVector<f64>; 2] {
    let z = best.z.as_slice();
    let smalls = [
        (Change::Leak(SMALL_LEAK), SMALL_LEAK),
        (Change::Slower(SMALL_FALL), SMALL_FALL),
    ];
    smalls.map(|(change, small)| {
        changed.change = Some((node, change));
        let course = changed.course(z, Some((&best.course, node)));
        let there = DVector::from_vec(changed.residuals(z, &course));
        (there - &best.residuals) / small
    })
}

/// Rates had not wandered by much before `from_h`.
fn was_steady(problem: &Problem, z: &[f64], from_h: f64) -> bool {
    let (before_h, most) = STEADY;
    let knots = problem.frame.knots.iter().zip(problem.surprises(z));
    let mut before = knots.filter(|(h, _)| **h <= from_h - before_h);
    before.all(|(_, surprise)| surprise.abs() <= most)
}

/// The drink's temperature changes by much around `at_h`.
pub(super) fn is_stirred(problem: &Problem, at_h: f64) -> bool {
    let (kelvin, hours) = STIRRED;
    let nodes = problem.frame.nodes.iter().zip(&problem.frame.climate.past);
    let near = nodes.filter(|(h, _)| (*h - at_h).abs() <= hours);
    let (low, high) = near.fold((f64::MAX, f64::MIN), |(low, high), (_, c)| {
        (low.min(*c), high.max(*c))
    });
    high - low > kelvin
}

/// The posterior around its maximum, to first order.
struct Around<'a> {
    jacobian: &'a DMatrix<f64>,
    weights: DVector<f64>,
    pull: DVector<f64>,
    curvature: Cholesky<f64, Dyn>,
    solved: DVector<f64>,
}

impl<'a> Around<'a> {
    /// The discrepancy is held `steadiness` times as tightly as the posterior holds it.
    fn new(problem: &Problem, best: &Candidate, jacobian: &'a DMatrix<f64>, steadiness: f64) -> Option<Self> {
        Self::held(problem, best, jacobian, steadiness, 1.0)
    }

    /// The same, and what CO2 takes from the gravity `slope` times as tightly.
    fn held(
        problem: &Problem,
        best: &Candidate,
        jacobian: &'a DMatrix<f64>,
        steadiness: f64,
        slope: f64,
    ) -> Option<Self> {
        let weights = climb::weights(&best.residuals);
        let pull = weights.component_mul(&best.residuals);
        let weighed = weigh(jacobian.clone(), &weights.map(f64::sqrt));
        let mut curvature = curvature(&weighed);
        let mut held = best.z.clone();
        for knot in ALL..ALL + problem.frame.knots.len() {
            curvature[(knot, knot)] += steadiness - 1.0;
            held[knot] *= steadiness;
        }
        let of_gravity = GRAVITY.end - 1;
        curvature[(of_gravity, of_gravity)] += slope - 1.0;
        held[of_gravity] *= slope;
        let curvature = Cholesky::new(curvature)?;
        let solved = curvature.solve(&(jacobian.tr_mul(&pull) + held));
        Some(Self {
            jacobian,
            weights,
            pull,
            curvature,
            solved,
        })
    }

    /// What a change from `node` on is worth that moves the residuals in this direction.
    fn judge(&self, node: usize, direction: &DVector<f64>) -> Began {
        let weighted = self.weights.component_mul(direction);
        let shared = self.jacobian.tr_mul(&weighted);
        let slope = direction.dot(&self.pull) - shared.dot(&self.solved);
        let stiffness = direction.dot(&weighted) - shared.dot(&self.curvature.solve(&shared));
        if stiffness.is_finite() && stiffness > 1e-9 * direction.dot(&weighted) {
            let (gain, size) = (slope * slope / stiffness, -slope / stiffness);
            Began { node, gain, size }
        } else {
            Began::default()
        }
    }
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
