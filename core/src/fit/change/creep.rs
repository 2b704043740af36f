//! A gauge that creeps upwards, told by the float beside it.
//!
//! Nothing that happens in a bottle lifts the gauge above what the float has seen made: a livelier culture moves both, a leak moves the
//! gauge the other way. So a creep is judged with rates that wander no more than is likely and a float that tells what was made as it
//! should, and it has to explain more than anything in the bottle does, and more than a float that creeps. A creep downwards looks like a leak
//! or a culture that gives up for days; nothing is said of it here.

use nalgebra::DVector;

use super::{Around, Began, TURNS, effects, places};
use crate::fit::{
    climb::{Candidate, candidate, climbed},
    course::Problem,
};

/// The cost must fall by so much: at some half hour of six days it fell by 28 on one of 38 sound drawn batches (tuning seeds), by 22 and less
/// on the others, where the other conditions held; from cold by 31 on that one.
const TELLING: f64 = 32.0;
/// What a g/L of CO2 takes from the gravity is held more tightly than by the fit, as a ratio of precisions: to 3 % instead of 7 %, lest
/// it bends to make a creep its own.
const SLOPE: f64 = 5.4;
/// Slower creeps, bar an hour, are no more within days than what the box misfits by.
const LEAST: f64 = 0.004_5;
/// Before there is CO2 to speak of, h, a creep and that slope are one.
const NOT_BEFORE_H: f64 = 12.0;

/// Since when the gauge creeps upwards, hours since sealing, if the float beside it says so.
pub(super) fn upwards(problem: &Problem, best: &Candidate) -> Option<f64> {
    if !problem.hears_both() || judged(problem, best, false)?.0.gain < 0.5 * TELLING {
        return None;
    }
    // A maximum that is still on its way misfits as a creep does.
    let settled = climbed(problem, candidate(problem, best.z.clone()), 2 * TURNS);
    let (creep, other) = judged(problem, &settled, true)?;
    let telling = creep.gain > TELLING && creep.gain > other;
    let hour = problem.frame.nodes.get(creep.node).copied();
    hour.filter(|_| telling)
}

/// The likeliest creep upwards; and, if asked for, by how much the cost falls by anything else: a leak, a culture that slowed down or came to
/// life, a float that creeps upwards.
fn judged(problem: &Problem, best: &Candidate, beside: bool) -> Option<(Began, f64)> {
    let jacobian = problem.jacobian(&best.z, &best.course, &best.residuals);
    let steadiness = problem.frame.steadiness();
    let around = Around::held(problem, best, &jacobian, steadiness, SLOPE)?;
    let (mut creep, mut other) = (Began::default(), 0.0_f64);
    let mut changed = problem.clone();
    for (node, h) in places(problem, NOT_BEFORE_H) {
        let of_gauge = around.judge(node, &DVector::from_vec(problem.creeping(h)));
        if of_gauge.size >= LEAST && of_gauge.gain > creep.gain {
            creep = of_gauge;
        }
        if !beside {
            continue;
        }
        let of_float = around.judge(node, &DVector::from_vec(problem.float_creeping(h)));
        let [leaking, slowing] = effects(&mut changed, best, node);
        let leak = around.judge(node, &leaking);
        let of_pace = around.judge(node, &slowing);
        for (it, possible) in [
            (of_float, of_float.size > 0.0),
            (leak, leak.size > 0.0),
            (of_pace, true),
        ] {
            if possible {
                other = other.max(it.gain);
            }
        }
    }
    Some((creep, other))
}
